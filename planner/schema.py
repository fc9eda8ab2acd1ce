"""Bringing the database's tables up to date before a command uses them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.core.management import call_command
from django.db import DatabaseError, OperationalError, connection
from django.db.migrations.executor import MigrationExecutor

from inventory.errors import Conflict, DomainError


class DatabaseUnusable(DomainError):
    """The database cannot be reached, read or written."""

    code = "database"
    status = 503


@contextmanager
def database_told() -> Iterator[None]:
    """A database that cannot be used is told in a sentence: DatabaseUnusable. Errors of our own stay what they are."""
    try:
        yield
    except DatabaseError as error:
        if type(error) not in (DatabaseError, OperationalError):
            raise
        name = connection.settings_dict["NAME"]
        reason = str(error).strip().partition("\n")[0]
        raise DatabaseUnusable(f"the database {name} cannot be used: {reason}") from error


def ensure_schema() -> None:
    """On SQLite bring the tables up, so that a new workshop needs no step of its own.

    On a server's database that is the operator's decision: raises Conflict naming the command.
    """
    executor = MigrationExecutor(connection)
    if not executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return
    if connection.vendor != "sqlite":
        raise Conflict("the database's tables are not up to date; run: manage.py migrate", code="schema_behind")
    call_command("migrate", verbosity=0, interactive=False)
