"""What the database holds of the things that brought tables speak of: read in bulk, never row by row."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from django.db.models import QuerySet, Sum

from inventory.models import (
    Demand,
    Item,
    Lot,
    Movement,
    Offer,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    Setting,
    StockEvent,
    Transformation,
)
from inventory.quantities import show_percent
from production.amounts import QS, Amount
from production.models import Batch, Check, FormulaVersion, Line, LineSubstitute, Step

_CHUNK = 5_000

VersionKey = tuple[str, int]  # formula code, version
LotKey = tuple[str, str]  # item code, lot number
PortionKey = tuple[str, str, str, str]  # item code, lot number, place, container
DemandKey = tuple[str, date, str, str]  # item code, day, customer code, reference
OrderKey = tuple[str, str, date]  # order code, item code, day


@dataclass(frozen=True, slots=True)
class LineContent:
    """One line of a version as it counts when two are compared; the written text of an amount does not."""

    position: int
    phase: str
    item: str
    percent: int | None
    qs: bool
    per_unit: Fraction | None
    is_volume: bool
    tolerance_percent: int | None
    single_lot: bool
    amount_text: str = field(default="", compare=False)

    @property
    def amount(self) -> Amount:
        return Amount(self.amount_text, self.percent, self.qs, self.per_unit, self.is_volume)


@dataclass(frozen=True, slots=True)
class SubstituteContent:
    position: int
    item: str
    ratio: Decimal


@dataclass(frozen=True, slots=True)
class StepContent:
    position: int
    phase: str
    text: str
    temperature_c: Decimal | None
    minutes: int | None
    hands_on: bool


@dataclass(frozen=True, slots=True)
class CheckContent:
    name: str
    stage: str
    unit: str
    low: Decimal | None
    high: Decimal | None
    expected: str


@dataclass(slots=True)
class Content:
    """All of a version but its state: what an approved version never changes."""

    basis: str = ""
    yield_percent: int = 0
    loss_mg: int = 0
    min_batch: int = 0
    batch_multiple: int = 1
    max_batch: int | None = None
    lines: list[LineContent] = field(default_factory=list)
    substitutes: list[SubstituteContent] = field(default_factory=list)
    steps: list[StepContent] = field(default_factory=list)
    checks: list[CheckContent] = field(default_factory=list)


def in_chunks(queryset: QuerySet[Any], field_name: str, values: Iterable[Any]) -> Iterator[Any]:
    """The rows whose field is among the values, however many: databases bound a statement's parameters."""
    wanted = list(values)
    for at in range(0, len(wanted), _CHUNK):
        yield from queryset.filter(**{f"{field_name}__in": wanted[at : at + _CHUNK]})


def by_code(model: type[Item] | type[Party]) -> dict[str, Any]:
    return {row.code: row for row in model._default_manager.order_by("code")}


def settings_by_key() -> dict[str, Setting]:
    return {row.key: row for row in Setting.objects.all()}


def offers_of(suppliers: Iterable[str]) -> dict[tuple[str, str, int], Offer]:
    rows = in_chunks(Offer.objects.select_related("supplier", "item"), "supplier__code", suppliers)
    return {(row.supplier.code, row.item.code, row.pack): row for row in rows}


# --- formulas ----------------------------------------------------------------------------------------------


def versions_of(formulas: Iterable[str]) -> dict[VersionKey, FormulaVersion]:
    rows = in_chunks(FormulaVersion.objects.select_related("formula__item"), "formula__code", formulas)
    return {(row.formula.code, row.version): row for row in rows}


def used_versions(versions: Iterable[FormulaVersion]) -> set[int]:
    """Ids of versions that a batch was made or planned by."""
    return set(in_chunks(Batch.objects.values_list("version_id", flat=True), "version", [row.pk for row in versions]))


def contents_of(versions: Iterable[FormulaVersion]) -> dict[int, Content]:
    """The content of each version, by its id."""
    contents = {row.pk: _head_of(row) for row in versions}
    lines: dict[int, tuple[int, int]] = {}
    for line in in_chunks(Line.objects.select_related("item").order_by("version_id", "position"), "version", contents):
        lines[line.pk] = (line.version_id, line.position)
        contents[line.version_id].lines.append(line_content(line))
    for one in in_chunks(
        LineSubstitute.objects.select_related("item").order_by("line_id", "item__code"), "line", lines
    ):
        version_id, position = lines[one.line_id]
        contents[version_id].substitutes.append(SubstituteContent(position, one.item.code, one.ratio))
    for step in in_chunks(Step.objects.order_by("version_id", "position"), "version", contents):
        contents[step.version_id].steps.append(
            StepContent(step.position, step.phase, step.text, step.temperature_c, step.minutes, step.hands_on)
        )
    for check in in_chunks(Check.objects.order_by("version_id", "name", "stage"), "version", contents):
        contents[check.version_id].checks.append(
            CheckContent(check.name, check.stage, check.unit, check.low, check.high, check.expected)
        )
    return contents


