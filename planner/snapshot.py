"""From the database to a problem: everything the plan depends on, read as columns in a fixed number of queries.

No model instance is made on this path: at ten thousand batches that would cost many times the fetch.
Rows are ordered by code, never by key, where the engine could mind; so an exported and reloaded workshop gives the
same plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, starmap
from typing import NamedTuple

import numpy as np
from django.db.models import F, Q

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
from planner.packed import Reading, Texts
from production.models import Batch, FormulaVersion, Line, LineSubstitute
from production.selectors import started_sheets, stood_in

FIRM = ("planned", "reserved", "started")

NOTHING = engine.NOTHING_BY_POSITION


@collector_paused()
@steady_read()
def take_snapshot(*, from_day: date, weeks: int, reading: Reading | None = None) -> engine.Problem:
    """The whole workshop, as it is at one moment, as one problem; ``to`` is inclusive: from + 7 weeks - 1.

    A ``reading`` that was given to an earlier snapshot can stand before that of a later one, whose rows are then the
    same objects where they are unchanged.
    """
    reading = Reading() if reading is None else reading
    items = read_items(reading)
    lots = read_lots(reading, items)
    demands = read_demands(reading)
    formulas = read_formulas(reading, items)
    set_aside = read_set_aside(reading, lots)
    first = from_day.toordinal()
    problem = engine.Problem(
        from_day=first,
        to_day=first + 7 * weeks - 1,
        items=items.rows,
        lots=lots.portions,
        orders=read_orders(reading),
        offers=read_offers(reading),
        formulas=formulas.rows,
        batches=read_batches(reading, formulas, lots, set_aside),
        demands=demands.rows,
        reservations=reading.made(
            _reservations, set_aside.lot, set_aside.quantity, set_aside.demand, set_aside.batch, demands.place_of
        ),
        open_weekdays=open_weekdays(),
    )
    reading.done()
    return problem


def places_by(keys: np.ndarray) -> dict[int, int]:
    """Where each key stands."""
    return dict(zip(keys.tolist(), range(len(keys)), strict=True))


def _mapped(mapped: Mapping[int, int], keys: np.ndarray) -> np.ndarray:
    return np.fromiter(map(mapped.__getitem__, keys.tolist()), dtype=np.int64, count=len(keys))


class Items:
    """Items by code, where each stands by its key, and how they keep as columns; blank where nothing is known."""

    def __init__(self, keys: np.ndarray, rows: tuple[engine.Item, ...], opened: np.ndarray, retest: np.ndarray) -> None:
        """``opened`` is the life once opened, ``retest`` the days until a retest."""
        self.rows, self.place_of = rows, places_by(keys)
        self.drawn = [key for key, row in zip(keys.tolist(), rows, strict=True) if row.drawn]  # keys: they have no lots
        self.codes = [row.code for row in rows]
        self.life = np.array([BLANK if row.life_days is None else row.life_days for row in rows], dtype=np.int64)
        self.opened, self.retest = opened, retest

    def places_of(self, keys: np.ndarray) -> np.ndarray:
        """The items' places, by their keys."""
        return _mapped(self.place_of, keys)

    def codes_of(self, keys: np.ndarray) -> list[str]:
        """The items' codes, by their keys."""
        return list(map(self.codes.__getitem__, self.places_of(keys).tolist()))


def _or_none(column: np.ndarray) -> list[int | None]:
    return [None if each == BLANK else each for each in column.tolist()]


def read_items(reading: Reading) -> Items:
    return reading.made(
        _items,
        *reading.columns(
            Item.objects.all(),
            numbers=(
                "pk", "shelf_life_days", "shelf_life_hours", "opened_life_days", "min_remaining_days", "safety_stock",
                "lead_time_days", "release_days", "retest_days",
            ),
            flags=("drawn",),
            texts=("code", "kind", "measure"),
        ),
    )  # fmt: skip


