"""The database engine of a workshop on SQLite: Django's own, with the writers of one process in a queue."""