def _head_of(row: FormulaVersion) -> Content:
    return Content(row.basis, row.yield_percent, row.loss_mg, row.min_batch, row.batch_multiple, row.max_batch)


def line_content(line: Line) -> LineContent:
    per_unit = None if line.numerator is None else Fraction(line.numerator, line.denominator or 1)
    if line.qs:
        text = QS
    else:
        text = line.amount_written if line.percent is None else show_percent(line.percent)
    return LineContent(
        position=line.position,
        phase=line.phase,
        item=line.item.code,
        percent=line.percent,
        qs=line.qs,
        per_unit=per_unit,
        is_volume=line.is_volume,
        tolerance_percent=line.tolerance_percent,
        single_lot=line.single_lot,
        amount_text=text,
    )


def approved_edges() -> list[tuple[str, int, str, str]]:
    """Formula, version, output item and line item of every line of an approved version."""
    rows = Line.objects.filter(version__status=FormulaVersion.Status.APPROVED).values_list(
        "version__formula__code", "version__version", "version__formula__item__code", "item__code"
    )
    return list(rows.distinct())


# --- stock and promises ------------------------------------------------------------------------------------


@dataclass(slots=True)
class KnownStock:
    lots: dict[LotKey, Lot] = field(default_factory=dict)
    portions: dict[PortionKey, Portion] = field(default_factory=dict)
    opened: dict[int, int] = field(default_factory=dict)  # what lots of unknown origin held at first, by lot id


def stock_of(items: Iterable[str], unknown_origin: str) -> KnownStock:
    """Every lot and portion (set-apart ones aside) of these items."""
    found = KnownStock()
    unknown: list[int] = []
    codes = list(items)
    for lot in in_chunks(Lot.objects.select_related("item", "supplier").order_by("pk"), "item__code", codes):
        found.lots[lot.item.code, lot.number] = lot
        if lot.note == unknown_origin:
            unknown.append(lot.pk)
    portions = Portion.objects.filter(set_apart=False).select_related("lot__item").order_by("pk")
    for portion in in_chunks(portions, "lot__item__code", codes):
        found.portions[portion.lot.item.code, portion.lot.number, portion.place, portion.container] = portion
    opening = (
        Movement.objects.filter(event__kind=StockEvent.Kind.OPENING)
        .values_list("lot_id")
        .annotate(total=Sum("quantity"))
    )
    found.opened = dict(in_chunks(opening, "lot", unknown))
    return found


def demands_of(items: Iterable[str]) -> dict[DemandKey, Demand]:
    rows = in_chunks(Demand.objects.select_related("item", "customer"), "item__code", items)
    return {(row.item.code, row.due_on, row.customer.code if row.customer else "", row.reference): row for row in rows}


def reserved_for_demands(demands: Iterable[Demand]) -> dict[int, int]:
    rows = Reservation.objects.values_list("demand_id").annotate(total=Sum("quantity"))
    return dict(in_chunks(rows, "demand", [row.pk for row in demands]))


def batches_of(codes: Iterable[str]) -> dict[str, Batch]:
    rows = in_chunks(
        Batch.objects.select_related("transformation", "version__formula__item"), "transformation__code", codes
    )
    return {row.transformation.code: row for row in rows}


def other_transformations(codes: Iterable[str]) -> set[str]:
    """Numbers that are taken by a transformation, whether or not it is a batch."""
    return set(in_chunks(Transformation.objects.values_list("code", flat=True), "code", codes))


def reservations_of(batches: Iterable[str]) -> dict[str, dict[PortionKey, int]]:
    found: dict[str, dict[PortionKey, int]] = defaultdict(dict)
    rows = Reservation.objects.values_list(
        "transformation__code",
        "portion__lot__item__code",
        "portion__lot__number",
        "portion__place",
        "portion__container",
        "quantity",
    )
    for batch, item, lot, place, container, quantity in in_chunks(rows, "transformation__code", batches):
        found[batch][item, lot, place, container] = quantity
    return found


def orders_of(codes: Iterable[str]) -> tuple[dict[str, PurchaseOrder], dict[OrderKey, PurchaseOrderLine]]:
    wanted = list(codes)
    orders = {row.code: row for row in in_chunks(PurchaseOrder.objects.select_related("supplier"), "code", wanted)}
    lines = in_chunks(PurchaseOrderLine.objects.select_related("order", "item"), "order__code", wanted)
    return orders, {(row.order.code, row.item.code, row.due_on): row for row in lines}
