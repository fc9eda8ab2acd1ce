"""Statements given to the driver alone, without Django: the least that reading the same rows can take."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from typing import Any

from django.db import connection

Statement = tuple[str, Sequence[Any]]


def statements_of(act: Callable[[], Any]) -> list[Statement]:
    """The queries that an act gives to the driver; what begins and ends transactions is left out."""
    given: list[Statement] = []

    def note(execute: Callable[..., Any], sql: str, params: Sequence[Any], many: bool, context: Any) -> Any:
        if sql.lstrip().startswith(("SELECT", "WITH")):
            given.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        act()
    return given


def fetch_bare(statements: Sequence[Statement]) -> list[list[tuple[Any, ...]]]:
    """The rows of the same statements from the driver itself: no conversion, no Django."""
    sql_of = (lambda sql: sql.replace("%s", "?")) if connection.vendor == "sqlite" else (lambda sql: sql)
    with closing(bare_connection().cursor()) as cursor:
        return [cursor.execute(sql_of(sql), tuple(params or ())).fetchall() for sql, params in statements]


_kept: list[Any] = []


def bare_connection() -> Any:
    if not _kept:
        connection.ensure_connection()
        if connection.vendor == "sqlite":
            # A connection of its own: Django's converts the columns it declares.
            _kept.append(sqlite3.connect(connection.settings_dict["NAME"]))
            _kept[0].execute("PRAGMA cache_size=-65536")
        else:
            _kept.append(connection.connection)
    return _kept[0]
