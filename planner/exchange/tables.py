"""The tables that people bring, as data: every column, what it takes, and what blank means.

Loading, exporting, the tests and the documentation all walk over these. Imports nothing of Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from inventory import cells
from inventory.cells import Reader


@dataclass(frozen=True, slots=True)
class Column:
    """One column. ``blank`` says in words what a blank cell means where that is not ``default`` itself."""

    name: str
    reader: Reader
    required: bool = False
    default: Any = None
    refers_to: str = ""  # the table whose codes it names
    blank: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table. ``identity`` names the columns that no two rows of a file may share."""

    name: str
    identity: tuple[str, ...]
    columns: tuple[Column, ...]
    required: bool = False

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


CODE = cells.code()
PHASE = cells.text(64)
LONG_TEXT = cells.text(5_000)
VERSION = Column("version", cells.whole(1, 1_000_000), default=1)
POSITION = cells.whole(1, 1_000_000)
PRIORITY = Column("priority", cells.whole(1, 1_000_000), blank="last")


RELEASED = {"by_decision": "decision", "by_checks": "checks"}  # as the lot card says it


def _item(name: str = "item") -> Column:
    return Column(name, CODE, required=True, refers_to="items")


def _formula() -> Column:
    return Column("formula", CODE, required=True, refers_to="formulas")


def _place() -> tuple[Column, Column]:
    return Column("place", cells.text(64), default=""), Column("container", cells.text(64), default="")


ITEMS = Table(
    "items",
    ("item",),
    (
        Column("item", CODE, required=True),
        Column("name", cells.text(), required=True),
        Column("kind", cells.choice("raw", "packaging", "intermediate", "product", "supply"), required=True),
        Column("measure", cells.choice("mass", "count"), default="mass"),
        Column("inci", cells.text(), default=""),
        Column("cas", cells.cas(), default=""),
        Column("gtin", cells.gtin(), default=""),
        Column("density_g_per_ml", cells.decimal("0", "100", 6, above=True)),
        Column("shelf_life_days", cells.days()),
        Column("shelf_life_hours", cells.whole(1, 191)),
        Column("shelf_life_basis", cells.choice("study", "assessor"), default=""),
        Column("caps_life", cells.yes_no(), blank="yes for raw, no for others"),
        Column("opened_life_days", cells.days()),
        Column("min_remaining_days", cells.days(), default=0),
        Column("safety_stock", cells.quantity(0), default=0),
        Column("lead_time_days", cells.days(), default=0),
        Column("release_by", cells.choice("decision", "checks", synonyms=RELEASED), default="decision"),
        Column("release_days", cells.days(), default=0),
        Column("retest_days", cells.days()),
        Column("drawn", cells.yes_no(), default=False),
        Column("min_percent", cells.percent()),
        Column("max_percent", cells.percent()),
        Column("storage", cells.text(), default=""),
        Column("caution", LONG_TEXT, default=""),
    ),
    required=True,
)

PARTIES = Table(
    "parties",
    ("party",),
    (
        Column("party", CODE, required=True),
        Column("name", cells.text(), required=True),
        Column("role", cells.choice("supplier", "customer", "both"), required=True),
        Column("email", cells.email(), default=""),
        Column("phone", cells.text(60), default=""),
        Column("address", LONG_TEXT, default=""),
        Column("min_remaining_days", cells.days()),
    ),
)

OFFERS = Table(
    "offers",
    ("supplier", "item", "pack"),
    (
        Column("supplier", CODE, required=True, refers_to="parties"),
        _item(),
        Column("pack", cells.quantity(), required=True),
        Column("price", cells.decimal("0", "1000000000", 4), blank="not known"),
        Column("lead_time_days", cells.days(), required=True),
        Column("min_packs", cells.whole(1, 1_000_000), default=1),
        Column("supplier_code", cells.text(64), default=""),
    ),
)

LOTS = Table(
    "lots",
    ("item", "lot", "place", "container"),
    (
        _item(),
        Column("lot", CODE, default="", blank="a number is given: opening stock, origin unknown"),
        Column("quantity", cells.quantity(), required=True),
        Column("status", cells.choice("quarantine", "released", "rejected", "held"), required=True),
        Column("received_on", cells.day()),
        Column("available_on", cells.day()),
        Column("expires_on", cells.expiry(), blank="received day and the item's life, else never"),
        Column("retest_on", cells.day(), blank="received day and the item's retest_days, else never"),
        Column("opened_on", cells.day()),
        Column("supplier", CODE, refers_to="parties"),
        Column("supplier_lot", cells.text(64), default=""),
        Column("maker_lot", cells.text(64), default=""),
        Column("unit_cost", cells.decimal("0", "1000000000", 6), blank="not known"),
        *_place(),
    ),
)

