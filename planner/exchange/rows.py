"""From text tables to typed rows: columns checked against their specification, cells read, twins refused.

Knows nothing of the database; how a row's quantities are measured is asked of the caller. Imports nothing of Django.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from inventory.cells import UNKNOWN, Measured, Refused
from planner.exchange.decimals import settle_decimal_commas
from planner.exchange.faults import Faults
from planner.exchange.reading import TextRow, TextTable
from planner.exchange.tables import Column, Table

_COUNTED_ROWS = 500


@dataclass(slots=True)
class Row:
    """One row: ``values`` by column (the default where blank), ``texts`` as written, ``sound`` while without fault."""

    place: str
    number: int
    texts: dict[str, str]
    values: dict[str, Any] = field(default_factory=dict)
    sound: bool = True

    def __getitem__(self, column: str) -> Any:
        return self.values.get(column)

    def given(self, column: str) -> bool:
        """Whether something stands in this cell."""
        return self.texts.get(column, "") != ""

    def has_column(self, column: str) -> bool:
        return column in self.texts

    def refuse(self, faults: Faults, column: str, accepted: str, value: str | None = None) -> None:
        self.sound = False
        shown = self.texts.get(column, "") if value is None else value
        faults.add(self.place, self.number, column, shown, accepted)


MeasuredOf = Callable[[Row, Column], Measured]


def not_measured(row: Row, column: Column) -> Measured:
    return UNKNOWN


def read_rows(
    table: TextTable,
    spec: Table,
    faults: Faults,
    measured_of: MeasuredOf = not_measured,
    counted: Callable[[int], None] = lambda rows: None,
) -> list[Row]:
    """Every row of a table, typed. A row with a wrong cell is not ``sound`` but still there for what names it.

    ``counted`` is told now and then how many more rows are read.

    1. Unknown and missing columns are refused.
    2. Decimal commas are settled for the whole file.
    3. Cells are read: first what does not depend on others, then quantities, by the row's item.
    """
    if not _columns_stand(table, spec, faults):
        return []
    refused = settle_decimal_commas(table, spec, faults)
    # What a quantity depends on (measure, item, basis) is read before it.
    columns = sorted(spec.columns, key=lambda column: column.reader.kind == "quantity")
    rows = []
    for number, text_row in enumerate(table.rows, 1):
        rows.append(_read_row(table, text_row, columns, refused, faults, measured_of))
        if number % _COUNTED_ROWS == 0:
            counted(_COUNTED_ROWS)
    counted(len(rows) % _COUNTED_ROWS)
    return rows


def _columns_stand(table: TextTable, spec: Table, faults: Faults) -> bool:
    names = [column.name for column in spec.columns]
    stands = True
    for name in table.header:
        if name not in names:
            faults.add(table.place, 1, name, name, "only the columns " + ", ".join(names))
            stands = False
    for column in spec.columns:
        if column.required and column.name not in table.header:
            faults.add(table.place, 1, column.name, "", f"a column {column.name}: it is required")
            stands = False
    return stands


def _read_row(
    table: TextTable,
    text_row: TextRow,
    columns: list[Column],
    refused: set[tuple[int, str]],
    faults: Faults,
    measured_of: MeasuredOf,
) -> Row:
    row = Row(table.place, text_row.number, dict(zip(table.header, text_row.cells, strict=True)))
    for column in columns:
        text = row.texts.get(column.name, "")
        if text == "":
            row.values[column.name] = column.default
            if column.required:
                row.refuse(faults, column.name, column.reader.accepted)
        elif (row.number, column.name) in refused:
            row.sound = False
        else:
            measured = measured_of(row, column) if column.reader.kind == "quantity" else UNKNOWN
            try:
                row.values[column.name] = column.reader.read(text, measured)
            except Refused as refusal:
                row.refuse(faults, column.name, str(refusal))
    return row


def refuse_twins(rows: list[Row], identity: tuple[str, ...], faults: Faults) -> None:
    """Rows that agree in every identity column: all but the first are faults."""
    first: dict[tuple[Any, ...], int] = {}
    for row in rows:
        if any(name not in row.values for name in identity):
            continue
        key = tuple(_plain(row.values[name]) for name in identity)
        if key[0] is None:  # a blank code has its own fault
            continue
        if key in first:
            row.refuse(
                faults,
                identity[0],
                f"each {', '.join(identity)} once in a file; row {first[key]} has the same",
            )
        else:
            first[key] = row.number


def _plain(value: Any) -> Any:
    return getattr(value, "steps", value)
