"""Statements written out, for the acts that others wait for: the ORM takes ten times as long to make one as to run it.

What is asked here is simple and by key. Everything else goes through models. Imports no models.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connection


def rows(sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """The rows that a statement answers; ``%s`` stands for each value."""
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


def run(sql: str, *values: Any) -> int:
    """Run a statement that writes; answers how many rows it touched."""
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        touched: int = cursor.rowcount
    return touched


def locking(sql: str) -> str:
    """The statement as one that locks the rows that it answers. SQLite has its one lock already."""
    return f"{sql} FOR NO KEY UPDATE" if connection.vendor == "postgresql" else sql


def array(numbers: Iterable[int]) -> str:
    """Whole numbers as one value of PostgreSQL, for ``%s::bigint[]``: the driver takes longer over a list."""
    return f"{{{','.join(map(str, numbers))}}}"


def marks(values: Sequence[Any]) -> str:
    """A place for each value of a short list: ``%s, %s``."""
    return ", ".join(["%s"] * len(values))
