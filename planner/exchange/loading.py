"""Loading brought tables: everything is checked before a row is written, and all of it is written or nothing."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.db import transaction

from inventory.models import (
    Demand,
    Item,
    Offer,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Setting,
    Transformation,
)
from inventory.services import changes
from inventory.services.lots import open_stock
from inventory.services.reserving import reserve_exact
from inventory.transactions import lock_items, write
from planner.exchange.bringing import Bringing, Mark, Version, version_rows
from planner.exchange.faults import Faults, LoadRefused
from planner.exchange.known import LineContent, in_chunks
from planner.exchange.masters import check_masters
from planner.exchange.methods import check_methods
from planner.exchange.reading import Source, TextTable, read_tables
from planner.exchange.stock import check_stock
from planner.exchange.tables import TABLES
from planner.progress import Progress, unwatched
from production.models import Batch, FormulaVersion
from production.services import formulas

if TYPE_CHECKING:
    from django.contrib.auth.models import User

_BATCH_SIZE = 2_000


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What a load did (or, checking only, would do): rows by table, and what a person should know."""

    added: dict[str, int] = field(default_factory=dict)
    unchanged: dict[str, int] = field(default_factory=dict)
    updated: dict[str, int] = field(default_factory=dict)
    report: list[str] = field(default_factory=list)
    checked_only: bool = False


def load_tables(
    source: Source,
    who: User | None = None,
    *,
    check_only: bool = False,
    progress: Progress = unwatched,
    within: Callable[[LoadReport], None] | None = None,
) -> LoadReport:
    """Load a folder of CSV files, an XLSX workbook, or named bytes of either or of a ZIP of CSV files.

    Raises LoadRefused with every fault. ``progress`` counts rows checked and rows written; what it raises undoes all.
    ``within`` is called with the report in the same transaction, when all is written, and may raise to undo it.

    1. Files become tables of text, within bounds.
    2. In one transaction: rows are typed and checked against each other and the database; any fault ends it here.
    3. What is new or changed is written, in bulk; what is equal is left alone.
    """
    if check_only:
        checked = check_tables(source, progress=progress)
        if checked.refused is not None:
            raise checked.refused
        assert checked.report is not None
        return checked.report
    with _collector_at_rest():
        tables, faults = _read(source, progress)
        return _check_and_write(tables, faults, who, progress, within)


@dataclass(frozen=True, slots=True)
class Checked:
    """Tables that were looked at and not written: their text, and a report with what becomes of each row, or faults."""

    tables: dict[str, TextTable]
    report: LoadReport | None = None
    refused: LoadRefused | None = None
    marks: dict[str, dict[int, Mark]] = field(default_factory=dict)


def check_tables(source: Source, *, progress: Progress = unwatched) -> Checked:
    """What ``load_tables`` would do with this, and the tables themselves. Writes nothing, refuses nothing."""
    with _collector_at_rest():
        tables: dict[str, TextTable] = {}
        try:
            tables, faults = _read(source, progress)
            bringing = _checked(tables, faults, progress)
        except LoadRefused as refused:
            return Checked(tables, refused=refused)
        report = _report_of(bringing, check_only=True)
        return Checked(tables, report, None, dict(bringing.tally.marks))


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Rows by the hundred thousand hold no cycles: looking for them again and again costs a third of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _read(source: Source, progress: Progress) -> tuple[dict[str, TextTable], Faults]:
    progress("reading", 0, 1)
    faults = Faults()
    known = {name: tuple(column.name for column in spec.columns) for name, spec in TABLES.items()}
    tables = read_tables(source, known, faults)
    if not faults and not tables.get("items"):
        faults.add(_place_of(source), None, "", "", "a table items: it is required")
    if not tables:
        faults.refuse()
    progress("reading", 1, 1)
    return tables, faults


def _place_of(source: Source) -> str:
    return str(source) if isinstance(source, Path) else ", ".join(source)


def _report_of(bringing: Bringing, *, check_only: bool) -> LoadReport:
    tally = bringing.tally

    def in_order(counts: dict[str, int]) -> dict[str, int]:
        return {name: counts[name] for name in TABLES if counts.get(name)}

    return LoadReport(
        in_order(tally.added), in_order(tally.unchanged), in_order(tally.updated), bringing.report, check_only
    )


