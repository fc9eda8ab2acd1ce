"""Statements written out, for the acts that others wait for: the ORM takes ten times as long to make one as to run it.

What is asked here is simple and by key. Everything else goes through models. Imports no models.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connection, connections


def rows(sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """The rows that a statement answers; ``%s`` stands for each value."""
    with _executed(sql, values) as cursor:
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


def run(sql: str, *values: Any) -> int:
    """Run a statement that writes; answers how many rows it touched."""
    with _executed(sql, values) as cursor:
        touched: int = cursor.rowcount
    return touched


@contextmanager
def _executed(sql: str, values: Sequence[Any]) -> Iterator[Any]:
    """The cursor of a statement that has run."""
    database = connections[DEFAULT_DB_ALIAS]
    if _is_watched(database):
        with database.cursor() as cursor:
            cursor.execute(sql, values)
            yield cursor
        return
    database.validate_no_broken_transaction()
    with database.wrap_database_errors:
        text = _with_question_marks(sql) if database.vendor == "sqlite" else sql
        yield database.connection.execute(text, values)


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
