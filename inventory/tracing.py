"""Trace: from lots to everything that contains them and who received it, or back to everything they were made from.

Level by level, a few queries each, values only: a thousand lots come in milliseconds. Shares follow the perfect
mix: what goes into a making is spread evenly over all that comes out, in exact fractions rounded once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from math import lcm
from typing import NamedTuple, cast

from django.db import connection

from inventory.ledger import LotBalance, MakingBalance, among, balances, rows_among
from inventory.models import Item, Lot
from inventory.quantities import MASS
from inventory.usability import lot_last_day_of

# Rows are made by place: by name it takes twice as long, and a trace has thousands.


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
    makings: Mapping[int, MakingBalance]  # by transformation id: those among the links, in the order of their codes


@dataclass(slots=True)
class _Making:
    """All that went into one making and came out, traced or not; net of corrections, masses in mg."""

    outputs: dict[int, int] = field(default_factory=dict)  # lot -> made
    mass_in: int = 0
    mass_out: int = 0
    pieces_in: int = 0
    pieces_out: int = 0


@dataclass(slots=True)
class _Graph:
    """What the levels found. Quantities are net of corrections; a corrected use is no link."""

    depth: dict[int, int]  # lot -> links from the origins
    inputs: dict[int, dict[int, int]]  # making -> traced lot -> used
    makings: dict[int, _Making]
    made_by: dict[int, int]  # lot -> making


def trace(lots: Sequence[Lot], forward: bool) -> Trace:
    """Follow lots forward (what contains them) or backward (what they were made from)."""
    origins = tuple(sorted({lot.pk for lot in lots}))
    graph = _forward(origins) if forward else _backward(origins)
    facts = _facts(graph.depth)
    here = _here(facts)
    on_hand: dict[int, int] = defaultdict(int)
    for row in here:
        on_hand[row.lot_id] += row.quantity
    balance = balances(graph.depth, on_hand)
    shares = (_carried if forward else _went_in)(graph, origins, balance)
    traced = [_traced(pk, depth, facts[pk], shares.get(pk), balance[pk]) for pk, depth in graph.depth.items()]
    ends = _ends(graph)
    links = _links(graph, facts, ends)
    return Trace(
        origins=origins,
        forward=forward,
        lots=tuple(sorted(traced, key=lambda lot: (lot.depth, lot.item, lot.lot))),
        links=links,
        departures=_departures(facts),
        here=here,
        makings={
            pk: _balance(graph.makings[pk], ends[pk]) for pk in dict.fromkeys(link.transformation_id for link in links)
        },
    )


def _traced(pk: int, depth: int, lot: _Facts, share: int | None, balance: LotBalance) -> TracedLot:
    from_origin = share if lot.measure == MASS else None
    last_day = lot.expires_on or _last_day(lot)
    return TracedLot(
        pk, lot.number, lot.item, lot.measure, lot.kind, lot.origin, depth, lot.status, last_day, from_origin, balance
    )


def affected(lots: Sequence[Lot]) -> list[Lot]:
    """These lots and every lot that contains them, for one decision on all: in the order in which they came."""
    reached = lots_reached([lot.pk for lot in lots], forward=True)
    return list(Lot.objects.select_related("item").filter(pk__in=among(reached)).order_by("pk"))


# The set of lots alone


def lots_reached(lot_ids: Iterable[int], forward: bool) -> set[int]:
    """These lots and all that a trace of them reaches: only which, by a third of a trace's work or less.

    PostgreSQL follows them in one recursive statement, SQLite faster level by level.
    """
    origins = set(lot_ids)
    return _reached_at_once(origins, forward) if connection.vendor == "postgresql" else _reached(origins, forward)


def _reached(origins: Set[int], forward: bool) -> set[int]:
    """Level by level, one statement each: the lots on the other side of the makings that the level was in."""
    reached = set(origins)
    level: Set[int] = origins
    while level:
        level = {lot for (lot,) in rows_among(_NEXT[forward], level)} - reached
        reached |= level
    return reached


def _reached_at_once(origins: Set[int], forward: bool) -> set[int]:
    with connection.cursor() as cursor:
        cursor.execute(_REACHED[forward], [sorted(origins)])
        return {lot for (lot,) in cursor.fetchall()}


# A movement names its making where it is a use of it, a making or the correction of one: so all of a lot in a making,
# added up, is below nothing where it went in, above where it came out, and nothing where that was corrected away.
_NEXT_LOTS = """
    SELECT DISTINCT there.lot_id
    FROM (
        SELECT DISTINCT m.making_id FROM inventory_movement m
        WHERE m.lot_id IN ({{ids}}) AND m.making_id IS NOT NULL
        GROUP BY m.lot_id, m.making_id HAVING SUM(m.quantity) {here} 0
    ) here
    JOIN inventory_movement there ON there.making_id = here.making_id
    GROUP BY there.making_id, there.lot_id HAVING SUM(there.quantity) {there} 0
