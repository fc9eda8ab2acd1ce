"""What a request needs to be served, and whether it is there."""

from __future__ import annotations

import logging

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from planner.operations import queue

log = logging.getLogger(__name__)

REACHED, NOT_REACHED, UP_TO_DATE, BEHIND, HERE = "reached", "not_reached", "up_to_date", "behind", "in_this_process"
GOOD = {REACHED, UP_TO_DATE, HERE}


class _Known:
    """Tables that were up to date stay so while this process lives: its program does not change."""

    up_to_date = False


def parts() -> dict[str, str]:
    """The state of database, tables and broker, in words that tell a stranger nothing else."""
    return _database() | {"broker": {True: REACHED, False: NOT_REACHED, None: HERE}[queue.reached()]}


def _database() -> dict[str, str]:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        if not _Known.up_to_date:
            executor = MigrationExecutor(connection)
            _Known.up_to_date = not executor.migration_plan(executor.loader.graph.leaf_nodes())
    except DatabaseError:
        log.exception("the database cannot be used")
        connection.close()
        return {"database": NOT_REACHED}
    return {"database": REACHED, "tables": UP_TO_DATE if _Known.up_to_date else BEHIND}
