"""From the database to a problem: everything the plan depends on, read as columns in a fixed number of queries.

No model instance is made on this path: at ten thousand batches that would cost many times the fetch.
Rows are ordered by code, never by key, so that an exported and reloaded workshop gives the same plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby
from operator import itemgetter

import numpy as np
from django.db.models import CharField, F, Q
from django.db.models.functions import Cast

from inventory.models import (
    Demand,
    Item,
    Offer,
    Portion,
    PurchaseOrderLine,
    Reservation,
)
from inventory.quantities import WHOLE
from inventory.transactions import steady_read
from inventory.usability import plan_days_of_life
from inventory.workshop import open_weekdays
from planner.collector import collector_paused
from planner.engine import problem as engine
from planner.engine.portions import BLANK, Portions
from planner.engine.problem import NEVER
from production.models import Batch, FormulaVersion, Line, LineSubstitute
from production.selectors import started_sheets, stood_in

FIRM = ("planned", "reserved", "started")

NO_AMOUNT = Fraction(0)
NOTHING = engine.NOTHING_BY_POSITION


@collector_paused()
@steady_read()
def take_snapshot(*, from_day: date, weeks: int) -> engine.Problem:
    """The whole workshop, as it is at one moment, as one problem; ``to`` is inclusive: from + 7 weeks - 1."""
    items, rows = read_items()
    lots, portion_index = read_lots(rows)
    demands, demand_index = read_demands()
    first = from_day.toordinal()
    return engine.Problem(
        from_day=first,
        to_day=first + 7 * weeks - 1,
        items=items,
        lots=lots,
        orders=read_orders(),
        offers=read_offers(),
        formulas=read_formulas(),
        batches=read_batches(),
        demands=demands,
        reservations=read_reservations(portion_index, demand_index),
        open_weekdays=open_weekdays(),
    )


def ordinal(day: date | None) -> int | None:
    return None if day is None else day.toordinal()


class Days(dict[str | None, int]):
    """Ordinals by the ISO text of a day: tens of thousands of lots share a few hundred days."""

    def __init__(self) -> None:
        super().__init__({None: BLANK})

    def __missing__(self, text: str) -> int:
        day = self[text] = date.fromisoformat(text).toordinal()
        return day


def as_text(column: str) -> Cast:
    """A day as its ISO text: the one read for many rows costs less than a date made for each."""
    return Cast(column, CharField())


class Lives:
    """How items keep, as columns in the order of ``place_of``, their places by key; blank where nothing is known."""

    def __init__(self, rows: Sequence[tuple[int, int | None, int | None, int | None]]) -> None:
        """``rows``: an item's key, its life, its life once opened and the days until a retest."""
        self.place_of = {row[0]: place for place, row in enumerate(rows)}
        self.life, self.opened, self.retest = (
            np.array([BLANK if row[column] is None else row[column] for row in rows], dtype=np.int64)
            for column in (1, 2, 3)
        )


def read_items() -> tuple[tuple[engine.Item, ...], Lives]:
    items: list[engine.Item] = []
    lives: list[tuple[int, int | None, int | None, int | None]] = []
    for row in Item.objects.order_by("code").values_list(
        "pk", "code", "kind", "measure", "drawn", "shelf_life_days", "shelf_life_hours", "opened_life_days",
        "min_remaining_days", "safety_stock", "lead_time_days", "release_days", "retest_days",
    ):  # fmt: skip
        pk, code, kind, measure, drawn, days, hours, opened, remaining, safety, lead, release, retest = row
        life = plan_days_of_life(days, hours)
        lives.append((pk, life, opened, retest))
        items.append(engine.Item(code, kind, measure, drawn, life, remaining, safety, lead, release))
    return tuple(items), Lives(lives)


