"""Writing the workshop as the tables that ``load_tables`` reads, to a folder of CSV files or one XLSX workbook.

What is still open is written, not what is past: loading it into an empty database gives the same plan. What the
tables cannot say is named as left out. Rows are ordered by code, so that equal workshops give equal bytes.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import xlsxwriter  # type: ignore[import-untyped]
from django.db.models import F

from inventory.errors import BadInput, Conflict, Fault
from inventory.models import (
    Demand,
    Item,
    Offer,
    Party,
    Portion,
    PurchaseOrderLine,
    Reservation,
    Setting,
)
from inventory.quantities import COUNT, MASS, QuantityError, parse_quantity, show_percent, show_quantity
from inventory.transactions import steady_read
from planner.exchange.archive import packed
from planner.exchange.escaping import escaped
from planner.exchange.known import Content, contents_of
from planner.exchange.stock import MONEY_E6, show_money
from planner.exchange.tables import TABLES
from planner.progress import Progress, unwatched
from production.arithmetic import PERCENT
from production.models import Batch, FormulaVersion

Cells = dict[str, str]

# The day that a workbook says it was made on, so that equal workshops give equal bytes.
_WORKBOOK_DAY = datetime(2000, 1, 1)  # noqa: DTZ001  a property of the file, shown nowhere


@dataclass(frozen=True, slots=True)
class ExportReport:
    """Rows written by table, and what the tables cannot say."""

    path: str
    written: dict[str, int] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Exported:
    """Every table as rows of text by column, before it takes a form."""

    tables: dict[str, list[Cells]]
    left_out: list[str]

    def written(self) -> dict[str, int]:
        """Rows by table; tables without rows are not there."""
        return {name: len(rows) for name, rows in self.tables.items() if rows}


def export_tables(path: Path) -> ExportReport:
    """Write all tables to a folder that is new or empty, or to a new file ending in .xlsx.

    Raises Conflict where something is there already, BadInput where the place cannot be written.
    """
    exported = exported_tables()
    try:
        _refuse_taken(path)
        if path.suffix.lower() == ".xlsx":
            with path.open("xb") as file:
                file.write(workbook_bytes(exported))
        else:
            path.mkdir(exist_ok=True)
            for name, content in csv_files(exported).items():
                with (path / name).open("xb") as file:
                    file.write(content)
    except OSError as error:
        fault = Fault("path", str(path), "a folder or file that may be written")
        raise BadInput(f"{path}: {error.strerror}", faults=[fault]) from error
    return ExportReport(str(path), exported.written(), exported.left_out)


def _refuse_taken(path: Path) -> None:
    if path.suffix.lower() == ".xlsx":
        if path.exists():
            raise Conflict(f"{path} is there already: nothing is overwritten", code="path_taken")
    elif path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise Conflict(f"{path} is there already and not an empty folder: nothing is overwritten", code="path_taken")


def exported_tables(progress: Progress = unwatched) -> Exported:
    """All tables as text, as they are at one moment. ``progress`` counts the tables read."""
    with steady_read():
        return _Export(progress).tables()


# --- forms -------------------------------------------------------------------------------------------------


def csv_files(exported: Exported, progress: Progress = unwatched) -> dict[str, bytes]:
    """File names and contents: UTF-8, comma, one file for each table with rows, and always the items."""
    files = {}
    for name, rows in _counted(exported, progress):
        if not rows and not TABLES[name].required:
            continue
        text = io.StringIO(newline="")
        writer = csv.writer(text, lineterminator="\n")
        columns = [column.name for column in TABLES[name].columns]
        writer.writerow(columns)
        writer.writerows([row.get(column, "") for column in columns] for row in _escaped_rows(name, rows))
        files[f"{name}.csv"] = text.getvalue().encode()
    return files


def archive_bytes(exported: Exported, progress: Progress = unwatched) -> bytes:
    """The CSV files in one ZIP."""
    return packed(csv_files(exported, progress))


def workbook_bytes(exported: Exported, progress: Progress = unwatched) -> bytes:
    """The same tables as sheets; every cell is text, so that no program rounds or runs it."""
    content = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(content, options) as book:
        book.set_properties({"created": _WORKBOOK_DAY})
        for name, rows in _counted(exported, progress):
            if not rows and not TABLES[name].required:
                continue
            sheet = book.add_worksheet(name)
            columns = [column.name for column in TABLES[name].columns]
            for at, column in enumerate(columns):
                sheet.write_string(0, at, column)
            for number, row in enumerate(_escaped_rows(name, rows), start=1):
                for at, column in enumerate(columns):
                    if row.get(column):
                        sheet.write_string(number, at, row[column])
    return content.getvalue()


def _counted(exported: Exported, progress: Progress) -> Iterator[tuple[str, list[Cells]]]:
    """Each table; ``progress`` is told how many rows are written, of how many."""
    written, of = 0, sum(map(len, exported.tables.values()))
    for name, rows in exported.tables.items():
        yield name, rows
        written += len(rows)
        progress("writing", written, of)


def _escaped_rows(name: str, rows: list[Cells]) -> Iterator[Cells]:
    """Text that a spreadsheet would run is escaped; a number below zero is none."""
    numeric = {column.name for column in TABLES[name].columns if column.reader.numeric}
    for row in rows:
        yield {column: text if column in numeric else escaped(text) for column, text in row.items()}


# --- tables ------------------------------------------------------------------------------------------------


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _number(value: int | Decimal | None) -> str:
    if value is None:
        return ""
    return f"{value.normalize():f}" if isinstance(value, Decimal) else str(value)


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _percent(steps: int | None) -> str:
    return "" if steps is None else show_percent(steps)


def _money(amount: int | None, parts: int) -> str:
    return "" if amount is None else show_money(amount, parts)


class _Export:
    """One reading of the whole workshop. What is left out is gathered on the way."""

    def __init__(self, progress: Progress = unwatched) -> None:
        self.progress = progress
        self.left_out: list[str] = []
        self.items: dict[str, Item] = {item.code: item for item in Item.objects.order_by("code")}
        versions = list(FormulaVersion.objects.select_related("formula__item").order_by("formula__code", "version"))
        contents = contents_of(versions)
        self.versions: list[tuple[FormulaVersion, Content]] = [(row, contents[row.pk]) for row in versions]

    def tables(self) -> Exported:
        batches, reservations = self._batches()
        rows_of: dict[str, Callable[[], Iterable[Cells]]] = {
            "settings": self._settings,
            "items": lambda: map(self._item, self.items.values()),
            "parties": lambda: map(self._party, Party.objects.order_by("code")),
            "offers": self._offers,
            "formulas": lambda: (self._formula(row, content) for row, content in self.versions),
            "formula_lines": self._lines,
            "substitutes": self._substitutes,
            "steps": self._steps,
            "checks": self._checks,
            "lots": self._lots,
            "demands": self._demands,
            "batches": lambda: batches,
            "reservations": lambda: reservations,
            "purchase_orders": self._orders,
        }
        tables = {}
        for number, name in enumerate(TABLES, 1):
            tables[name] = list(rows_of[name]())
            self.progress("reading", number, len(TABLES))
        return Exported(tables, self.left_out)

    def _settings(self) -> list[Cells]:
        return [{"key": row.key, "value": row.value} for row in Setting.objects.exclude(value="").order_by("key")]

    def _item(self, item: Item) -> Cells:
        return {
            "item": item.code,
            "name": item.name,
            "kind": item.kind,
            "measure": item.measure,
            "inci": item.inci,
            "cas": item.cas,
            "gtin": item.gtin,
            "density_g_per_ml": _number(item.density_g_per_ml),
            "shelf_life_days": _number(item.shelf_life_days),
            "shelf_life_hours": _number(item.shelf_life_hours),
            "shelf_life_basis": item.shelf_life_basis,
            "caps_life": _yes(item.caps_life),
            "opened_life_days": _number(item.opened_life_days),
            "min_remaining_days": _number(item.min_remaining_days),
            "safety_stock": show_quantity(item.safety_stock, item.measure),
            "lead_time_days": _number(item.lead_time_days),
            "release_by": item.release_by,
            "release_days": _number(item.release_days),
            "retest_days": _number(item.retest_days),
            "drawn": _yes(item.drawn),
            "min_percent": _percent(item.min_percent),
            "max_percent": _percent(item.max_percent),
            "storage": item.storage,
            "caution": item.caution,
        }

    def _party(self, party: Party) -> Cells:
        return {
            "party": party.code,
            "name": party.name,
            "role": party.role,
            "email": party.email,
            "phone": party.phone,
            "address": party.address,
            "min_remaining_days": _number(party.min_remaining_days),
        }

    def _offers(self) -> list[Cells]:
        rows = Offer.objects.select_related("supplier", "item").order_by("supplier__code", "item__code", "pack")
        return [
            {
                "supplier": row.supplier.code,
                "item": row.item.code,
                "pack": _written_or_shown(row.pack_written, row.pack, row.item),
                "price": _money(row.price_e4, 10_000),
                "lead_time_days": _number(row.lead_time_days),
                "min_packs": _number(row.min_packs),
                "supplier_code": row.supplier_code,
            }
            for row in rows
        ]

    # --- formulas ---

    def _formula(self, row: FormulaVersion, content: Content) -> Cells:
        measure = MASS if row.basis == PERCENT else COUNT
        return {
            **_key(row),
            "item": row.formula.item.code,
            "basis": row.basis,
            "yield_percent": show_percent(row.yield_percent),
            "loss": show_quantity(row.loss_mg, MASS),
            "status": row.status,
            "preferred": _yes(row.preferred),
            "min_batch": show_quantity(row.min_batch, measure),
            "batch_multiple": _size_in(row.batch_multiple, measure),
            "max_batch": "" if row.max_batch is None else show_quantity(row.max_batch, measure),
        }

    def _lines(self) -> Iterator[Cells]:
        for row, content in self.versions:
            for line in content.lines:
                yield {
                    **_key(row),
                    "position": str(line.position),
                    "phase": line.phase,
                    "item": line.item,
                    "amount": line.amount_text,
                    "tolerance_percent": _percent(line.tolerance_percent),
                    "single_lot": _yes(line.single_lot),
                }

    def _substitutes(self) -> Iterator[Cells]:
        for row, content in self.versions:
            items = {line.position: line.item for line in content.lines}
            for one in sorted(content.substitutes, key=lambda one: (one.position, one.item)):
                yield {
                    **_key(row),
                    "position": str(one.position),
                    "item": items[one.position],
                    "substitute": one.item,
                    "ratio": _number(one.ratio),
                }

    def _steps(self) -> Iterator[Cells]:
        for row, content in self.versions:
            for step in content.steps:
                yield {
                    **_key(row),
                    "position": str(step.position),
                    "phase": step.phase,
                    "text": step.text,
                    "temperature_c": _number(step.temperature_c),
                    "minutes": _number(step.minutes),
                    "hands_on": _yes(step.hands_on),
                }

    def _checks(self) -> Iterator[Cells]:
        for row, content in self.versions:
            for check in content.checks:
                yield {
                    **_key(row),
                    "check": check.name,
                    "stage": check.stage,
                    "unit": check.unit,
                    "low": _number(check.low),
                    "high": _number(check.high),
                    "expected": check.expected,
                }

    # --- stock and promises ---

    def _lots(self) -> list[Cells]:
        portions = (
            Portion.objects.filter(on_hand__gt=0)
            .select_related("lot__item", "lot__supplier")
            .order_by("lot__item__code", "lot__number", "place", "container", "set_apart")
        )
        rows = []
        for portion in portions:
            lot, item = portion.lot, portion.lot.item
            if lot.trial or portion.set_apart:
                why = "a trial" if lot.trial else "set apart"
                here = show_quantity(portion.on_hand, item.measure)
                self.left_out.append(f"lot {lot.number} of {item.code}: {here}, {why}")
                continue
            rows.append(
                {
                    "item": item.code,
                    "lot": lot.number,
                    "quantity": show_quantity(portion.on_hand, item.measure),
                    "status": lot.status,
                    "received_on": _day(lot.received_on),
                    "available_on": _day(lot.available_on),
                    "expires_on": _day(lot.expires_on),
                    "retest_on": _day(lot.retest_on),
                    "opened_on": _day(portion.opened_on),
                    "supplier": lot.supplier.code if lot.supplier else "",
                    "supplier_lot": lot.supplier_lot,
                    "maker_lot": lot.maker_lot,
                    "unit_cost": _money(lot.unit_cost_e6, MONEY_E6),
                    "place": portion.place,
                    "container": portion.container,
                }
            )
        return rows

    def _demands(self) -> list[Cells]:
        rows = (
            Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity"))
            .select_related("item", "customer")
            .order_by("item__code", "due_on", "customer__code", "reference")
        )
        return [
            {
                "item": row.item.code,
                "quantity": show_quantity(row.open_quantity, row.item.measure),
                "due_on": _day(row.due_on),
                "customer": row.customer.code if row.customer else "",
                "reference": row.reference,
                "priority": _number(row.priority),
            }
            for row in sorted(
                rows,
                key=lambda row: (row.item.code, row.due_on, row.customer.code if row.customer else "", row.reference),
            )
        ]

    def _orders(self) -> list[Cells]:
        rows = (
            PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity"))
            .select_related("order__supplier", "item")
            .order_by("order__code", "item__code", "due_on")
        )
        return [
            {
                "order": row.order.code,
                "supplier": row.order.supplier.code,
                "item": row.item.code,
                "quantity": show_quantity(row.open_quantity, row.item.measure),
                "due_on": _day(row.due_on),
                "expires_on": _day(row.expires_on),
            }
            for row in rows
        ]

    def _batches(self) -> tuple[list[Cells], list[Cells]]:
        """Planned and reserved batches, and what is set aside for them."""
        rows = list(
            Batch.objects.filter(status__in=("planned", "reserved", "started"))
            .select_related("transformation", "version__formula__item")
            .order_by("transformation__code")
        )
        reserved = self._reservations(rows)
        batches: list[Cells] = []
        reservations: list[Cells] = []
        for batch in rows:
            code = batch.transformation.code
            if batch.status == Batch.Status.STARTED:
                self.left_out.append(f"batch {code}: started")
                continue
            if batch.trial and batch.version.status != FormulaVersion.Status.DRAFT:
                self.left_out.append(f"batch {code}: a trial of a version that is no draft any more")
                continue
            held = reserved.get(code, [])
            batches.append(
                {
                    "batch": code,
                    **_key(batch.version),
                    "size": show_quantity(batch.charge, MASS if batch.version.basis == PERCENT else COUNT),
                    "planned_for": _day(batch.transformation.planned_for),
                    "status": batch.status,
                    "priority": _number(batch.priority),
                }
            )
            reservations.extend(_reservation_cells(code, row) for row in held)
        return batches, reservations

    def _reservations(self, batches: Iterable[Batch]) -> dict[str, list[Reservation]]:
        firm = {batch.transformation.code for batch in batches}
        found: dict[str, list[Reservation]] = defaultdict(list)
        rows = Reservation.objects.select_related(
            "portion__lot__item", "transformation", "demand__item", "demand__customer"
        ).order_by(
            "transformation__code",
            "portion__lot__item__code",
            "portion__lot__number",
            "portion__place",
            "portion__container",
            "demand__due_on",
            "demand__reference",
        )
        for row in rows:
            lot = row.portion.lot
            shown = f"{show_quantity(row.quantity, lot.item.measure)} of lot {lot.number} of {lot.item.code}"
            if row.demand is not None:
                customer = row.demand.customer.code if row.demand.customer else ""
                self.left_out.append(f"set aside for demand {customer}/{row.demand.reference}: {shown}")
            elif row.transformation is None or row.transformation.code not in firm:
                continue
            elif row.portion.set_apart or lot.trial:
                self.left_out.append(f"set aside for batch {row.transformation.code}: {shown}")
            else:
                found[row.transformation.code].append(row)
        return found


def _reservation_cells(batch: str, row: Reservation) -> Cells:
    lot = row.portion.lot
    return {
        "batch": batch,
        "item": lot.item.code,
        "lot": lot.number,
        "quantity": show_quantity(row.quantity, lot.item.measure),
        "place": row.portion.place,
        "container": row.portion.container,
    }


def _key(version: FormulaVersion) -> Cells:
    return {"formula": version.formula.code, "version": str(version.version)}


def _size_in(steps: int, measure: str) -> str:
    return "" if steps == 1 else show_quantity(steps, measure)


def _written_or_shown(written: str, steps: int, item: Item) -> str:
    """The text that was written where it still means the same by the item's density, else the exact quantity."""
    if written:
        try:
            read = parse_quantity(written, measure=item.measure, density_g_per_ml=item.density_g_per_ml)
        except QuantityError:
            read = None
        if read is not None and read.steps == steps:
            return written
    return show_quantity(steps, item.measure)
