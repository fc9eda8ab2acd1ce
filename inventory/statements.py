"""Statements written out, for the acts that others wait for: the ORM takes ten times as long to make one as to run it.

What is asked here is simple and by key. Everything else goes through models. Imports no models.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connection, connections


def rows(sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """The rows that a statement answers; ``%s`` stands for each value."""
    database = connections[DEFAULT_DB_ALIAS]
    found: list[tuple[Any, ...]]
    if _is_watched(database):
        with database.cursor() as cursor:
            cursor.execute(sql, values)
            found = cursor.fetchall()
        return found
    with database.wrap_database_errors:
        found = _execute(database, sql, values).fetchall()
    return found


def run(sql: str, *values: Any) -> int:
    """Run a statement that writes; answers how many rows it touched."""
    database = connections[DEFAULT_DB_ALIAS]
    touched: int
    if _is_watched(database):
        with database.cursor() as cursor:
            cursor.execute(sql, values)
            touched = cursor.rowcount
        return touched
    with database.wrap_database_errors:
        touched = _execute(database, sql, values).rowcount
    return touched


def _is_watched(database: Any) -> bool:
    """Whether Django must run a statement itself: outside a transaction, or where somebody looks at statements.

    Else the driver is asked as Django asks it, without the cursor that Django makes for each statement, which takes
    longer than the statement.
    """
    return bool(
        not database.in_atomic_block
        or database.connection is None
        or database.execute_wrappers
        or database.queries_logged
    )


def _execute(database: Any, sql: str, values: Sequence[Any]) -> Any:
    database.validate_no_broken_transaction()
    return database.connection.execute(_with_question_marks(sql) if database.vendor == "sqlite" else sql, values)


@lru_cache(maxsize=200)
def _with_question_marks(sql: str) -> str:
    """The statement as SQLite's driver takes it; no statement here holds a sign of per cent beside these."""
    return sql.replace("%s", "?")


def locking(sql: str) -> str:
    """The statement as one that locks the rows that it answers. SQLite has its one lock already."""
    return f"{sql} FOR NO KEY UPDATE" if connection.vendor == "postgresql" else sql


def array(numbers: Iterable[int]) -> str:
    """Whole numbers as one value of PostgreSQL, for ``%s::bigint[]``: the driver takes longer over a list."""
    return f"{{{','.join(map(str, numbers))}}}"


def marks(values: Sequence[Any]) -> str:
    """A place for each value of a short list: ``%s, %s``."""
    return ", ".join(["%s"] * len(values))