"""
# OFFSET 0 holds PostgreSQL to index probes, lot by lot, however many lots it expects.
_REACHED_LOTS = """
    WITH RECURSIVE reached (lot_id) AS (
        SELECT unnest(%s::bigint[])
        UNION
        SELECT there.lot_id
        FROM reached
        CROSS JOIN LATERAL (
            SELECT m.making_id FROM inventory_movement m
            WHERE m.lot_id = reached.lot_id AND m.making_id IS NOT NULL
            GROUP BY m.making_id HAVING SUM(m.quantity) {here} 0
            OFFSET 0
        ) making
        CROSS JOIN LATERAL (
            SELECT m.lot_id FROM inventory_movement m
            WHERE m.making_id = making.making_id
            GROUP BY m.lot_id HAVING SUM(m.quantity) {there} 0
            OFFSET 0
        ) there
    )
    SELECT lot_id FROM reached
"""
_FORWARD, _BACKWARD = {"here": "<", "there": ">"}, {"here": ">", "there": "<"}
_NEXT = {True: _NEXT_LOTS.format(**_FORWARD), False: _NEXT_LOTS.format(**_BACKWARD)}
_REACHED = {True: _REACHED_LOTS.format(**_FORWARD), False: _REACHED_LOTS.format(**_BACKWARD)}


# The walk


def _forward(origins: Iterable[int]) -> _Graph:
    """Level by level: the makings that used lots of the level, and what came out of them."""
    graph = _Graph(depth=dict.fromkeys(origins, 0), inputs={}, makings={}, made_by={})
    level, depth = list(graph.depth), 0
    while level:
        depth += 1
        _put_inputs(graph, rows_among(_USED_OF_LOTS, level))
        new = sorted(graph.inputs.keys() - graph.makings.keys())
        _put_makings(graph, new)
        level = [lot for making in new for lot in graph.makings[making].outputs if lot not in graph.depth]
        graph.depth |= dict.fromkeys(level, depth)
    return graph


def _backward(origins: Iterable[int]) -> _Graph:
    """Level by level: the makings that made lots of the level, and all that went into them."""
    graph = _Graph(depth=dict.fromkeys(origins, 0), inputs={}, makings={}, made_by={})
    level, depth = list(graph.depth), 0
    while level:
        depth += 1
        new = {making for making, _, _ in rows_among(_MADE_OF_LOTS, level)} - graph.makings.keys()
        _put_makings(graph, new)
        _put_inputs(graph, rows_among(_USED_IN_MAKINGS, new))
        level = sorted({lot for making in new for lot in graph.inputs.get(making, ())} - graph.depth.keys())
        graph.depth |= dict.fromkeys(level, depth)
    return graph


# So much of each lot in each making.
_USED_OF_LOTS = """
    SELECT m.making_id, m.lot_id, -SUM(m.quantity) FROM inventory_movement m
    WHERE m.lot_id IN ({ids}) AND m.making_id IS NOT NULL
    GROUP BY m.lot_id, m.making_id HAVING SUM(m.quantity) < 0