def _items(
    pk: np.ndarray, days: np.ndarray, hours: np.ndarray, opened: np.ndarray, remaining: np.ndarray, safety: np.ndarray,
    lead: np.ndarray, release: np.ndarray, retest: np.ndarray, drawn: np.ndarray, code: Texts, kind: Texts,
    measure: Texts,
) -> Items:  # fmt: skip
    life = map(plan_days_of_life, _or_none(days), _or_none(hours))
    rows = list(
        map(
            engine.Item, code, kind, measure, drawn.tolist(), life, remaining.tolist(), safety.tolist(), lead.tolist(),
            release.tolist(),
        )
    )  # fmt: skip
    order = np.argsort(_ranks(code))
    return Items(pk[order], tuple(map(rows.__getitem__, order.tolist())), opened[order], retest[order])


class Lots(NamedTuple):
    portions: Portions
    place_of: Mapping[int, int]  # by the portion's key
    item_id: np.ndarray


def read_lots(reading: Reading, items: Items) -> Lots:
    """Portions on hand, by codes of item, lot, place and container.

    They are put in that order here: where only quantities changed since an earlier reading, it is as it was.
    """
    pk, item_id, on_hand, apart, received, available, expires, retest, opened, number, status, place, container = (
        reading.columns(
            Portion.objects.filter(on_hand__gt=0).exclude(lot__item_id__in=items.drawn),
            numbers=("pk", "lot__item_id", "on_hand"),
            flags=("set_apart",),
            days=("lot__received_on", "lot__available_on", "lot__expires_on", "lot__retest_on", "opened_on"),
            texts=("lot__number", "lot__status", "place", "container"),
        )
    )
    order = reading.made(_order_of_portions, items, item_id, number, place, container, apart)
    labels = [reading.made(_texts_in_order, order, column) for column in (number, status, place, container)]
    keys = reading.made(_in_order, order, pk)
    portions = reading.made(
        _portions, items, order, item_id, on_hand, apart, received, available, expires, retest, opened, *labels
    )
    return Lots(portions, reading.made(places_by, keys), reading.made(_in_order, order, item_id))


def _order_of_portions(
    items: Items, item_id: np.ndarray, number: Texts, place: Texts, container: Texts, apart: np.ndarray
) -> np.ndarray:
    return np.lexsort((apart, _ranks(container), _ranks(place), _ranks(number), items.places_of(item_id)))


def _ranks(texts: Texts) -> np.ndarray:
    """The place of each text among all different ones, sorted."""
    rank = {text: place for place, text in enumerate(sorted(set(texts)))}
    return np.fromiter(map(rank.__getitem__, texts), dtype=np.int64, count=len(texts))


def _in_order(order: np.ndarray, column: np.ndarray) -> np.ndarray:
    return column[order]


def _texts_in_order(order: np.ndarray, texts: Texts) -> Texts:
    return tuple(map(texts.__getitem__, order.tolist()))


def _portions(
    items: Items, order: np.ndarray, item_id: np.ndarray, on_hand: np.ndarray, apart: np.ndarray,
    received: np.ndarray, available: np.ndarray, expires: np.ndarray, retest: np.ndarray, opened: np.ndarray,
    number: Texts, status: Texts, place: Texts, container: Texts,
) -> Portions:  # fmt: skip
    """The texts are in order already."""
    item_id, on_hand, apart, received, available, expires, retest, opened = (
        column[order] for column in (item_id, on_hand, apart, received, available, expires, retest, opened)
    )
    item = items.places_of(item_id)
    last_day = _first_known(expires, _later(received, items.life[item]))
    return Portions(
        item=list(map(items.codes.__getitem__, item.tolist())), lot=number, quantity=on_hand, status=status,
        received_on=received, available_on=available,
        last_day=np.minimum(last_day, _first_known(_later(opened, items.opened[item]))),
        retest_on=_first_known(retest, _later(received, items.retest[item])),
        set_apart=apart, place=place, container=container,
    )  # fmt: skip


def _later(day: np.ndarray, days: np.ndarray) -> np.ndarray:
    """So many days later; blank where either is."""
    return np.where((day == BLANK) | (days == BLANK), BLANK, day + days)


def _first_known(*days: np.ndarray) -> np.ndarray:
    """The first of the days that is not blank, else never."""
    known = np.full(len(days[0]), NEVER)
    for day in reversed(days):
        known = np.where(day == BLANK, known, day)
    return known


