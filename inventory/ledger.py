"""Reading the ledger: sums per lot, balances of makings, stock and value on a day, and the check of the books.

Writes nothing. Sums are made by the database in whole base steps; movements are never fetched one by one.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, NamedTuple

from django.db import DataError, connection, transaction
from django.db.models import Q, QuerySet, Sum
from django.db.models.expressions import RawSQL

from inventory import clock
from inventory.models import Lot, LotDecision, Movement, Portion, StockEvent
from inventory.quantities import MASS, show_quantity
from inventory.transactions import steady_read
from inventory.usability import last_day_from, plan_days_of_life

Kind = StockEvent.Kind


def ids_as_rows(ids: Iterable[int]) -> tuple[str, str]:
    """SQL that turns one parameter into a row for each id, and the parameter: a thousand cost hardly more than one."""
    rows = ",".join(map(str, sorted(ids)))
    if connection.vendor == "postgresql":
        return "SELECT unnest(%s::bigint[])", f"{{{rows}}}"
    return "SELECT value FROM json_each(%s)", f"[{rows}]"


def among(ids: Iterable[int]) -> RawSQL:
    """These ids for an ``__in`` filter, however many."""
    sql, parameter = ids_as_rows(ids)
    return RawSQL(sql, (parameter,))


def rows_among(sql: str, ids: Collection[int]) -> Sequence[tuple[Any, ...]]:
    """The rows of a statement over ``IN ({ids})``: for rows by the thousand, which Django would convert one by one.

    The statement may say ``{event}`` and ``{movements}`` as in ``joins``.
    """
    if not ids:
        return ()
    rows, parameter = ids_as_rows(ids)
    with connection.cursor() as cursor:
        cursor.execute(sql.format(ids=rows, **joins()), [parameter])
        return cursor.fetchall()


def joins() -> dict[str, str]:
    """The joins from movements ``m`` to their event ``e`` and from events to their movements.

    OFFSET 0 holds PostgreSQL to index probes, row by row in the order in which the rows come: it cannot know how
    many rows a list of ids stands for, and would rather read all events for a recall of ten thousand lots.
    """
    if connection.vendor == "postgresql":
        return {
            "event": "CROSS JOIN LATERAL (SELECT * FROM inventory_stockevent WHERE id = m.event_id OFFSET 0) e",
            "movements": "CROSS JOIN LATERAL (SELECT * FROM inventory_movement WHERE event_id = e.id OFFSET 0) m",
        }
    return {
        "event": "JOIN inventory_stockevent e ON e.id = m.event_id",
        "movements": "JOIN inventory_movement m ON m.event_id = e.id",
    }


# The kind of what a correction undid: asked for corrections only, which are few.
CORRECTED_KIND = "(SELECT c.kind FROM inventory_stockevent c WHERE c.id = e.corrects_id)"


class LotBalance(NamedTuple):  # a tuple, like all rows of a trace: a thousand are made in a millisecond
    """What came to a lot and what went, in base steps. Came = went, to the milligram.

    came: opening + received + made + returned + counted + corrected (the last two are signed and net);
    went: used + dispatched + sent_back + sampled + discarded + on_hand.
    """

    opening: int = 0
    received: int = 0
    made: int = 0
    returned: int = 0
    counted: int = 0
    corrected: int = 0
    used: int = 0
    dispatched: int = 0
    sent_back: int = 0
    sampled: int = 0
    discarded: int = 0
    on_hand: int = 0
    began: int = 0  # opening, received and made, with their corrections taken off

    @property
    def came(self) -> int:
        return self.opening + self.received + self.made + self.returned + self.counted + self.corrected

    @property
    def went(self) -> int:
        return self.used + self.dispatched + self.sent_back + self.sampled + self.discarded + self.on_hand

    @property
    def went_otherwise(self) -> int:
        """What went without being used or dispatched."""
        return self.sent_back + self.sampled + self.discarded

    @property
    def accounted_percent(self) -> Decimal | None:
        """What went of what came, in percent with two places; None where nothing came."""
        came, went = self.came, self.went
        if came <= 0:
            return None
        if came == went:  # as it should be, and by far the most common case
            return HUNDRED_PERCENT
        return (Decimal(100 * went) / came).quantize(Decimal("0.01"), ROUND_HALF_UP)


HUNDRED_PERCENT = Decimal("100.00")
CAME = frozenset({"opening", "received", "made", "returned", "counted", "corrected"})
WENT = frozenset({"used", "dispatched", "sent_back", "sampled", "discarded"})
BEGAN = frozenset({"opening", "received", "made"})
_PLACE = {name: place for place, name in enumerate(LotBalance._fields)}
_ON_HAND_AT, _BEGAN = _PLACE["on_hand"], _PLACE["began"]


_MOVED = f"""
    SELECT m.lot_id, e.kind, CASE WHEN e.kind = 'corrected' THEN {CORRECTED_KIND} END AS undone, SUM(m.quantity)
    FROM inventory_movement m {{event}}
    WHERE m.lot_id IN ({{ids}}) GROUP BY m.lot_id, e.kind, undone
