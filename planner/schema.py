"""Bringing the database's tables up to date before a command uses them."""

from __future__ import annotations

from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from inventory.errors import Conflict


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
