"""Who may call what, as pure data: a module for each area, holding RIGHTS. ``planner.api.access`` gathers them."""
