"""What was brought, while it is checked: typed rows, what they stand for, what becomes of each."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from inventory.cells import UNKNOWN, Measured
from inventory.models import Demand, Item, Offer, Party, PurchaseOrder, PurchaseOrderLine, Setting, Transformation
from inventory.services.lots import OpeningRow
from planner.exchange.faults import Faults
from planner.exchange.known import Content, PortionKey, VersionKey
from planner.exchange.reading import TextTable
from planner.exchange.rows import MeasuredOf, Row, not_measured, read_rows, refuse_twins
from planner.exchange.tables import TABLES
from planner.progress import Progress, unwatched
from production.models import Batch, Formula, FormulaVersion

# Rows of a table that are kept to be shown one by one: of what is new a look is enough, what changes is looked at.
MOST_NEW, MOST_CHANGED = 20, 100


@dataclass(slots=True)
class Version:
    """One formula version as it will be: from the files, the database, or both."""

    key: VersionKey
    item: str
    content: Content
    status: str
    preferred: bool
    existing: FormulaVersion | None = None
    used: bool = False
    row: Row | None = None  # of formulas
    rows: dict[str, list[Row]] = field(default_factory=dict)  # of its lines, substitutes, steps, checks
    changed: set[str] = field(default_factory=set)  # tables with other content than the database's


def version_rows(version: Version) -> int:
    return 1 + sum(map(len, version.rows.values()))


@dataclass(frozen=True, slots=True)
class Mark:
    """What becomes of one row: new, or changed. ``was`` tells by column what the books say now, where that is known."""

    is_new: bool
    was: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Tally:
    """How many rows were added, updated, or unchanged, by table; the first of those that are not unchanged by row."""

    added: Counter[str] = field(default_factory=Counter)
    updated: Counter[str] = field(default_factory=Counter)
    unchanged: Counter[str] = field(default_factory=Counter)
    marks: dict[str, dict[int, Mark]] = field(default_factory=lambda: defaultdict(dict))  # by table and row number

    def add(self, table: str, *rows: Row) -> None:
        for row in rows[: max(0, MOST_NEW - self.added[table])]:
            self.marks[table][row.number] = Mark(is_new=True)
        self.added[table] += len(rows)

    def update(self, table: str, *rows: Row, was: Mapping[str, str] | None = None) -> None:
        for row in rows[: max(0, MOST_CHANGED - self.updated[table])]:
            self.marks[table][row.number] = Mark(is_new=False, was=was or {})
        self.updated[table] += len(rows)


@dataclass(slots=True)
class Writing:
    """What is to be written, in model rows not yet saved, or in what a service takes."""

    settings: list[Setting] = field(default_factory=list)
    changed_fields: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))  # by table: model fields
    new_items: list[Item] = field(default_factory=list)
    changed_items: list[Item] = field(default_factory=list)
    new_parties: list[Party] = field(default_factory=list)
    changed_parties: list[Party] = field(default_factory=list)
    new_offers: list[Offer] = field(default_factory=list)
    changed_offers: list[Offer] = field(default_factory=list)
    versions: list[Version] = field(default_factory=list)  # those with something to write
    lots: list[OpeningRow] = field(default_factory=list)
    new_demands: list[Demand] = field(default_factory=list)
    changed_demands: list[Demand] = field(default_factory=list)
    batches: list[tuple[Transformation, Batch, VersionKey]] = field(default_factory=list)
    reservations: list[tuple[str, PortionKey, int]] = field(default_factory=list)  # batch, portion, quantity
    new_orders: list[PurchaseOrder] = field(default_factory=list)
    new_order_lines: list[PurchaseOrderLine] = field(default_factory=list)
    changed_order_lines: list[PurchaseOrderLine] = field(default_factory=list)

    def row_count(self) -> int:
        """About how many rows there are to write; a formula version counts with all its rows."""
        each = (getattr(self, name.name) for name in fields(self) if name.name not in ("versions", "changed_fields"))
        return sum(map(len, each)) + sum(map(version_rows, self.versions))


@dataclass(slots=True)
class Bringing:
    """Everything that checking one load needs and finds. Items and parties are those of the database and the files."""

    tables: dict[str, TextTable]
    faults: Faults
    items: dict[str, Item] = field(default_factory=dict)
    parties: dict[str, Party] = field(default_factory=dict)
    formulas: dict[str, Formula] = field(default_factory=dict)
    versions: dict[VersionKey, Version] = field(default_factory=dict)
    unmeasured: set[str] = field(default_factory=set)  # items whose row leaves the measure unclear
    tally: Tally = field(default_factory=Tally)
    writing: Writing = field(default_factory=Writing)
    report: list[str] = field(default_factory=list)
    progress: Progress = unwatched
    rows_checked: int = 0

    def rows(self, name: str, measured_of: MeasuredOf = not_measured, *, twins: bool = True) -> list[Row]:
        """The typed rows of a table; none where it was not brought."""
        table = self.tables.get(name)
        if table is None:
            return []
        rows = read_rows(table, TABLES[name], self.faults, measured_of, self._count_checked)
        if twins:
            refuse_twins(rows, TABLES[name].identity, self.faults)
        return rows

    def _count_checked(self, rows: int) -> None:
        self.rows_checked += rows
        self.progress("checking", self.rows_checked, sum(len(table.rows) for table in self.tables.values()))

    def measured(self, row: Row, column: Any) -> Measured:
        """How quantities of the row's item are measured."""
        return self.measured_item(row["item"])

    def measured_item(self, code: str | None) -> Measured:
        item = self.items.get(code or "")
        if item is None or item.code in self.unmeasured:
            return UNKNOWN
        return Measured(item.measure, item.density_g_per_ml)

    def item_of(self, row: Row, column: str = "item") -> Item | None:
        """The item that a row names; a fault where there is none."""
        return self._named(row, column, self.items, "items")

    def party_of(self, row: Row, column: str) -> Party | None:
        return self._named(row, column, self.parties, "parties")

    def _named(self, row: Row, column: str, known: dict[str, Any], table: str) -> Any:
        code = row[column]
        if code is None:
            return None
        if code not in known:
            row.refuse(self.faults, column, f"a code that stands in {table} or is known already")
            return None
        return known[code]

    def refuse(self, row: Row, column: str, accepted: str, value: str | None = None) -> None:
        row.refuse(self.faults, column, accepted, value)