def read_orders(reading: Reading) -> tuple[engine.Order, ...]:
    return reading.made(
        _orders,
        *reading.columns(
            PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity")),
            numbers=("quantity", "received"),
            days=("due_on", "expires_on"),
            texts=("order__code", "item__code"),
        ),
    )


def _orders(
    ordered: np.ndarray, received: np.ndarray, due_on: np.ndarray, expires_on: np.ndarray, code: Texts, item: Texts
) -> tuple[engine.Order, ...]:
    still_open = (ordered - received).tolist()
    rows = map(engine.Order, code, item, still_open, due_on.tolist(), _or_none(expires_on))
    return tuple(sorted(rows, key=lambda row: (row.order, row.item, row.due_on)))


def read_offers(reading: Reading) -> tuple[engine.Offer, ...]:
    return reading.made(
        _offers,
        *reading.columns(
            Offer.objects.all(),
            numbers=("pack", "lead_time_days", "price_e4", "min_packs"),
            texts=("supplier__code", "item__code"),
        ),
    )


def _offers(
    pack: np.ndarray, lead: np.ndarray, price: np.ndarray, least: np.ndarray, supplier: Texts, item: Texts
) -> tuple[engine.Offer, ...]:
    rows = starmap(
        engine.Offer, zip(supplier, item, pack.tolist(), lead.tolist(), _or_none(price), least.tolist(), strict=True)
    )
    return tuple(sorted(rows, key=lambda row: (row.supplier, row.item, row.pack)))


class Formulas(NamedTuple):
    """Versions as the plan takes them, where each stands by its key, and the items that their lines name."""

    rows: tuple[engine.Formula, ...]
    place_of: Mapping[int, int]
    named: frozenset[tuple[int, int]]  # keys of version and item


def read_formulas(reading: Reading, items: Items) -> Formulas:
    """Approved versions, and whatever version a firm batch is made by."""
    wanted = FormulaVersion.objects.filter(
        Q(status="approved") | Q(pk__in=Batch.objects.filter(status__in=FIRM).values("version"))
    )
    versions = reading.columns(
        wanted,
        numbers=("pk", "version", "yield_percent", "loss_mg", "min_batch", "batch_multiple", "max_batch"),
        flags=("preferred",),
        texts=("formula__code", "formula__item__code", "basis", "status"),
    )
    substitutes = (
        LineSubstitute.objects.filter(line__version__in=wanted.values("pk"))
        .order_by("line_id", "item__code")
        .values_list("line__version_id", "line__position", "item__code", "ratio")
    )
    columns = reading.columns(
        Line.objects.filter(version__in=wanted.values("pk")),
        numbers=("version_id", "position", "item_id", "percent", "numerator", "denominator"),
        flags=("is_volume", "single_lot"),
        texts=("phase",),
    )
    densities = Item.objects.exclude(density_g_per_ml=None).values_list("pk", "density_g_per_ml")
    lines = reading.made(
        _lines,
        items,
        reading.found("substitutes", list(substitutes)),
        reading.found("densities", dict(densities)),
        *columns,
    )
    return reading.made(_formulas, lines, *versions)


class Lines(NamedTuple):
    columns: LineColumns
    bounds: Mapping[int, tuple[int, int]]  # by version where its lines begin and end
    named: frozenset[tuple[int, int]]  # keys of version and item


def _formulas(
    lines: Lines, pk: np.ndarray, version: np.ndarray, yield_percent: np.ndarray, loss: np.ndarray, least: np.ndarray,
    multiple: np.ndarray, most: np.ndarray, preferred: np.ndarray, code: Texts, item: Texts, basis: Texts,
    status: Texts,
) -> Formulas:  # fmt: skip
    rows = zip(
        code, version.tolist(), item, basis, yield_percent.tolist(), loss.tolist(), status, preferred.tolist(),
        least.tolist(), multiple.tolist(), _or_none(most), pk.tolist(), strict=True,
    )  # fmt: skip
    formulas: list[engine.Formula] = []
    index: dict[int, int] = {}
    for formula, number, made, of, gives, stays, stands, is_preferred, smallest, step, largest, key in sorted(rows):
        index[key] = len(formulas)
        formulas.append(
            engine.Formula(
                formula=formula,
                version=number,
                item=made,
                basis=of,
                lines=LinesOf(lines.columns, *lines.bounds[key]),
                yield_percent=gives,
                loss=stays,
                approved=stands == "approved",
                preferred=is_preferred,
                min_batch=smallest,
                batch_multiple=step,
                max_batch=largest,
            )
        )
    return Formulas(tuple(formulas), index, lines.named)


