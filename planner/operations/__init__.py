"""Running the service: health, metrics, logs and request ids, static files, backup and restore."""
