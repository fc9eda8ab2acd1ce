"""Trace: from lots to everything that contains them and who received it, or back to everything they were made from.

Level by level, a few queries each, values only: a thousand lots come in milliseconds. Shares follow the perfect
mix: what goes into a making is spread evenly over all that comes out, in exact fractions rounded once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import lcm
from typing import NamedTuple, cast

from inventory.ledger import LotBalance, among, balances, sums_of
from inventory.models import DispatchLine, Item, Lot, Movement, Portion, StockEvent, Transformation
from inventory.quantities import MASS
from inventory.usability import lot_last_day_of

Kind = StockEvent.Kind


class TracedLot(NamedTuple):
    lot_id: int
    lot: str
    item: str
    measure: str
    kind: str
    origin: str  # opening: the trace ends here, what was before is unknown
    depth: int  # links from the nearest origin lot
    status: str
    expires_on: date | None
    from_origin: int | None  # mg; None where it cannot be told
    balance: LotBalance


class Link(NamedTuple):
    """So much of one lot went into one making; ``to_lot`` is None while that is under way or where nothing came."""

    from_lot_id: int
    from_lot: str
    transformation_id: int
    batch: str
    to_lot_id: int | None
    to_lot: str | None
    quantity: int
    measure: str


class Departure(NamedTuple):
    """What left of a traced lot. To the public: no customer, and the place."""

    lot_id: int
    lot: str
    customer: str | None
    public_place: str
    quantity: int
    returned: int
    measure: str
    on: date
    reference: str
    dispatch: str
    kind: str


class Here(NamedTuple):
    """What is still here of a traced lot, by place."""

    lot_id: int
    lot: str
    item: str
    place: str
    container: str
    set_apart: bool
    quantity: int
    measure: str


@dataclass(frozen=True, slots=True)
class Trace:
    origins: tuple[int, ...]  # lot ids
    forward: bool
    lots: tuple[TracedLot, ...]  # by depth, item, number
    links: tuple[Link, ...]
    departures: tuple[Departure, ...]
    here: tuple[Here, ...]
    transformation_ids: tuple[int, ...]  # makings among the links, in the order of their codes


@dataclass(slots=True)
class _Graph:
    """What the levels found. Quantities are net of corrections; a corrected use is no link."""

    depth: dict[int, int]  # lot -> links from the origins
    inputs: dict[int, dict[int, int]]  # making -> lot -> used, of every input, traced or not
    outputs: dict[int, dict[int, int]]  # making -> lot -> made
    made_by: dict[int, int]  # lot -> making


def trace(lots: Sequence[Lot], forward: bool) -> Trace:
    """Follow lots forward (what contains them) or backward (what they were made from)."""
    origins = tuple(sorted({lot.pk for lot in lots}))
    graph = _forward(origins) if forward else _backward(origins)
    every = set(graph.depth).union(*graph.inputs.values(), *graph.outputs.values())
    facts = _facts(every)
    balance = balances(graph.depth)
    shares = (_carried if forward else _went_in)(graph, origins, facts, balance)
    traced = [
        TracedLot(
            lot_id=pk,
            lot=facts[pk].number,
            item=facts[pk].item,
            measure=facts[pk].measure,
            kind=facts[pk].kind,
            origin=facts[pk].origin,
            depth=depth,
            status=facts[pk].status,
            expires_on=_last_day(facts[pk]),
            from_origin=shares[pk],
            balance=balance[pk],
        )
        for pk, depth in graph.depth.items()
    ]
    links = _links(graph, facts)
    return Trace(
        origins=origins,
        forward=forward,
        lots=tuple(sorted(traced, key=lambda lot: (lot.depth, lot.item, lot.lot))),
        links=links,
        departures=_departures(graph.depth),
        here=_here(graph.depth, facts),
        transformation_ids=tuple(dict.fromkeys(link.transformation_id for link in links)),
    )


def affected(lots: Sequence[Lot]) -> list[Lot]:
    """These lots and every lot that contains them, for one decision on all."""
    reached = _forward(tuple(lot.pk for lot in lots)).depth
    found = Lot.objects.select_related("item").filter(pk__in=among(reached))
    return sorted(found, key=lambda lot: (reached[lot.pk], lot.item.code, lot.number))


# The walk


def _forward(origins: Iterable[int]) -> _Graph:
    """Level by level: the makings that used lots of the level, all that went into them, what came out."""
    graph = _Graph(depth=dict.fromkeys(origins, 0), inputs={}, outputs={}, made_by={})
    level, depth = list(graph.depth), 0
    while level:
        depth += 1
        reached = _add_makings(graph, _makings_that_used(level))
        level = [lot for making in reached for lot in graph.outputs.get(making, ()) if lot not in graph.depth]
        graph.depth |= dict.fromkeys(level, depth)
    return graph


def _backward(origins: Iterable[int]) -> _Graph:
    """Level by level: the makings that made lots of the level, and all that went into them."""
    graph = _Graph(depth=dict.fromkeys(origins, 0), inputs={}, outputs={}, made_by={})
    level, depth = list(graph.depth), 0
    while level:
        depth += 1
        reached = _add_makings(graph, _makings_that_made(level))
        used = {lot for making in reached for lot in graph.inputs.get(making, ())}
        level = sorted(used - graph.depth.keys())
        graph.depth |= dict.fromkeys(level, depth)
    return graph


def _makings_that_used(lots: Iterable[int]) -> set[int]:
    return _makings_with(lots, Kind.USED)


def _makings_that_made(lots: Iterable[int]) -> set[int]:
    return _makings_with(lots, Kind.MADE)


def _makings_with(lots: Iterable[int], kind: str) -> set[int]:
    """The makings that used (or made) any of these lots; what was corrected away leads nowhere."""
    moved = Movement.objects.filter(
        lot__in=among(lots), event__kind=kind, event__transformation__isnull=False, event__corrected_by__isnull=True
    )
    return set(moved.values_list("event__transformation_id", flat=True).order_by())


# Used and made of each lot in each making, a correction counted with what it undid.
_USED_AND_MADE = """
    SELECT e.transformation_id, m.lot_id,
        SUM(CASE WHEN COALESCE(c.kind, e.kind) = 'used' THEN -m.quantity ELSE 0 END),
        SUM(CASE WHEN COALESCE(c.kind, e.kind) = 'made' THEN m.quantity ELSE 0 END)
    FROM inventory_stockevent e
    JOIN inventory_movement m ON m.event_id = e.id
    LEFT JOIN inventory_stockevent c ON c.id = e.corrects_id
    WHERE e.transformation_id IN ({ids}) GROUP BY e.transformation_id, m.lot_id