def read_lots(lives: Lives) -> tuple[Portions, dict[int, int]]:
    """Portions on hand, and where each stands among them."""
    rows = (
        Portion.objects.filter(on_hand__gt=0, lot__item__drawn=False)
        .order_by("lot__item__code", "lot__number", "place", "container", "set_apart")
        .values_list(
            "pk", "lot__item_id", "lot__item__code", "lot__number", "on_hand", "lot__status",
            as_text("lot__received_on"), as_text("lot__available_on"), as_text("lot__expires_on"),
            as_text("lot__retest_on"), as_text("opened_on"), "set_apart", "place", "container",
        )
    )  # fmt: skip
    columns = list(zip(*rows, strict=True)) or [()] * 14
    pks, item_ids, items, numbers, on_hand, statuses = columns[:6]
    apart, places, containers = columns[11:]
    day_of = Days()
    received, available, expires, retest, opened = (_ordinals(texts, day_of) for texts in columns[6:11])
    item = np.fromiter(map(lives.place_of.__getitem__, item_ids), dtype=np.int64, count=len(item_ids))
    last_day = _first_known(expires, _later(received, lives.life[item]))
    lots = Portions(
        item=items, lot=numbers, quantity=np.array(on_hand, dtype=np.int64), status=statuses,
        received_on=received, available_on=available,
        last_day=np.minimum(last_day, _first_known(_later(opened, lives.opened[item]))),
        retest_on=_first_known(retest, _later(received, lives.retest[item])),
        set_apart=np.array(apart, dtype=np.bool_), place=places, container=containers,
    )  # fmt: skip
    return lots, dict(zip(pks, range(len(pks)), strict=True))


def _ordinals(texts: Sequence[str | None], day_of: Days) -> np.ndarray:
    return np.fromiter(map(day_of.__getitem__, texts), dtype=np.int64, count=len(texts))


def _later(day: np.ndarray, days: np.ndarray) -> np.ndarray:
    """So many days later; blank where either is."""
    return np.where((day == BLANK) | (days == BLANK), BLANK, day + days)


def _first_known(*days: np.ndarray) -> np.ndarray:
    """The first of the days that is not blank, else never."""
    known = np.full(len(days[0]), NEVER)
    for day in reversed(days):
        known = np.where(day == BLANK, known, day)
    return known


def read_orders() -> tuple[engine.Order, ...]:
    return tuple(
        engine.Order(code, item, ordered - received, due_on.toordinal(), ordinal(expires_on))
        for code, item, ordered, received, due_on, expires_on in PurchaseOrderLine.objects.filter(
            closed_at=None, received__lt=F("quantity")
        )
        .order_by("order__code", "item__code", "due_on")
        .values_list("order__code", "item__code", "quantity", "received", "due_on", "expires_on")
    )


def read_offers() -> tuple[engine.Offer, ...]:
    return tuple(
        engine.Offer(supplier, item, pack, lead, price, least)
        for supplier, item, pack, lead, price, least in Offer.objects.order_by(
            "supplier__code", "item__code", "pack"
        ).values_list("supplier__code", "item__code", "pack", "lead_time_days", "price_e4", "min_packs")
    )


def read_formulas() -> tuple[engine.Formula, ...]:
    """Approved versions, and whatever version a firm batch is made by."""
    wanted = Q(status="approved") | Q(pk__in=Batch.objects.filter(status__in=FIRM).values("version"))
    lines = _read_lines(wanted)
    return tuple(
        engine.Formula(
            formula=code, version=number, item=item, basis=basis, lines=lines[pk], yield_percent=yield_percent,
            loss=loss, approved=status == "approved", preferred=preferred, min_batch=least,
            batch_multiple=multiple, max_batch=most,
        )
        for (
            pk, code, number, item, basis, yield_percent, loss, status, preferred, least, multiple, most,
        ) in FormulaVersion.objects.filter(wanted)
        .order_by("formula__code", "version")
        .values_list(
            "pk", "formula__code", "version", "formula__item__code", "basis", "yield_percent", "loss_mg", "status",
            "preferred", "min_batch", "batch_multiple", "max_batch",
        )
    )  # fmt: skip