def _checked(tables: dict[str, TextTable], faults: Faults, progress: Progress) -> Bringing:
    """Typed rows, compared with each other and the database. Raises LoadRefused; writes nothing."""
    bringing = Bringing(tables, faults, progress=progress)
    check_masters(bringing)
    check_methods(bringing)
    check_stock(bringing)
    faults.refuse()
    return bringing


@write
def _check_and_write(
    tables: dict[str, TextTable],
    faults: Faults,
    who: User | None,
    progress: Progress,
    within: Callable[[LoadReport], None] | None,
) -> LoadReport:
    # What the check reads must still hold when it is written.
    if transaction.get_connection().vendor == "postgresql":
        lock_items(Item.objects.values_list("pk", flat=True))
    bringing = _checked(tables, faults, progress)
    written = _Written(bringing.writing.row_count(), progress)
    _write_down(bringing, who)
    _write_masters(bringing, written)
    # Those just written too: approvals and opening stock lock some each, in no order of their own.
    lock_items(Item.objects.values_list("pk", flat=True))
    _write_versions(bringing, who, written)
    _write_stock(bringing, who, written)
    report = _report_of(bringing, check_only=False)
    if within is not None:
        within(report)
    return report


# --- writing -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Written:
    """Counts rows while they are written."""

    of: int
    progress: Progress
    rows: int = 0

    def add(self, rows: int) -> None:
        self.rows += rows
        self.progress("writing", min(self.rows, self.of), self.of)

    def create(self, model: Any, rows: list[Any]) -> None:
        for part in _parts(rows):
            model.objects.bulk_create(part)
            self.add(len(part))

    def update(self, model: Any, rows: list[Any], names: Iterable[str]) -> None:
        for part in _parts(rows):
            model.objects.bulk_update(part, sorted(names))
            self.add(len(part))


def _parts(rows: list[Any]) -> Iterator[list[Any]]:
    for at in range(0, len(rows), _BATCH_SIZE):
        yield rows[at : at + _BATCH_SIZE]


def _write_masters(bringing: Bringing, written: _Written) -> None:
    writing = bringing.writing
    for setting in writing.settings:
        Setting.objects.update_or_create(key=setting.key, defaults={"value": setting.value})
    written.create(Item, writing.new_items)
    written.update(Item, writing.changed_items, writing.changed_fields["items"])
    written.create(Party, writing.new_parties)
    written.update(Party, writing.changed_parties, writing.changed_fields["parties"])
    written.create(Offer, writing.new_offers)
    written.update(Offer, writing.changed_offers, writing.changed_fields["offers"])


def _write_down(bringing: Bringing, who: User | None) -> None:
    """Who changes what in master data, before it is changed: what stands is read anew, for many at once."""
    writing, kind, log = bringing.writing, changes.Kind, list[changes.Change]()
    settings = dict(Setting.objects.values_list("key", "value"))
    for row in writing.settings:
        log.append(changes.Change(kind.SETTING, row.key, {"value": settings.get(row.key, "")}, {"value": row.value}))
    masters: list[tuple[Any, Callable[[Any], dict[str, str]], Any, Any]] = [
        (Item, changes.facts_of_item, writing.new_items, writing.changed_items),
        (Party, changes.facts_of_party, writing.new_parties, writing.changed_parties),
    ]
    for model, facts, new, changed in masters:
        name = kind.ITEM if model is Item else kind.PARTY
        stands = {row.pk: row for row in in_chunks(model.objects.all(), "pk", [row.pk for row in changed])}
        log += [changes.Change(name, row.code, None, facts(row)) for row in new]
        log += [changes.Change(name, row.code, facts(stands[row.pk]), facts(row)) for row in changed]
    offers = {
        row.pk: changes.facts_of_offer(row)
        for row in in_chunks(Offer.objects.all(), "pk", [row.pk for row in writing.changed_offers])
    }
    for offer in (*writing.new_offers, *writing.changed_offers):
        told = (offers.get(offer.pk), changes.facts_of_offer(offer), changes.pack_told(offer))
        log.append(changes.Change(kind.OFFER, offer.supplier.code, *told))
    changes.write_down(log, who)