"""
_ON_HAND = """
    SELECT lot_id, SUM(on_hand) FROM inventory_portion
    WHERE lot_id IN ({ids}) AND on_hand > 0 GROUP BY lot_id
"""


def balances(lot_ids: Iterable[int], on_hand: Mapping[int, int] | None = None) -> dict[int, LotBalance]:
    """The balance of each lot: two queries however many, one where it is known what is ``on_hand`` of each."""
    sums = {lot_id: [0] * len(_PLACE) for lot_id in lot_ids}
    for lot_id, kind, corrected_kind, total in rows_among(_MOVED, sums):
        balance, quantity = sums[lot_id], int(total)
        if kind in CAME:
            balance[_PLACE[kind]] += quantity
        elif kind in WENT:
            balance[_PLACE[kind]] -= quantity
        if (corrected_kind or kind) in BEGAN:
            balance[_BEGAN] += quantity
    for lot_id, total in on_hand.items() if on_hand is not None else rows_among(_ON_HAND, sums):
        sums[lot_id][_ON_HAND_AT] = int(total)
    return {lot_id: LotBalance._make(balance) for lot_id, balance in sums.items()}


class MakingBalance(NamedTuple):
    """Masses of one making in mg: weighed in = made + residue + evaporated + left in vessel + under way.

    Of a making that fills counted units, what is under way is the mass in the units.
    """

    weighed_in: int
    made: int
    residue: int
    evaporated: int
    left_in_vessel: int

    @property
    def under_way(self) -> int:
        return self.weighed_in - self.made - self.residue - self.evaporated - self.left_in_vessel


@dataclass(frozen=True, slots=True)
class StockRow:
    """One portion as it was at the end of a day. ``unit_cost`` is of one kilogram or one piece."""

    item: str
    lot: str
    place: str
    container: str
    set_apart: bool
    status: str
    last_day: date | None  # inclusive; None: never
    measure: str
    quantity: int
    unit_cost: Decimal | None
    value: Decimal | None


def stock_on(day: date, item_ids: Sequence[int] | None = None) -> list[StockRow]:
    """Every portion that held something at the end of the workshop's day, by when things happened.

    What is on hand now less what moved since: three queries, whatever the day. The status is the one that
    was decided by then. Value is rounded half up to the hundredth of the currency, row by row.
    """
    end = _end_of(day)
    since = _moved_since(end)
    before = _statuses_before(end)
    portions: QuerySet[Portion] = Portion.objects.filter(Q(on_hand__gt=0) | Q(pk__in=_touched_since(end)))
    if item_ids is not None:
        portions = portions.filter(lot__item__in=item_ids)
    rows = portions.order_by("lot__item__code", "lot__number", "place", "container", "set_apart").values_list(
        "pk",
        "on_hand",
        "lot_id",
        "lot__item__code",
        "lot__number",
        "place",
        "container",
        "set_apart",
        "lot__status",
        "lot__item__measure",
        "lot__unit_cost_e6",
        "lot__expires_on",
        "lot__received_on",
        "lot__item__shelf_life_days",
        "lot__item__shelf_life_hours",
        "opened_on",
        "lot__item__opened_life_days",
    )
    stock = []
    for row in rows:
        pk, on_hand, lot_id, item, lot, place, container, apart, status, measure, cost_e6 = row[:11]
        expires_on, received_on, life_days, life_hours, opened_on, opened_life_days = row[11:]
        quantity = on_hand - since.get(pk, 0)
        if quantity == 0:
            continue
        unit_cost = None if cost_e6 is None else Decimal(cost_e6) / 1_000_000
        life = plan_days_of_life(life_days, life_hours)
        stock.append(
            StockRow(
                item=item,
                lot=lot,
                place=place,
                container=container,
                set_apart=apart,
                status=before.get(lot_id, status),
                last_day=last_day_from(expires_on, received_on, life, opened_on, opened_life_days),
                measure=measure,
                quantity=quantity,
                unit_cost=unit_cost,
                value=None if cost_e6 is None else value_of(quantity, measure, cost_e6),
            )
        )
    return stock


def value_of(quantity: int, measure: str, unit_cost_e6: int) -> Decimal:
    """Quantity times unit cost (of one kilogram or one piece), half up to the hundredth of the currency."""
    exact = Decimal(quantity * unit_cost_e6).scaleb(-12 if measure == MASS else -6)
    return exact.quantize(Decimal("0.01"), ROUND_HALF_UP)


def _end_of(day: date) -> datetime:
    """The first moment after the day, in the workshop's zone."""
    return clock.start_of(day + timedelta(days=1))