FORMULAS = Table(
    "formulas",
    ("formula", "version"),
    (
        Column("formula", CODE, required=True),
        VERSION,
        _item(),
        Column("basis", cells.choice("percent", "per_unit"), required=True),
        Column("yield_percent", cells.percent(1), default=1_000_000, blank="100"),
        Column("loss", cells.quantity(0), default=0),
        Column("status", cells.choice("draft", "approved", "retired"), default="draft"),
        Column("preferred", cells.yes_no(), default=False),
        Column("min_batch", cells.quantity(0), default=0),
        Column("batch_multiple", cells.quantity(), default=1, blank="any size"),
        Column("max_batch", cells.quantity(), blank="any size"),
    ),
)

FORMULA_LINES = Table(
    "formula_lines",
    ("formula", "version", "position"),
    (
        _formula(),
        VERSION,
        Column("position", POSITION, blank="the row's order within the version"),
        Column("phase", PHASE, default=""),
        _item(),
        Column("amount", cells.amount(), required=True),
        Column("tolerance_percent", cells.percent(), blank="by the scale's custom"),
        Column("single_lot", cells.yes_no(), blank="yes for an intermediate measured by mass on a per_unit formula"),
    ),
)

SUBSTITUTES = Table(
    "substitutes",
    ("formula", "version", "position", "item", "substitute"),
    (
        _formula(),
        VERSION,
        Column("position", POSITION, blank="the one line with this item"),
        _item(),
        Column("substitute", CODE, required=True, refers_to="items"),
        Column("ratio", cells.decimal("0", "100000", 6, above=True), required=True),
    ),
)

STEPS = Table(
    "steps",
    ("formula", "version", "position"),
    (
        _formula(),
        VERSION,
        Column("position", POSITION, required=True),
        Column("phase", PHASE, default=""),
        Column("text", LONG_TEXT, required=True),
        Column("temperature_c", cells.decimal("-100", "1000", 1)),
        Column("minutes", cells.whole(0, 1_000_000)),
        Column("hands_on", cells.yes_no(), default=True, blank="yes"),
    ),
)

CHECKS = Table(
    "checks",
    ("formula", "version", "check", "stage"),
    (
        _formula(),
        VERSION,
        Column("check", cells.text(), required=True),
        Column("stage", cells.choice("in_process", "release", "stability"), required=True),
        Column("unit", cells.text(40), default=""),
        Column("low", cells.decimal("-1000000000", "1000000000", 4)),
        Column("high", cells.decimal("-1000000000", "1000000000", 4)),
        Column("expected", cells.text(), default=""),
    ),
)

DEMANDS = Table(
    "demands",
    ("item", "due_on", "customer", "reference"),
    (
        _item(),
        Column("quantity", cells.quantity(), required=True),
        Column("due_on", cells.day(), required=True),
        Column("customer", CODE, refers_to="parties", blank="expected at a market"),
        Column("reference", cells.text(64), default=""),
        PRIORITY,
    ),
)

BATCHES = Table(
    "batches",
    ("batch",),
    (
        Column("batch", CODE, required=True),
        _formula(),
        VERSION,
        Column("size", cells.quantity(), required=True),
        Column("planned_for", cells.day(), required=True),
        Column("status", cells.choice("planned", "reserved"), default="planned"),
        PRIORITY,
    ),
)

RESERVATIONS = Table(
    "reservations",
    ("batch", "item", "lot", "place", "container"),
    (
        Column("batch", CODE, required=True, refers_to="batches"),
        _item(),
        Column("lot", CODE, required=True),
        Column("quantity", cells.quantity(), required=True),
        *_place(),
    ),
)

PURCHASE_ORDERS = Table(
    "purchase_orders",
    ("order", "item", "due_on"),
    (
        Column("order", CODE, required=True),
        Column("supplier", CODE, required=True, refers_to="parties"),
        _item(),
        Column("quantity", cells.quantity(), required=True),
        Column("due_on", cells.day(), required=True),
        Column("expires_on", cells.expiry(), blank="received day and the item's life"),
    ),
)

SETTINGS = Table(
    "settings",
    ("key",),
    (Column("key", CODE, required=True), Column("value", cells.text(), required=True)),
)

# In the order in which they are checked and written: what is named comes before what names it.
TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        SETTINGS,
        ITEMS,
        PARTIES,
        OFFERS,
        FORMULAS,
        FORMULA_LINES,
        SUBSTITUTES,
        STEPS,
        CHECKS,
        LOTS,
        DEMANDS,
        BATCHES,
        RESERVATIONS,
        PURCHASE_ORDERS,
    )
}


def as_markdown() -> str:
    """Every table and column as DEVELOPERS.md prints them."""
    parts = []
    for table in TABLES.values():
        parts.append(f"**{table.name}**: one row for each {', '.join(table.identity)}\n")
        parts.append("| column | takes | blank means |")
        parts.append("|---|---|---|")
        parts.extend(f"| {column.name} | {column.reader.kind} | {_said_blank(column)} |" for column in table.columns)
        parts.append("")
    return "\n".join(parts)


def _said_blank(column: Column) -> str:
    if column.required:
        return "required"
    if column.blank:
        return column.blank
    if isinstance(column.default, bool):
        return "yes" if column.default else "no"
    return str(column.default) if column.default not in (None, "") else ""
