"""Who may see and do what on the pages: a module for each area, with ``RIGHTS``. Pure data, as for the API."""
