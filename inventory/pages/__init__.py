"""Pages of the storeroom: each module has ``ROUTES``. ``frame`` and ``conventions`` serve the pages of every room."""