"""
_MADE_OF_LOTS = """
    SELECT m.making_id, m.lot_id, SUM(m.quantity) FROM inventory_movement m
    WHERE m.lot_id IN ({ids}) AND m.making_id IS NOT NULL
    GROUP BY m.lot_id, m.making_id HAVING SUM(m.quantity) > 0
"""
_USED_IN_MAKINGS = """
    SELECT m.making_id, m.lot_id, -SUM(m.quantity) FROM inventory_movement m
    WHERE m.making_id IN ({ids})
    GROUP BY m.making_id, m.lot_id HAVING SUM(m.quantity) < 0
"""
# What came out of each making, by lot.
_MADE_IN_MAKINGS = """
    SELECT l.transformation_id, l.id, i.measure = 'mass', (
        SELECT SUM(m.quantity) FROM inventory_movement m WHERE m.lot_id = l.id AND m.making_id = l.transformation_id
    )
    FROM inventory_lot l JOIN inventory_item i ON i.id = l.item_id
    WHERE l.transformation_id IN ({ids})
"""
# Of each making what came out less what went in: masses, and pieces.
_NET_OF_MAKINGS = """
    SELECT m.making_id, SUM(m.quantity), SUM(CASE WHEN m.in_pieces THEN m.quantity ELSE 0 END)
    FROM inventory_movement m
    WHERE m.making_id IN ({ids})
    GROUP BY m.making_id
"""


def _put_inputs(graph: _Graph, rows: Iterable[tuple[int, int, int]]) -> None:
    for making, lot, used in rows:
        graph.inputs.setdefault(making, {})[lot] = int(used)


def _put_makings(graph: _Graph, new: Collection[int]) -> None:
    graph.makings |= {making: _Making() for making in new}
    for pk, lot, is_mass, made in rows_among(_MADE_IN_MAKINGS, new):
        if made:  # else it was corrected away
            making, quantity = graph.makings[pk], int(made)
            making.outputs[lot] = quantity
            graph.made_by[lot] = pk
            if is_mass:
                making.mass_out += quantity
            else:
                making.pieces_out += quantity
    for pk, net, net_pieces in rows_among(_NET_OF_MAKINGS, new):
        making, pieces = graph.makings[pk], int(net_pieces)
        making.mass_in = making.mass_out - (int(net) - pieces)
        making.pieces_in = making.pieces_out - pieces


# Shares by the perfect mix


def _carried(graph: _Graph, origins: Sequence[int], balance: Mapping[int, LotBalance]) -> dict[int, int | None]:
    """Forward: how much of each lot is from the origins, where all inputs and outputs of a making are masses.

    A lot whose share cannot be told makes everything after it unknown too, and so does a ring of makings.
    """
    share: dict[int, Fraction | None] = dict.fromkeys(origins, Fraction(1))  # of one part of the lot
    for pk in _in_order(graph, forward=True):
        making = graph.makings[pk]
        part: Fraction | None = None
        if not making.pieces_in and not making.pieces_out:
            part = _mixed([(share.get(lot), used) for lot, used in graph.inputs[pk].items()], making.mass_in)
        for lot in making.outputs:
            share.setdefault(lot, part)
    return {lot: _rounded(share.get(lot), balance[lot].began) for lot in graph.depth}


def _went_in(graph: _Graph, origins: Sequence[int], balance: Mapping[int, LotBalance]) -> dict[int, int | None]:
    """Backward: how much of each lot went into the origins, by the share of each making that went there."""
    needed: dict[int, Fraction | None] = {lot: Fraction(balance[lot].began) for lot in origins}
    order = _in_order(graph, forward=False)
    for pk in order:
        making = graph.makings[pk]
        part: Fraction | None = None
        if not making.mass_out or not making.pieces_out:  # masses and pieces have no sum
            parts = [(needed.get(lot, Fraction(0)), 1) for lot in making.outputs]
            part = _mixed(parts, sum(making.outputs.values()))
        for lot, used in graph.inputs.get(pk, {}).items():
            if lot not in origins:
                needed[lot] = _mixed([(needed.get(lot, Fraction(0)), 1), (part and min(part, Fraction(1)), used)], 1)
    for pk in graph.inputs.keys() - set(order):
        needed |= dict.fromkeys(graph.inputs[pk])
    return {lot: _rounded(needed.get(lot), 1) for lot in graph.depth}


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
    makings = graph.makings.keys()
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


# Read by the driver: Django would take as long over each of these rows as the database does.
_FACTS = """
    SELECT l.id, l.number, l.origin, l.status, l.received_on, l.expires_on,
        i.code, i.kind, i.measure, i.shelf_life_days, i.shelf_life_hours
    FROM inventory_lot l JOIN inventory_item i ON i.id = l.item_id
    WHERE l.id IN ({ids})
