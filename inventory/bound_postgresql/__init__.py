"""The database engine of a workshop on PostgreSQL: Django's own, told how many values one statement takes."""