def _touched_since(end: datetime) -> QuerySet[Movement, int]:
    return Movement.objects.filter(event__happened_at__gte=end).values_list("portion_id", flat=True)


def _moved_since(end: datetime) -> dict[int, int]:
    moved = Movement.objects.filter(event__happened_at__gte=end).values_list("portion_id")
    return {pk: int(total) for pk, total in moved.annotate(total=Sum("quantity")).order_by()}


def _statuses_before(end: datetime) -> dict[int, str]:
    """The status of lots that were decided on since, as it was before: what their first later decision left."""
    later = LotDecision.objects.filter(decided_at__gte=end).exclude(from_status="")
    statuses: dict[int, str] = {}
    for lot_id, status in later.order_by("decided_at", "pk").values_list("lot_id", "from_status"):
        statuses.setdefault(lot_id, status)
    return statuses


def status_at(lot: Lot, moment: datetime) -> str:
    """The status that a lot had at a moment: what its first later decision left, else the one it has."""
    later = LotDecision.objects.filter(lot=lot, decided_at__gt=moment).exclude(from_status="")
    return later.order_by("decided_at", "pk").values_list("from_status", flat=True).first() or lot.status


@dataclass(frozen=True, slots=True)
class Difference:
    """A balance that is not what the ledger adds up to."""

    what: str  # on_hand, reserved, lot, dispatch_line, demand, order_line
    item: str
    number: str  # the lot's, or the code of dispatch, demand or order
    place: str
    container: str
    books: str
    ledger: str


def verify() -> list[Difference]:
    """Add up the whole ledger anew and answer every balance that differs; an empty list is a clean book.

    1. Find what differs by key alone, with as few passes over the movements as will do.
    2. A lot's balance is that of its portions. So it differs only where a portion differs, where a movement names
       another lot than its portion's, or where carrying does not net to nothing within the lot: only such lots
       are added up by kind of event.
    3. Describe what differs; with clean books there is nothing to describe.
    """
    found: list[Difference] = []
    with steady_read():
        if connection.vendor == "postgresql":
            # It takes probes of an index to be dear, and would compile statements for longer than they run.
            with connection.cursor() as cursor:
                cursor.execute("SET LOCAL jit = off")
        for what, sql, words in _CHECKS:
            rows = _rows(sql.format(**joins()))
            found += _described(what, words, {key: (int(books), int(ledger)) for key, books, ledger in rows})
        portions = _odd_portions()
        on_hand = {row.portion_id: (row.on_hand, row.moved) for row in portions if row.on_hand != row.moved}
        found += _described("on_hand", _PORTION_IN_WORDS, on_hand)
        found += _described("lot", _LOT_IN_WORDS, _odd_lots(portions))
    return sorted(found, key=lambda row: (row.what, row.item, row.number, row.place, row.container))