def _write_versions(bringing: Bringing, who: User | None, written: _Written) -> None:
    """Content first, as drafts; then what is approved, together; then what is retired."""
    versions = bringing.writing.versions
    changed_or_new = [version for version in versions if version.existing is None or version.changed]
    for part in _parts(changed_or_new):
        rows = formulas.write_versions(specs=[_spec_of(bringing, version) for version in part], who=who)
        for version, row in zip(part, rows, strict=True):
            version.existing = row
        written.add(sum(map(version_rows, part)))
    for version in versions:
        assert version.existing is not None
        if version.existing.preferred != version.preferred:
            version.existing.preferred = version.preferred
            version.existing.save(update_fields=["preferred"])
    changed = [(version.existing, version.status) for version in versions if version.existing is not None]
    retired = [row.pk for row, status in changed if status == "retired" and row.status != "retired"]
    for at in range(0, len(retired), _BATCH_SIZE):
        FormulaVersion.objects.filter(pk__in=retired[at : at + _BATCH_SIZE]).update(status="retired")
    approved = [row for row, status in changed if status == "approved" and row.status != "approved"]
    if approved:
        warnings = formulas.approve_versions(versions=approved, who=who)
        for row in approved:
            code = row.formula.code
            bringing.report.extend(
                f"formula {code} version {row.version}: {warning}" for warning in warnings.get(row.pk, [])
            )


def _spec_of(bringing: Bringing, version: Version) -> formulas.VersionSpec:
    content, items = version.content, bringing.items
    code, number = version.key
    substitutes: dict[int, list[formulas.SubstituteSpec]] = {}
    for one in content.substitutes:
        substitutes.setdefault(one.position, []).append(formulas.SubstituteSpec(items[one.item], one.ratio))

    def line_spec(line: LineContent) -> formulas.LineSpec:
        return formulas.LineSpec(
            item=items[line.item],
            amount=line.amount_text,
            position=line.position,
            phase=line.phase,
            tolerance_percent=line.tolerance_percent,
            single_lot=line.single_lot,
            substitutes=substitutes.get(line.position, ()),
        )

    return formulas.VersionSpec(
        formula_code=code,
        version=number,
        item=items[version.item],
        basis=content.basis,
        yield_percent=content.yield_percent,
        loss_mg=content.loss_mg,
        preferred=version.preferred,
        min_batch=content.min_batch,
        batch_multiple=content.batch_multiple,
        max_batch=content.max_batch,
        lines=[line_spec(line) for line in content.lines],
        steps=[
            formulas.StepSpec(step.text, step.position, step.phase, step.temperature_c, step.minutes, step.hands_on)
            for step in content.steps
        ],
        checks=[
            formulas.CheckSpec(check.name, check.stage, check.unit, check.low, check.high, check.expected)
            for check in content.checks
        ],
    )


def _write_stock(bringing: Bringing, who: User | None, written: _Written) -> None:
    writing = bringing.writing
    # Numbered lots first: the numbers given to the others must pass them over.
    for rows in ([row for row in writing.lots if row.number], [row for row in writing.lots if not row.number]):
        if rows:
            lots = open_stock(rows=rows, who=who)
            written.add(len(rows))
            if not rows[0].number:
                bringing.report.extend(
                    f"lot {lot.number} of {lot.item.code}: number given, opening stock, origin unknown" for lot in lots
                )
    written.create(Demand, writing.new_demands)
    written.update(Demand, writing.changed_demands, ["quantity", "priority"])
    written.create(PurchaseOrder, writing.new_orders)
    written.create(PurchaseOrderLine, writing.new_order_lines)
    written.update(PurchaseOrderLine, writing.changed_order_lines, ["quantity", "expires_on"])
    _write_batches(bringing, written)
    _write_reservations(bringing, who)
    written.add(len(writing.reservations))


def _write_batches(bringing: Bringing, written: _Written) -> None:
    batches = bringing.writing.batches
    written.create(Transformation, [transformation for transformation, _, _ in batches])
    for transformation, batch, key in batches:
        version = bringing.versions[key].existing
        assert version is not None
        batch.transformation = transformation
        batch.version = version
    written.create(Batch, [batch for _, batch, _ in batches])


def _write_reservations(bringing: Bringing, who: User | None) -> None:
    reservations = bringing.writing.reservations
    if not reservations:
        return
    holders = {transformation.code: transformation for transformation, _, _ in bringing.writing.batches}
    items = {bringing.items[key[0]].pk for _, key, _ in reservations}
    rows = Portion.objects.filter(set_apart=False).select_related("lot__item")
    portions = {
        (portion.lot.item.code, portion.lot.number, portion.place, portion.container): portion
        for portion in in_chunks(rows, "lot__item", sorted(items))
    }
    reserve_exact(rows=[(portions[key], holders[batch], quantity) for batch, key, quantity in reservations], who=who)
