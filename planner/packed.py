"""Tens of thousands of rows read by column: the database writes each column as one text, numpy and orjson read it.

The driver makes an object of every value of every row, which takes most of the time of a long reading. A column that
the database writes as one text comes as one object, and what it holds is made of it at once. Where the same column was
read before and its text is the same, what was made of it then is taken again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from operator import is_
from typing import Any, TypeVar, cast

import numpy as np
import orjson
from django.db import connection
from django.db.models import QuerySet
from django.db.models.expressions import Combinable

from inventory import statements
from planner.engine.columns import BLANK  # a number or a day that is not there; none that is read here is below 0

Texts = tuple[str, ...]
R = TypeVar("R")


class Reading:
    """What was read, by statement; ``before`` is an earlier reading of the same.

    What it answers may be shared with the earlier reading: nobody may change it, and numpy refuses to.
    """

    def __init__(self, before: Reading | None = None) -> None:
        self._before = before
        self._columns: dict[tuple[Any, ...], list[tuple[str | None, Any]]] = {}
        self._found: dict[str, Any] = {}
        self._made: dict[str, list[tuple[tuple[Any, ...], Any]]] = {}

    def done(self) -> None:
        """All is read: the reading before is let go, or each would keep all that were before it."""
        self._before = None

    def columns(
        self,
        rows: QuerySet[Any],
        *,
        numbers: Sequence[str | Combinable] = (),
        flags: Sequence[str] = (),
        days: Sequence[str] = (),
        texts: Sequence[str] = (),
    ) -> list[Any]:
        """The columns named, in this order. One statement.

        The rows of them come in an order of the database's own. SQLite's stays while the rows do, and to be asked for
        any takes it half as long again; PostgreSQL's changes with each row written, so that is asked for one once
        there are columns to be compared.

        Whole numbers come as int64, ``BLANK`` where there is none, truth values, which every row has, as bool, days as
        ordinals, int64, ``BLANK`` where there is none, texts as a tuple.
        """
        sql, values = rows.order_by().values_list(*numbers, *flags, *days, *texts).query.sql_with_params()
        asked = sql
        if self._before is not None and connection.vendor == "postgresql":
            asked += f' ORDER BY "{rows.model._meta.db_table}"."{rows.model._meta.pk.column}"'
        wanted = ((_NUMBERS, numbers), (_FLAGS, flags), (_DAYS, days), (_TEXTS, texts))
        kinds = [kind.by_vendor[connection.vendor] for kind, columns in wanted for _ in columns]
        found = statements.rows(_packing(asked, [written for written, _ in kinds]), *values)[0]
        before = self._before._columns.get((sql, *values)) if self._before is not None else None
        before = before or [(None, read(None)) for _, read in kinds]
        columns = self._columns[(sql, *values)] = [
            (text, kept if text == as_before else read(text))
            for (_, read), text, (as_before, kept) in zip(kinds, found, before, strict=True)
        ]
        return [column for _, column in columns]

    def found(self, name: str, rows: R) -> R:
        """What was read in another way: where it equals what was found before by this name, that."""
        before = self._before._found.get(name) if self._before is not None else None
        self._found[name] = before if before == rows else rows
        return cast(R, self._found[name])

    def made(self, make: Callable[..., R], *parts: Any) -> R:
        """What a function makes of parts; where it was given the same parts, what it made of them then."""
        before = self._before._made.get(make.__qualname__, []) if self._before is not None else []
        answer = next((kept for of, kept in before if all(map(is_, of, parts))), None)
        if answer is None:
            answer = make(*parts)
        self._made.setdefault(make.__qualname__, []).append((parts, answer))
        return cast(R, answer)


def _packing(sql: str, written: Sequence[str]) -> str:
    names = [f"c{place}" for place in range(len(written))]
    columns = ", ".join(each.format(name) for each, name in zip(written, names, strict=True))
    return f"WITH packed_rows({', '.join(names)}) AS ({sql}) SELECT {columns} FROM packed_rows"


Read = Callable[[str | None], Any]


class _Kind:
    """How each database writes a column as one text, and what is made of it; the text of no rows may be None."""

    def __init__(self, *, sqlite: tuple[str, Read], postgresql: tuple[str, Read]) -> None:
        self.by_vendor = {"sqlite": sqlite, "postgresql": postgresql}


class _Ordinals(dict[str, int]):
    """Ordinals by day as text: few days are different."""

    def __missing__(self, text: str) -> int:
        ordinal = self[text] = date.fromisoformat(text).toordinal() if text else BLANK
        return ordinal


def _whole(text: str | None) -> np.ndarray:
    return np.fromstring(text, dtype=np.int64, sep=",") if text is not None else np.zeros(0, dtype=np.int64)


def _shared(column: np.ndarray) -> np.ndarray:
    column.flags.writeable = False
    return column


def _read_numbers(text: str | None) -> np.ndarray:
    return _shared(_whole(text))


def _read_flags(text: str | None) -> np.ndarray:
    return _shared(_whole(text) == 1)


def _read_days(text: str | None) -> np.ndarray:
    days: Iterable[str] = text.split(",") if text is not None else ()
    return _shared(np.array(list(map(_Ordinals().__getitem__, days)), dtype=np.int64))


def _read_texts(text: str | None) -> Texts:
    return tuple(orjson.loads(text)) if text is not None else ()


_NUMBERS = _Kind(
    sqlite=(f"GROUP_CONCAT(COALESCE({{0}}, {BLANK}))", _read_numbers),
    postgresql=(f"STRING_AGG(COALESCE({{0}}, {BLANK})::text, ',')", _read_numbers),
)
_FLAGS = _Kind(sqlite=("GROUP_CONCAT({0})", _read_flags), postgresql=("STRING_AGG({0}::int::text, ',')", _read_flags))
_DAYS = _Kind(
    sqlite=("GROUP_CONCAT(COALESCE({0}, ''))", _read_days),
    postgresql=(f"STRING_AGG(COALESCE({{0}} - DATE '0001-01-01' + 1, {BLANK})::text, ',')", _read_numbers),
)
_TEXTS = _Kind(sqlite=("JSON_GROUP_ARRAY({0})", _read_texts), postgresql=("JSON_AGG({0})::text", _read_texts))
