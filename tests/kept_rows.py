"""A workshop that takes long to build, built once in a process; where it is needed again, its rows are written as they
stood. What was built by services and by commands is thus as they left it, row for row, and there in milliseconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from django.apps import apps
from django.contrib.auth.models import Group
from django.core.management.color import no_style
from django.db import connection, models, transaction

from production.models import Protocol

ROWS_AT_ONCE = 200
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Kept:
    """What a builder returned, and what it wrote: table, columns and rows, each as the database itself writes it."""

    returned: Any
    written: list[tuple[str, str, list[str]]]
    beside: list[tuple[int, str]]  # number and name of what migrations wrote, to which rows refer


_kept: dict[Callable[[], Any], Kept] = {}


def build_or_write(build: Callable[[], T]) -> T:
    """Call ``build`` in a new workshop's database, or do there what it did the first time; answer what it returned.

    ``build`` is a function of a module, has no argument, and does the same whenever it is called.
    """
    beside = [*Group.objects.order_by("pk").values_list("pk", "name")]
    beside += Protocol.objects.order_by("pk").values_list("pk", "code")
    if build not in _kept or _kept[build].beside != beside:
        _kept[build] = _kept_from(build, beside)
    with transaction.atomic():
        for table, columns, rows in _kept[build].written:
            _write(table, columns, rows)
        with connection.cursor() as cursor:
            for statement in connection.ops.sequence_reset_sql(no_style(), apps.get_models()):
                cursor.execute(statement)
    returned: T = _kept[build].returned
    return returned


def _kept_from(build: Callable[[], Any], beside: list[tuple[int, str]]) -> Kept:
    # In the order of the models: an event is written before its movements, as the ledger's triggers ask.
    tables = list(apps.get_models(include_auto_created=True))
    with transaction.atomic():
        before = {model: set(_rows(model)) for model in tables}
        returned = build()
        after = {model: _rows(model) for model in tables}
        transaction.set_rollback(True)
    for model, rows in before.items():
        assert rows <= set(after[model]), f"{build.__name__} changed what migrations wrote to {model._meta.db_table}"
    new = {model: [row for row in rows if row not in before[model]] for model, rows in after.items()}
    written = [(model._meta.db_table, _columns(model), new[model]) for model in tables if new[model]]
    return Kept(returned, written, beside)


def _columns(model: type[models.Model]) -> str:
    return ", ".join(f'"{one.column}"' for one in model._meta.concrete_fields)


def _rows(model: type[models.Model]) -> list[str]:
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({_columns(model)}) TO STDOUT") as copy:
                return b"".join(copy).decode().splitlines(keepends=True)
        quoted = " || ', ' || ".join(f'quote("{one.column}")' for one in model._meta.concrete_fields)
        cursor.execute(f"SELECT '(' || {quoted} || ')' FROM {table}")
        return [row for (row,) in cursor.fetchall()]


def _write(table: str, columns: str, rows: list[str]) -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                copy.write("".join(rows))
            return
        for at in range(0, len(rows), ROWS_AT_ONCE):
            cursor.execute(f"INSERT INTO {table} ({columns}) VALUES {', '.join(rows[at : at + ROWS_AT_ONCE])}")
