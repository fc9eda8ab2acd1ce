"""Rows of a ``values()`` query as plain dicts, its statement compiled once for each shape of query.

Django compiles a query anew each time it runs, which takes longer than the database takes for a page. Of the queries of
a list only the conditions differ, and mostly their values alone: so the conditions are compiled each time, and the
statement around them is kept under all that it is made of.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from django.core.exceptions import EmptyResultSet, FullResultSet
from django.db.models import Expression, Field, ForeignKey, Lookup, QuerySet
from django.db.models.sql import Query

from inventory.statements import array

Row = dict[str, Any]
MOST_STATEMENTS = 1_000  # the limit of a page is part of a statement


@dataclass(frozen=True, slots=True)
class _Statement:
    sql: str
    unfinished: tuple[tuple[int, Expression], ...]  # the columns that the driver does not give as they are meant


_kept: dict[Hashable, _Statement] = {}


@Field.register_lookup
@ForeignKey.register_lookup
class OneOf(Lookup):
    """``event__one_of=keys``: what ``in`` finds by keys or codes, all of them as one value of one statement.

    A set, or the keys of a dict: Django looks at each value of a list by itself.
    """

    lookup_name = "one_of"
    prepare_rhs = False

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        if not self.rhs:
            raise EmptyResultSet
        column, params = self.process_lhs(compiler, connection)
        if connection.vendor == "postgresql":
            keys = list(self.rhs)
            return f"{column} = ANY(%s)", (*params, array(keys) if isinstance(keys[0], int) else keys)
        return f"{column} IN (SELECT value FROM json_each(%s))", (*params, json.dumps(list(self.rhs)))


def rows_of(rows: QuerySet[Any, Any], called: Mapping[str, str] = MappingProxyType({})) -> list[Row]:
    """What ``list(rows)`` gives of a ``values()`` query: one query, or none where no row can fit.

    ``called`` names the columns that the dicts have under another name. The dicts are the caller's own.
    """
    query: Query = rows.query
    if query.combinator or query.extra or query.select_for_update or query.distinct_fields or query.explain_info:
        raise ValueError("this is no plain query of a list")
    names = list(query.selected or (*query.values_select, *query.annotation_select))
    compiler = query.get_compiler(rows.db)
    try:
        where, params = compiler.compile(query.where)
    except EmptyResultSet:
        return []
    except FullResultSet:
        where, params = "", ()
    shape = _shape_of(query, names, where, compiler.connection.vendor)
    statement = _kept.get(shape)
    if statement is None:
        statement = _compiled(compiler, params)
        if statement is None:
            return [{called.get(name, name): value for name, value in row.items()} for row in rows.all()]
        if len(_kept) >= MOST_STATEMENTS:
            _kept.clear()
        _kept[shape] = statement
    names = [called.get(name, name) for name in names] if called else names
    with compiler.connection.cursor() as cursor:
        cursor.execute(statement.sql, params)
        found = [dict(zip(names, row, strict=False)) for row in cursor.fetchall()]
    for at, column in statement.unfinished:
        _finish(found, names[at], column, compiler)
    return found


def _shape_of(query: Query, names: Sequence[str], where: str, vendor: str) -> Hashable:
    """Everything that the statement is made of, the values of its conditions aside."""
    joins = tuple(
        (name, join.parent_alias, join.join_type, join.table_name, getattr(join, "join_cols", ()))
        for name, join in query.alias_map.items()
        if query.alias_refcount[name]
    )
    return (
        vendor, query.model, tuple(names), query.values_select, tuple(query.annotation_select.items()), joins, where,
        query.group_by, query.order_by, query.standard_ordering, query.distinct, query.low_mark, query.high_mark,
    )  # fmt: skip


def _compiled(compiler: Any, params: Sequence[Any]) -> _Statement | None:
    """The statement, or None where it holds values outside of its conditions."""
    sql, all_params = compiler.as_sql()
    if tuple(all_params) != tuple(params) or compiler.has_extra_select:
        return None
    columns = enumerate(expression for expression, _, _ in compiler.select)
    return _Statement(sql, tuple((at, column) for at, column in columns if compiler.get_converters([column])))


def _finish(rows: list[Row], name: str, column: Expression, compiler: Any) -> None:
    ((converters, _),) = compiler.get_converters([column]).values()
    for row in rows:
        value = row[name]
        for convert in converters:
            value = convert(value, column, compiler.connection)
        row[name] = value
