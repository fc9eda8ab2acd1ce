"""From the database to a problem: everything the plan depends on, read as columns in a fixed number of queries.

No model instance is made on this path: at ten thousand batches that would cost many times the fetch.
Rows are ordered by code, never by key, so that an exported and reloaded workshop gives the same plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from django.db.models import F, Func, IntegerField, Q, QuerySet

from inventory import statements
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
from planner.engine.batches import BatchColumns
from planner.engine.columns import BLANK
from planner.engine.formula_lines import LineColumns, LinesOf
from planner.engine.portions import Portions
from planner.engine.problem import NEVER, NO_PRIORITY
from planner.engine.reservations import ReservationColumns
from production.models import Batch, FormulaVersion, Line, LineSubstitute
from production.selectors import started_sheets, stood_in

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper
    from django.db.models.sql.compiler import SQLCompiler

FIRM = ("planned", "reserved", "started")

NOTHING = engine.NOTHING_BY_POSITION


@collector_paused()
@steady_read()
def take_snapshot(*, from_day: date, weeks: int) -> engine.Problem:
    """The whole workshop, as it is at one moment, as one problem; ``to`` is inclusive: from + 7 weeks - 1."""
    items, rows = read_items()
    lots, portion_index = read_lots(rows)
    demands, demand_index = read_demands()
    formulas, place_of_version = read_formulas()
    first = from_day.toordinal()
    return engine.Problem(
        from_day=first,
        to_day=first + 7 * weeks - 1,
        items=items,
        lots=lots,
        orders=read_orders(),
        offers=read_offers(),
        formulas=formulas,
        batches=read_batches(formulas, place_of_version),
        demands=demands,
        reservations=read_reservations(portion_index, demand_index),
        open_weekdays=open_weekdays(),
    )


def ordinal(day: date | None) -> int | None:
    return None if day is None else day.toordinal()


class Ordinal(Func):
    """A day as its ordinal, ``BLANK`` where there is none: numbers become a column at once, dates one by one."""

    output_field = IntegerField()
    template = f"COALESCE(%(expressions)s - DATE '0001-01-01' + 1, {BLANK})"

    def get_db_converters(self, connection: BaseDatabaseWrapper) -> list[Any]:
        """None: both drivers give whole numbers, and to look at each again would cost more than fetching it."""
        return []

    def as_sqlite(self, compiler: SQLCompiler, connection: BaseDatabaseWrapper, **context: Any) -> Any:
        # Julian days begin at noon; that of the day before ordinal 1 is 1721424.5.
        template = f"COALESCE(CAST(JULIANDAY(%(expressions)s) - 1721424.5 AS INTEGER), {BLANK})"
        return self.as_sql(compiler, connection, template=template, **context)


class Lives:
    """How items keep, as columns in the order of ``place_of``, their places by key; blank where nothing is known."""

    def __init__(self, rows: Sequence[tuple[int, int | None, int | None, int | None]]) -> None:
        """``rows``: an item's key, its life, its life once opened and the days until a retest."""
        self.place_of = {row[0]: place for place, row in enumerate(rows)}
        self.life, self.opened, self.retest = (
            np.array([BLANK if row[column] is None else row[column] for row in rows], dtype=np.int64)
            for column in (1, 2, 3)
        )


def fetched(rows: QuerySet[Any, tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """The rows of a ``values_list`` as the driver gives them: for numbers, texts and truth values by the ten thousand,
    each of which Django would look at once more. SQLite's truth values are 0 and 1, its days and decimals text.
    """
    sql, values = rows.query.sql_with_params()
    return statements.rows(sql, *values)


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
            Ordinal("lot__received_on"), Ordinal("lot__available_on"), Ordinal("lot__expires_on"),
            Ordinal("lot__retest_on"), Ordinal("opened_on"), "set_apart", "place", "container",
        )
    )  # fmt: skip
    columns = list(zip(*fetched(rows), strict=True)) or [()] * 14
    pks, item_ids, items, numbers, on_hand, statuses = columns[:6]
    apart, places, containers = columns[11:]
    received, available, expires, retest, opened = (np.array(days, dtype=np.int64) for days in columns[6:11])
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


def read_formulas() -> tuple[tuple[engine.Formula, ...], dict[int, int]]:
    """Approved versions, and whatever version a firm batch is made by; and where each stands among them."""
    wanted = Q(status="approved") | Q(pk__in=Batch.objects.filter(status__in=FIRM).values("version"))
    lines, first_line = _read_lines(wanted)
    rows = FormulaVersion.objects.filter(wanted).order_by("formula__code", "version").values_list(
        "pk", "formula__code", "version", "formula__item__code", "basis", "yield_percent", "loss_mg", "status",
        "preferred", "min_batch", "batch_multiple", "max_batch",
    )  # fmt: skip
    formulas: list[engine.Formula] = []
    index: dict[int, int] = {}
    for pk, code, number, item, basis, yield_percent, loss, status, preferred, least, multiple, most in rows:
        index[pk] = len(formulas)
        formulas.append(
            engine.Formula(
                formula=code,
                version=number,
                item=item,
                basis=basis,
                lines=LinesOf(lines, *first_line[pk]),
                yield_percent=yield_percent,
                loss=loss,
                approved=status == "approved",
                preferred=preferred,
                min_batch=least,
                batch_multiple=multiple,
                max_batch=most,
            )
        )
    return tuple(formulas), index