def _rows(sql: str, parameters: Sequence[Any] = ()) -> Sequence[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return cursor.fetchall()


def _described(what: str, words: str, odd: Mapping[int, tuple[int, int]]) -> list[Difference]:
    """Differences by key, of books and ledger: ``words`` is the statement that says what a key is."""
    return [
        Difference(
            what=what,
            item=item,
            number=number,
            place=place,
            container=container,
            books=show_quantity(odd[key][0], measure),
            ledger=show_quantity(odd[key][1], measure),
        )
        for key, item, measure, number, place, container in rows_among(words, odd)
    ]


# Portions and lots


class _Portion(NamedTuple):
    """A portion that is not as it should be: ``moved`` is the sum of its movements, ``named`` of those of its lot."""

    portion_id: int
    lot_id: int
    on_hand: int
    moved: int
    named: int


def _odd_portions() -> list[_Portion]:
    """Portions whose balance is not the sum of their movements, or with movements that name another lot."""
    if connection.vendor == "postgresql" and _weigh_the_same():
        return []
    return [_Portion(*map(int, row)) for row in rows_among(_SUMS_OF_PORTIONS, [key for (key,) in _rows(_ODD_PORTIONS)])]


def _weigh_the_same() -> bool:
    """Whether all portions and all movements weigh the same: each quantity times random weights of portion and lot.

    Three weighted sums of everything take a small part of the time of a sum for each portion. One portion that
    differs is always found. Several escape only where their differences cancel out under all three weights: by
    a chance of less than one in 10^18, and the weights are others at every check.
    """
    seed = secrets.randbelow(2**62)
    books = _WEIGHED.format(table="inventory_portion", portion="id", quantity="on_hand")
    ledger = _WEIGHED.format(table="inventory_movement", portion="portion_id", quantity="quantity")
    try:
        with transaction.atomic():
            return _rows(books, [seed]) == _rows(ledger, [seed])
    except DataError:  # a quantity far above every limit, too large to be weighed: the sums will name it
        return False


def _odd_lots(portions: Sequence[_Portion]) -> dict[int, tuple[int, int]]:
    """What stands in a lot's portions and what its movements add up to without carrying, where these differ.

    A lot in which faults cancel out is named too: by what its portion's movements add up to and those of them that
    name the lot, or by nothing and what carrying left over.
    """
    carried = rows_among(_SUMS_OF_CARRYING, [key for (key,) in _rows(_ODD_CARRYING)])
    suspects = {row.lot_id for row in portions} | {lot for lot, _ in carried}
    suspects |= {lot for (lot,) in rows_among(_LOTS_NAMED, [row.portion_id for row in portions])}
    odd = {lot: (0, int(left)) for lot, left in carried}
    odd |= {row.lot_id: (row.moved, row.named) for row in portions if row.moved != row.named}
    sums = {lot: (int(books), int(ledger)) for lot, books, ledger in rows_among(_SUMS_OF_LOTS, suspects)}
    return odd | {lot: both for lot, both in sums.items() if both[0] != both[1]}


# A weight has 21 bits and a quantity at most 40, so that the product fits. The first weight is odd, hence never 0.
_WEIGHED = """
    SELECT SUM({quantity} * (weight & 2097151 | 1)),
        SUM({quantity} * (weight >> 21 & 2097151)),
        SUM({quantity} * (weight >> 42 & 2097151))
    FROM {table} CROSS JOIN LATERAL (SELECT hashint8extended(lot_id, hashint8extended({portion}, %s)) AS weight) w
    WHERE {quantity} <> 0
"""
_ODD_PORTIONS = """
    SELECT p.id
    FROM (
        SELECT portion_id, SUM(quantity) AS moved, MIN(lot_id) AS first_lot, MAX(lot_id) AS last_lot
        FROM inventory_movement GROUP BY portion_id
    ) s
    JOIN inventory_portion p ON p.id = s.portion_id
    WHERE p.on_hand <> s.moved OR p.lot_id <> s.first_lot OR p.lot_id <> s.last_lot
    UNION ALL
    SELECT p.id FROM inventory_portion p
    WHERE p.on_hand <> 0 AND NOT EXISTS (SELECT 1 FROM inventory_movement m WHERE m.portion_id = p.id)
"""
_SUMS_OF_PORTIONS = """
    SELECT p.id, p.lot_id, p.on_hand, COALESCE(SUM(m.quantity), 0),
        COALESCE(SUM(CASE WHEN m.lot_id = p.lot_id THEN m.quantity END), 0)
    FROM inventory_portion p LEFT JOIN inventory_movement m ON m.portion_id = p.id
    WHERE p.id IN ({ids}) GROUP BY p.id, p.lot_id, p.on_hand
"""
_LOTS_NAMED = "SELECT DISTINCT lot_id FROM inventory_movement WHERE portion_id IN ({ids})"
_ODD_CARRYING = """
    SELECT e.id FROM inventory_stockevent e
    WHERE e.kind IN ('moved', 'opened') AND EXISTS (
        SELECT 1 FROM inventory_movement m WHERE m.event_id = e.id GROUP BY m.lot_id HAVING SUM(m.quantity) <> 0
    )
"""
_SUMS_OF_CARRYING = """
    SELECT lot_id, SUM(quantity) FROM inventory_movement
    WHERE event_id IN ({ids}) GROUP BY event_id, lot_id HAVING SUM(quantity) <> 0
"""
_SUMS_OF_LOTS = """
    SELECT l.id,
        COALESCE((SELECT SUM(p.on_hand) FROM inventory_portion p WHERE p.lot_id = l.id), 0),
        COALESCE((
            SELECT SUM(m.quantity)
            FROM inventory_movement m JOIN inventory_stockevent e ON e.id = m.event_id
            WHERE m.lot_id = l.id AND e.kind NOT IN ('moved', 'opened')
        ), 0)
    FROM inventory_lot l WHERE l.id IN ({ids})
"""

# Balances of other tables


_RESERVED = """
    SELECT p.id, p.reserved, COALESCE(s.total, 0)
    FROM inventory_portion p
    LEFT JOIN (SELECT portion_id, SUM(quantity) AS total FROM inventory_reservation GROUP BY portion_id) s
        ON s.portion_id = p.id
    WHERE p.reserved <> COALESCE(s.total, 0)
"""
_LEFT = """
    SELECT x.id, CASE WHEN x.corrected THEN 0 ELSE x.quantity END - x.returned, -COALESCE(s.total, 0)
    FROM inventory_dispatchline x
    LEFT JOIN (
        SELECT e.dispatch_line_id, SUM(m.quantity) AS total
        FROM inventory_stockevent e {movements}
        WHERE e.dispatch_line_id IS NOT NULL GROUP BY e.dispatch_line_id
    ) s ON s.dispatch_line_id = x.id
    WHERE CASE WHEN x.corrected THEN 0 ELSE x.quantity END - x.returned <> -COALESCE(s.total, 0)
"""
_DISPATCHED = """
    SELECT d.id, d.dispatched, COALESCE(s.total, 0)
    FROM inventory_demand d
    LEFT JOIN (
        SELECT demand_id, SUM(quantity) AS total FROM inventory_dispatchline
        WHERE demand_id IS NOT NULL AND NOT corrected GROUP BY demand_id
    ) s ON s.demand_id = d.id
    WHERE d.dispatched <> COALESCE(s.total, 0)
"""
_RECEIVED = """
    SELECT x.id, x.received, COALESCE(s.total, 0)
    FROM inventory_purchaseorderline x
    LEFT JOIN (
        SELECT e.purchase_order_line_id, SUM(m.quantity) AS total
        FROM inventory_stockevent e {movements}
        WHERE e.purchase_order_line_id IS NOT NULL GROUP BY e.purchase_order_line_id
    ) s ON s.purchase_order_line_id = x.id
    WHERE x.received <> COALESCE(s.total, 0)
"""

# What a key is: item, measure, number, place and container.
_PORTION_IN_WORDS = """
    SELECT p.id, i.code, i.measure, l.number, p.place, p.container
    FROM inventory_portion p
    JOIN inventory_lot l ON l.id = p.lot_id
    JOIN inventory_item i ON i.id = l.item_id
    WHERE p.id IN ({ids})
"""
_LOT_IN_WORDS = """
    SELECT l.id, i.code, i.measure, l.number, '', ''
    FROM inventory_lot l JOIN inventory_item i ON i.id = l.item_id
    WHERE l.id IN ({ids})
"""
_DISPATCH_LINE_IN_WORDS = """
    SELECT x.id, i.code, i.measure, d.code, '', ''
    FROM inventory_dispatchline x
    JOIN inventory_dispatch d ON d.id = x.dispatch_id
    JOIN inventory_lot l ON l.id = x.lot_id
    JOIN inventory_item i ON i.id = l.item_id
    WHERE x.id IN ({ids})
"""
_DEMAND_IN_WORDS = """
    SELECT d.id, i.code, i.measure, d.reference, '', ''
    FROM inventory_demand d JOIN inventory_item i ON i.id = d.item_id
    WHERE d.id IN ({ids})
"""
_ORDER_LINE_IN_WORDS = """
    SELECT x.id, i.code, i.measure, o.code, '', ''
    FROM inventory_purchaseorderline x
    JOIN inventory_purchaseorder o ON o.id = x.order_id
    JOIN inventory_item i ON i.id = x.item_id
    WHERE x.id IN ({ids})
"""
_CHECKS = (
    ("reserved", _RESERVED, _PORTION_IN_WORDS),
    ("dispatch_line", _LEFT, _DISPATCH_LINE_IN_WORDS),
    ("demand", _DISPATCHED, _DEMAND_IN_WORDS),
    ("order_line", _RECEIVED, _ORDER_LINE_IN_WORDS),
)