"""
_ENDS = """
    SELECT id, code, residue_mg, evaporated_mg, left_in_vessel_mg FROM inventory_transformation WHERE id IN ({ids})
"""
_DEPARTURES = """
    SELECT x.lot_id, p.code, d.public_place, x.quantity, x.returned, d.dispatched_on, d.reference, d.code, d.kind
    FROM inventory_dispatchline x
    JOIN inventory_dispatch d ON d.id = x.dispatch_id
    LEFT JOIN inventory_party p ON p.id = d.customer_id
    WHERE x.lot_id IN ({ids}) AND NOT x.corrected
"""
_HERE = """
    SELECT lot_id, place, container, set_apart, on_hand FROM inventory_portion WHERE lot_id IN ({ids}) AND on_hand > 0
"""


def _facts(lots: Collection[int]) -> dict[int, _Facts]:
    return {row[0]: _Facts(*row[1:]) for row in rows_among(_FACTS, lots)}


def _last_day(facts: _Facts) -> date | None:
    return lot_last_day_of(cast(Lot, facts), cast(Item, facts))


class _End(NamedTuple):
    """A making's code, and what was found when it was closed."""

    batch: str
    residue_mg: int
    evaporated_mg: int
    left_in_vessel_mg: int


def _ends(graph: _Graph) -> dict[int, _End]:
    return {row[0]: _End(*row[1:]) for row in rows_among(_ENDS, graph.inputs)}


def _balance(making: _Making, end: _End) -> MakingBalance:
    return MakingBalance(making.mass_in, making.mass_out, *end[1:])


def _links(graph: _Graph, facts: Mapping[int, _Facts], ends: Mapping[int, _End]) -> tuple[Link, ...]:
    """Every traced lot that went into a making, once for each traced lot that came out, by making and lot."""
    links = []
    for making, inputs in graph.inputs.items():
        batch = ends[making].batch
        outputs: list[int | None] = [lot for lot in graph.makings[making].outputs if lot in graph.depth]
        for lot, used in inputs.items():
            number, measure = facts[lot].number, facts[lot].measure
            for made in outputs or [None]:
                to_lot = None if made is None else facts[made].number
                links.append(Link(lot, number, making, batch, made, to_lot, used, measure))
    links.sort(key=lambda link: (link.batch, facts[link.from_lot_id].item, link.from_lot, link.to_lot or ""))
    return tuple(links)


def _departures(facts: Mapping[int, _Facts]) -> tuple[Departure, ...]:
    found = []
    for lot, customer, public_place, quantity, returned, on, reference, dispatch, kind in rows_among(
        _DEPARTURES, facts
    ):
        of = facts[lot]
        found.append(
            Departure(
                lot, of.number, customer, public_place, quantity, returned, of.measure, on, reference, dispatch, kind
            )
        )
    return tuple(sorted(found, key=lambda row: (row.on, row.lot, row.customer or "", row.dispatch)))


def _here(facts: Mapping[int, _Facts]) -> tuple[Here, ...]:
    found = []
    for lot, place, container, set_apart, on_hand in rows_among(_HERE, facts):
        of = facts[lot]
        found.append(Here(lot, of.number, of.item, place, container, set_apart, on_hand, of.measure))
    return tuple(sorted(found, key=lambda row: (row.place, row.item, row.lot, row.container, row.set_apart)))