def _read_lines(wanted: Q) -> tuple[LineColumns, dict[int, tuple[int, int]]]:
    """The lines of the versions wanted, and by version where its lines begin and end."""
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
            "version_id", "pk", "position", "phase", "item_id", "item__code", "percent", "qs", "numerator",
            "denominator", "is_volume", "single_lot",
        )
    )  # fmt: skip
    columns = list(zip(*fetched(rows), strict=True)) or [()] * 12
    version, pk, position, phase, item_id, item, percents, qs, numerator, denominator, is_volume, single_lot = columns
    density = _densities() if any(is_volume) else {}
    per_unit = {}
    for place in [place for place, steps in enumerate(numerator) if steps is not None]:
        # Microlitres x g/mL are milligrams.
        grams = Fraction(density[item_id[place]]) if is_volume[place] else 1
        per_unit[place] = Fraction(numerator[place], denominator[place]) * grams
    bounds = _stretches(version)
    percent = np.array([each or 0 for each in percents], dtype=np.int64)
    for place in [place for place, is_rest in enumerate(qs) if is_rest]:
        first, past = bounds[version[place]]
        percent[place] = WHOLE - int(percent[first:past].sum())
    lines = LineColumns(
        item=item, position=np.array(position, dtype=np.int64), percent=percent,
        single_lot=np.array(single_lot, dtype=np.bool_), is_volume=np.array(is_volume, dtype=np.bool_), phase=phase,
        per_unit=per_unit,
        substitutes={place: tuple(substitutes[line]) for place, line in enumerate(pk) if line in substitutes},
    )  # fmt: skip
    return lines, bounds


def _densities() -> dict[int, Decimal]:
    """In g/mL, by the item's key."""
    rows = Item.objects.exclude(density_g_per_ml=None).values_list("pk", "density_g_per_ml")
    return {pk: density for pk, density in rows if density is not None}


def _stretches(keys: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Where the rows of each key, which stand together, begin and end."""
    column = np.array(keys, dtype=np.int64)
    edges = np.flatnonzero(np.diff(column, prepend=BLANK, append=BLANK)).tolist()
    return {keys[first]: (first, past) for first, past in pairwise(edges)}


def added(weighed: Mapping[int, int], stood_in_for: Mapping[int, int]) -> Mapping[int, int]:
    """By line position what a batch needs no more: what went in, and what a reserved substitute stands in for."""
    if not stood_in_for:
        return weighed
    return {
        position: weighed.get(position, 0) + stood_in_for.get(position, 0)
        for position in weighed.keys() | stood_in_for.keys()
    }


def read_batches(formulas: Sequence[engine.Formula], place_of: Mapping[int, int]) -> BatchColumns:
    """Firm batches; ``place_of`` a version among the formulas, by its key."""
    sheets, stand_ins = started_sheets(), stood_in()
    rows = (
        Batch.objects.filter(status__in=FIRM)
        .order_by("transformation__code")
        .values_list(
            "pk", "transformation__code", "version_id", "charge", Ordinal("transformation__planned_for"), "status",
            "priority", "trial",
        )
    )  # fmt: skip
    columns = list(zip(*fetched(rows), strict=True)) or [()] * 8
    pks, codes, versions, charges, days, statuses, priorities, trials = columns
    index = dict(zip(pks, range(len(pks)), strict=True))
    return BatchColumns(
        formulas, code=codes, formula=np.array([place_of[version] for version in versions], dtype=np.int64),
        charge=np.array(charges, dtype=np.int64), planned_for=np.array(days, dtype=np.int64), status=statuses,
        priority=np.array([NO_PRIORITY if each is None else each for each in priorities], dtype=np.int64),
        trial=np.array(trials, dtype=np.bool_),
        weighed={
            index[pk]: added(sheets.weighed.get(pk, NOTHING), stand_ins.get(pk, NOTHING))
            for pk in sheets.weighed.keys() | stand_ins.keys()
        },
        required={index[pk]: required for pk, required in sheets.required.items()},
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


def read_reservations(portions: Mapping[int, int], demands: Mapping[int, int]) -> ReservationColumns:
    rows = Reservation.objects.values_list("portion_id", "quantity", "transformation__code", "demand_id")
    known = [row for row in fetched(rows) if row[0] in portions]
    portion, quantity, batch, demand = list(zip(*known, strict=True)) or [()] * 4
    return ReservationColumns(
        lot=np.fromiter(map(portions.__getitem__, portion), dtype=np.int64, count=len(portion)),
        quantity=np.array(quantity, dtype=np.int64), batch=batch, demand=list(map(demands.get, demand)),
    )  # fmt: skip
