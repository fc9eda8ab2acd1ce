"""Pages of the bench: each module has ``ROUTES``. They know nothing of plans."""