"""


def _add_makings(graph: _Graph, makings: set[int]) -> list[int]:
    """Put what went into new makings and came out of them on the graph, net of corrections; answers the new ones.

    What nets to nothing is left out: a use that was corrected away is no link.
    """
    new = sorted(makings - graph.inputs.keys() - graph.outputs.keys())
    for making, lot, used, made in sums_of(_USED_AND_MADE, new) if new else ():
        if used:
            graph.inputs.setdefault(making, {})[lot] = int(used)
        if made:
            graph.outputs.setdefault(making, {})[lot] = int(made)
            graph.made_by[lot] = making
    return new


# Shares by the perfect mix


def _carried(
    graph: _Graph, origins: Sequence[int], facts: Mapping[int, _Facts], balance: Mapping[int, LotBalance]
) -> dict[int, int | None]:
    """Forward: how much of each lot is from the origins, where all inputs and outputs of a making are masses.

    A lot whose share cannot be told makes everything after it unknown too, and so does a ring of makings.
    """
    share: dict[int, Fraction | None] = dict.fromkeys(origins, Fraction(1))  # of one part of the lot
    counted = {lot for lot, facts_of_lot in facts.items() if facts_of_lot.measure != MASS}
    for making in _in_order(graph, forward=True):
        inputs, outputs = graph.inputs.get(making, {}), graph.outputs.get(making, {})
        part: Fraction | None = None
        if counted.isdisjoint(inputs) and counted.isdisjoint(outputs):
            traced = [(share.get(lot), used) for lot, used in inputs.items() if lot in graph.depth]
            part = _mixed(traced, sum(inputs.values()))
        for lot in outputs:
            share.setdefault(lot, part)
    return {
        lot: _rounded(share.get(lot), balance[lot].began) if facts[lot].measure == MASS else None for lot in graph.depth
    }


def _went_in(
    graph: _Graph, origins: Sequence[int], facts: Mapping[int, _Facts], balance: Mapping[int, LotBalance]
) -> dict[int, int | None]:
    """Backward: how much of each lot went into the origins, by the share of each making that went there."""
    needed: dict[int, Fraction | None] = {lot: Fraction(balance[lot].began) for lot in origins}
    order = _in_order(graph, forward=False)
    for making in order:
        outputs = graph.outputs.get(making, {})
        part: Fraction | None = None
        if len({facts[lot].measure for lot in outputs}) == 1:
            part = _mixed([(needed.get(lot, Fraction(0)), 1) for lot in outputs], sum(outputs.values()))
        for lot, used in graph.inputs.get(making, {}).items():
            if lot not in origins:
                needed[lot] = _mixed([(needed.get(lot, Fraction(0)), 1), (part and min(part, Fraction(1)), used)], 1)
    for making in graph.inputs.keys() - set(order):
        needed |= dict.fromkeys(graph.inputs[making])
    return {lot: _rounded(needed.get(lot), 1) if facts[lot].measure == MASS else None for lot in graph.depth}


def _mixed(parts: Sequence[tuple[Fraction | None, int]], total: int) -> Fraction | None:
    """The sum of share times quantity over the total, made as one fraction; None where a share is unknown."""
    known = [(share, quantity) for share, quantity in parts if share is not None]
    if len(known) < len(parts) or total <= 0:
        return None
    common = lcm(*(share.denominator for share, _ in known))
    mixed = sum(share.numerator * (common // share.denominator) * quantity for share, quantity in known)
    return Fraction(mixed, common * total)


def _rounded(share: Fraction | None, quantity: int) -> int | None:
    """Share times quantity, rounded half up: the only rounding of a share."""
    if share is None:
        return None
    return (2 * share.numerator * quantity + share.denominator) // (2 * share.denominator)


def _in_order(graph: _Graph, *, forward: bool) -> list[int]:
    """Makings so that each comes after those that its share depends on; makings in a ring are left out."""
    makings = set(graph.inputs) | set(graph.outputs)
    after: dict[int, set[int]] = {making: set() for making in makings}
    waits: dict[int, int] = dict.fromkeys(makings, 0)
    for making, inputs in graph.inputs.items():
        for lot in inputs:
            source = graph.made_by.get(lot)
            if source is None or source not in makings:
                continue
            first, then = (source, making) if forward else (making, source)
            if then not in after[first]:
                after[first].add(then)
                waits[then] += 1
    ready = sorted(making for making, waiting in waits.items() if waiting == 0)
    order = []
    while ready:
        making = ready.pop()
        order.append(making)
        for then in after[making]:
            waits[then] -= 1
            if waits[then] == 0:
                ready.append(then)
    return order


# What is shown


class _Facts(NamedTuple):
    """Of one lot and its item, as much as a trace shows and the rules of usability read."""

    number: str
    origin: str
    status: str
    received_on: date | None
    expires_on: date | None
    item: str
    kind: str
    measure: str
    shelf_life_days: int | None
    shelf_life_hours: int | None


def _facts(lots: Iterable[int]) -> dict[int, _Facts]:
    rows = Lot.objects.filter(pk__in=among(lots)).values_list(
        "pk",
        "number",
        "origin",
        "status",
        "received_on",
        "expires_on",
        "item__code",
        "item__kind",
        "item__measure",
        "item__shelf_life_days",
        "item__shelf_life_hours",
    )
    return {row[0]: _Facts(*row[1:]) for row in rows}


def _last_day(facts: _Facts) -> date | None:
    return lot_last_day_of(cast(Lot, facts), cast(Item, facts))


def _links(graph: _Graph, facts: Mapping[int, _Facts]) -> tuple[Link, ...]:
    """Every traced lot that went into a making, once for each traced lot that came out, by making and lot."""
    codes = dict(Transformation.objects.filter(pk__in=among(graph.inputs)).values_list("pk", "code"))
    links = []
    for making, inputs in graph.inputs.items():
        outputs: list[int | None] = [lot for lot in graph.outputs.get(making, {}) if lot in graph.depth]
        for lot, used in inputs.items():
            if lot not in graph.depth:
                continue
            for made in outputs or [None]:
                links.append(
                    Link(
                        from_lot_id=lot,
                        from_lot=facts[lot].number,
                        transformation_id=making,
                        batch=codes[making],
                        to_lot_id=made,
                        to_lot=None if made is None else facts[made].number,
                        quantity=used,
                        measure=facts[lot].measure,
                    )
                )
    links.sort(key=lambda link: (link.batch, facts[link.from_lot_id].item, link.from_lot, link.to_lot or ""))
    return tuple(links)


def _departures(lots: Iterable[int]) -> tuple[Departure, ...]:
    rows = DispatchLine.objects.filter(lot__in=among(lots), corrected=False).values_list(
        "lot_id",
        "lot__number",
        "dispatch__customer__code",
        "dispatch__public_place",
        "quantity",
        "returned",
        "lot__item__measure",
        "dispatch__dispatched_on",
        "dispatch__reference",
        "dispatch__code",
        "dispatch__kind",
    )
    found = [Departure(*row) for row in rows]
    return tuple(sorted(found, key=lambda row: (row.on, row.lot, row.customer or "", row.dispatch)))


def _here(lots: Iterable[int], facts: Mapping[int, _Facts]) -> tuple[Here, ...]:
    rows = Portion.objects.filter(lot__in=among(lots), on_hand__gt=0).values_list(
        "lot_id", "place", "container", "set_apart", "on_hand"
    )
    found = [
        Here(
            lot_id=lot,
            lot=facts[lot].number,
            item=facts[lot].item,
            place=place,
            container=container,
            set_apart=set_apart,
            quantity=on_hand,
            measure=facts[lot].measure,
        )
        for lot, place, container, set_apart, on_hand in rows
    ]
    return tuple(sorted(found, key=lambda row: (row.place, row.item, row.lot, row.container, row.set_apart)))