def _lines(
    items: Items, substitutes: Sequence[tuple[int, int, str, Decimal]], densities: Mapping[int, Decimal],
    version: np.ndarray, position: np.ndarray, item_id: np.ndarray, percents: np.ndarray, numerator: np.ndarray,
    denominator: np.ndarray, is_volume: np.ndarray, single_lot: np.ndarray, phase: Texts,
) -> Lines:  # fmt: skip
    """``densities`` in g/mL, by the item's key; ``substitutes`` with version and position of their lines."""
    order = np.lexsort((position, version))
    version, position, item_id, percents, numerator, denominator, is_volume, single_lot = (
        column[order]
        for column in (version, position, item_id, percents, numerator, denominator, is_volume, single_lot)
    )
    per_unit = {}
    for place in np.flatnonzero(numerator != BLANK).tolist():
        per_unit[place] = Fraction(int(numerator[place]), int(denominator[place]))
        if is_volume[place]:
            per_unit[place] *= Fraction(densities[int(item_id[place])])  # microlitres x g/mL are milligrams
    percent = np.where(percents == BLANK, 0, percents)
    bounds = _stretches(version)
    for place in np.flatnonzero((percents == BLANK) & (numerator == BLANK)).tolist():  # qs: has no other amount
        first, past = bounds[int(version[place])]
        percent[place] = WHOLE - int(percent[first:past].sum())
    stand_ins: dict[int, list[engine.Substitute]] = defaultdict(list)
    for of, stands, code, ratio in substitutes:
        first, past = bounds[of]
        place = first + int(np.searchsorted(position[first:past], stands))
        stand_ins[place].append(engine.Substitute(code, Fraction(ratio)))
    columns = LineColumns(
        item=items.codes_of(item_id), position=position, percent=percent, single_lot=single_lot, is_volume=is_volume,
        phase=_texts_in_order(order, phase), per_unit=per_unit,
        substitutes={place: tuple(each) for place, each in stand_ins.items()},
    )  # fmt: skip
    return Lines(columns, bounds, frozenset(zip(version.tolist(), item_id.tolist(), strict=True)))


def _stretches(keys: np.ndarray) -> dict[int, tuple[int, int]]:
    """Where the rows of each key, which stand together, begin and end."""
    edges = np.flatnonzero(np.diff(keys, prepend=BLANK, append=BLANK)).tolist()
    return {int(keys[first]): (first, past) for first, past in pairwise(edges)}


def added(weighed: Mapping[int, int], stood_in_for: Mapping[int, int]) -> Mapping[int, int]:
    """By line position what a batch needs no more: what went in, and what a reserved substitute stands in for."""
    if not stood_in_for:
        return weighed
    return {
        position: weighed.get(position, 0) + stood_in_for.get(position, 0)
        for position in weighed.keys() | stood_in_for.keys()
    }


class SetAside(NamedTuple):
    """Reservations by column; of each either the batch's key, in ``batch_id``, and code, or the demand's key."""

    lot: np.ndarray  # where the portion stands among the lots, ``BLANK`` where it does not
    quantity: np.ndarray
    demand: np.ndarray
    batch_id: np.ndarray
    batch: tuple[str | None, ...]


def read_set_aside(reading: Reading, lots: Lots) -> SetAside:
    portion, *columns = reading.columns(
        Reservation.objects.all(),
        numbers=("portion_id", "quantity", "demand_id", "transformation_id"),
        texts=("transformation__code",),
    )
    return SetAside(reading.made(_places_of_known, lots.place_of, portion), *columns)