def _read_lines(wanted: Q) -> dict[int, tuple[engine.Line, ...]]:
    versions = FormulaVersion.objects.filter(wanted).values("pk")
    substitutes: dict[int, list[engine.Substitute]] = defaultdict(list)
    for line_id, code, ratio in (
        LineSubstitute.objects.filter(line__version__in=versions)
        .order_by("line_id", "item__code")
        .values_list("line_id", "item__code", "ratio")
    ):
        substitutes[line_id].append(engine.Substitute(code, Fraction(ratio)))
    rows = (
        Line.objects.filter(version__in=versions)
        .order_by("version_id", "position")
        .values_list(
            "version_id", "pk", "position", "phase", "item__code", "percent", "qs", "numerator", "denominator",
            "is_volume", "item__density_g_per_ml", "single_lot",
        )
    )  # fmt: skip
    by_version = groupby(rows, key=itemgetter(0))
    return {version: _lines_of(list(lines), substitutes) for version, lines in by_version}


def _lines_of(rows: list[tuple], substitutes: dict[int, list[engine.Substitute]]) -> tuple[engine.Line, ...]:
    rest = WHOLE - sum(row[5] or 0 for row in rows)
    lines = []
    for _, pk, position, phase, item, percent, qs, numerator, denominator, is_volume, density, single_lot in rows:
        per_unit = NO_AMOUNT
        if numerator is not None:
            # Microlitres x g/mL are milligrams.
            per_unit = Fraction(numerator, denominator) * (Fraction(density) if is_volume else 1)
        stand_ins = tuple(substitutes[pk]) if pk in substitutes else ()
        share = rest if qs else percent or 0
        lines.append(engine.Line(position, item, share, per_unit, is_volume, phase, single_lot, stand_ins))
    return tuple(lines)


def added(weighed: Mapping[int, int], stood_in_for: Mapping[int, int]) -> Mapping[int, int]:
    """By line position what a batch needs no more: what went in, and what a reserved substitute stands in for."""
    if not stood_in_for:
        return weighed
    return {
        position: weighed.get(position, 0) + stood_in_for.get(position, 0)
        for position in weighed.keys() | stood_in_for.keys()
    }


def read_batches() -> tuple[engine.Batch, ...]:
    sheets, stand_ins, days = started_sheets(), stood_in(), Days()
    return tuple(
        engine.Batch(
            code, formula, version, charge, days[day], status, priority, trial,
            added(sheets.weighed.get(pk, NOTHING), stand_ins.get(pk, NOTHING)), sheets.required.get(pk, NOTHING),
        )
        for pk, code, formula, version, charge, day, status, priority, trial in Batch.objects.filter(status__in=FIRM)
        .order_by("transformation__code")
        .values_list(
            "pk", "transformation__code", "version__formula__code", "version__version", "charge",
            as_text("transformation__planned_for"), "status", "priority", "trial",
        )
    )  # fmt: skip


def read_demands() -> tuple[tuple[engine.Demand, ...], dict[int, int]]:
    demands: list[engine.Demand] = []
    index: dict[int, int] = {}
    for pk, item, wanted, dispatched, due_on, customer, reference, priority, remaining in (
        Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity"))
        .order_by("item__code", "due_on", "customer__code", "reference")
        .values_list(
            "pk", "item__code", "quantity", "dispatched", "due_on", "customer__code", "reference", "priority",
            "customer__min_remaining_days",
        )
    ):  # fmt: skip
        index[pk] = len(demands)
        demands.append(
            engine.Demand(item, wanted - dispatched, due_on.toordinal(), customer or "", reference, priority, remaining)
        )
    return tuple(demands), index


def read_reservations(portions: dict[int, int], demands: dict[int, int]) -> tuple[engine.Reservation, ...]:
    found = [
        engine.Reservation(
            lot=portions[portion],
            quantity=quantity,
            batch=batch,
            demand=demands.get(demand) if demand else None,
        )
        for portion, quantity, batch, demand in Reservation.objects.values_list(
            "portion_id", "quantity", "transformation__code", "demand_id"
        )
        if portion in portions
    ]
    return tuple(sorted(found, key=lambda row: (row.lot, row.batch or "", -1 if row.demand is None else row.demand)))
