"""Decimal commas: taken where a whole file writes its numbers so, refused with both readings where it does not.

``1,250 g`` is 1.25 g to one maker and 1250 g to another; only the rest of the file can tell. Imports nothing
of Django.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from planner.exchange.faults import Faults
from planner.exchange.limits import TypedNumber
from planner.exchange.reading import TextTable
from planner.exchange.tables import Table

_NUMBER_WITH_COMMA = re.compile(r"^([^0-9]*)([0-9]{1,15}),([0-9]{1,15})([^0-9.,].*)?$")
_MAY_BE_THOUSANDS = re.compile(r"^[1-9][0-9]{0,2},[0-9]{3}$")


@dataclass(frozen=True, slots=True)
class NumericCell:
    row: int
    column: str
    at: int
    text: str


def _numeric_cells(table: TextTable, spec: Table) -> Iterator[NumericCell]:
    numeric = {column.name for column in spec.columns if column.reader.numeric}
    places = [(at, name) for at, name in enumerate(table.header) if name in numeric]
    for row in table.rows:
        for at, name in places:
            text = row.cells[at]
            if ("," in text or "." in text) and not isinstance(text, TypedNumber):
                yield NumericCell(row.number, name, at, text)


def settle_decimal_commas(table: TextTable, spec: Table, faults: Faults) -> set[tuple[int, str]]:
    """Turn decimal commas of a consistent file into points, in place; answers the cells refused (row, column).

    Consistent: no number has a point, every comma stands once within a number, and something says that it is no
    thousands separator: semicolons between the cells, or a number that cannot be read so ("2,5", "0,125").
    """
    with_comma: list[NumericCell] = []
    with_point: NumericCell | None = None
    for cell in _numeric_cells(table, spec):
        if "," in cell.text:
            with_comma.append(cell)
        elif with_point is None:
            with_point = cell
    if not with_comma:
        return set()
    readable = [cell for cell in with_comma if _NUMBER_WITH_COMMA.match(cell.text)]
    told = table.separator == ";" or any(_is_surely_decimal(cell.text) for cell in readable)
    consistent = with_point is None and told and len(readable) == len(with_comma)
    if consistent:
        rows = {row.number: row for row in table.rows}
        for cell in with_comma:
            rows[cell.row].cells[cell.at] = cell.text.replace(",", ".")
        return set()
    for cell in with_comma:
        faults.add(table.place, cell.row, cell.column, cell.text, _both_readings(cell, with_point))
    return {(cell.row, cell.column) for cell in with_comma}


def _is_surely_decimal(text: str) -> bool:
    match = _NUMBER_WITH_COMMA.match(text)
    return match is not None and _MAY_BE_THOUSANDS.match(f"{match[2]},{match[3]}") is None


def _both_readings(cell: NumericCell, with_point: NumericCell | None) -> str:
    if _NUMBER_WITH_COMMA.match(cell.text) is None:
        return 'a number with at most one decimal sign and no thousands separator, such as "1250.5 g"'
    decimal, thousands = cell.text.replace(",", "."), cell.text.replace(",", "")
    why = f'; row {with_point.row} column {with_point.column} has "{with_point.text}"' if with_point is not None else ""
    return (
        f'"{decimal}" or "{thousands}", whichever is meant: one decimal sign in the whole file, '
        f"no thousands separators{why}"
    )