def _reservations(
    lot: np.ndarray, quantity: np.ndarray, demand: np.ndarray, batch: tuple[str | None, ...],
    demands: Mapping[int, int],
) -> ReservationColumns:  # fmt: skip
    """Of portions among the lots; ``demands`` says where each stands by its key."""
    known = np.flatnonzero(lot != BLANK)
    return ReservationColumns(
        lot=lot[known], quantity=quantity[known], batch=[batch[place] for place in known.tolist()],
        demand=list(map(demands.get, demand[known].tolist())),
    )  # fmt: skip


def _places_of_known(place_of: Mapping[int, int], keys: np.ndarray) -> np.ndarray:
    """Where each key stands, ``BLANK`` where it does not."""
    return np.array([place_of.get(key, BLANK) for key in keys.tolist()], dtype=np.int64)


def read_batches(reading: Reading, formulas: Formulas, lots: Lots, set_aside: SetAside) -> BatchColumns:
    """Firm batches, in no order."""
    pk, version, charge, priority, trial, planned_for, code, status = reading.columns(
        Batch.objects.filter(status__in=FIRM),
        numbers=("pk", "version_id", "charge", "priority"),
        flags=("trial",),
        days=("transformation__planned_for",),
        texts=("transformation__code", "status"),
    )
    index = reading.made(places_by, pk)
    sheets = started_sheets()
    stand_ins = stood_in(
        reading.made(
            _of_other_items, formulas.named, lots.item_id, pk, version, set_aside.lot, set_aside.quantity,
            set_aside.batch_id,
        )
    )  # fmt: skip
    return BatchColumns(
        formulas.rows, code=code, formula=_mapped(formulas.place_of, version), charge=charge, planned_for=planned_for,
        status=status, priority=np.where(priority == BLANK, NO_PRIORITY, priority), trial=trial,
        weighed={
            index[pk]: added(sheets.weighed.get(pk, NOTHING), stand_ins.get(pk, NOTHING))
            for pk in sheets.weighed.keys() | stand_ins.keys()
        },
        required={index[pk]: required for pk, required in sheets.required.items()},
    )  # fmt: skip


def _of_other_items(
    named: frozenset[tuple[int, int]], item_id: np.ndarray, pk: np.ndarray, version: np.ndarray, lot: np.ndarray,
    quantity: np.ndarray, batch_id: np.ndarray,
) -> list[tuple[int, int, int, int]]:  # fmt: skip
    """Batch, version, item and quantity of what is set aside for firm batches and is ``named`` by no line of theirs.

    ``item_id`` is of the lots, ``pk`` and ``version`` of the batches.
    """
    totals: dict[tuple[int, int, int], int] = defaultdict(int)
    version_of = dict(zip(pk.tolist(), version.tolist(), strict=True))
    items = item_id[lot].tolist() if len(item_id) else []
    for place, (batch, stands) in enumerate(zip(batch_id.tolist(), lot.tolist(), strict=True)):
        of = version_of.get(batch) if stands != BLANK else None
        if of is not None and (of, items[place]) not in named:
            totals[batch, of, items[place]] += int(quantity[place])
    return [(*key, total) for key, total in totals.items()]


class Demands(NamedTuple):
    rows: tuple[engine.Demand, ...]
    place_of: Mapping[int, int]  # by key


def read_demands(reading: Reading) -> Demands:
    return reading.made(
        _demands,
        *reading.columns(
            Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity")),
            numbers=("pk", "quantity", "dispatched", "priority", "customer__min_remaining_days"),
            days=("due_on",),
            texts=("item__code", "customer__code", "reference"),
        ),
    )


def _demands(
    pk: np.ndarray, wanted: np.ndarray, dispatched: np.ndarray, priority: np.ndarray, remaining: np.ndarray,
    due_on: np.ndarray, item: Texts, customer: Texts, reference: Texts,
) -> Demands:  # fmt: skip
    rows = map(
        engine.Demand, item, (wanted - dispatched).tolist(), due_on.tolist(), [each or "" for each in customer],
        reference, _or_none(priority), _or_none(remaining),
    )  # fmt: skip
    in_order = sorted(
        zip(pk.tolist(), rows, strict=True),
        key=lambda each: (each[1].item, each[1].due_on, each[1].customer, each[1].reference, each[0]),
    )
    return Demands(tuple(row for _, row in in_order), {key: place for place, (key, _) in enumerate(in_order)})
