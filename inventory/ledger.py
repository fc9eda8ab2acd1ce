"""Reading the ledger: sums per lot, balances of makings, stock and value on a day, and the check of the books.

Writes nothing. Sums are made by the database in whole base steps; movements are never fetched one by one.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import Q, QuerySet, Sum
from django.db.models.expressions import RawSQL

from inventory import clock
from inventory.models import LotDecision, Movement, Portion, StockEvent
from inventory.quantities import MASS, show_quantity
from inventory.usability import last_day_from, plan_days_of_life

Kind = StockEvent.Kind


def ids_as_rows(ids: Iterable[int]) -> tuple[str, str | list[int]]:
    """SQL that turns one parameter into a row for each id, and the parameter: a thousand cost hardly more than one."""
    rows = sorted(ids)
    if connection.vendor == "postgresql":
        return "SELECT unnest(%s::bigint[])", rows
    return "SELECT value FROM json_each(%s)", json.dumps(rows)


def among(ids: Iterable[int]) -> RawSQL:
    """These ids for an ``__in`` filter, however many."""
    sql, parameter = ids_as_rows(ids)
    return RawSQL(sql, (parameter,))


def sums_of(sql: str, ids: Collection[int]) -> Sequence[tuple[Any, ...]]:
    """The rows of a statement over ``IN ({ids})``: for sums by the thousand, which Django would convert one by one."""
    if not ids:
        return ()
    rows, parameter = ids_as_rows(ids)
    with connection.cursor() as cursor:
        cursor.execute(sql.format(ids=rows), [parameter])
        return cursor.fetchall()


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


_MOVED = """
    SELECT m.lot_id, e.kind, c.kind, SUM(m.quantity)
    FROM inventory_movement m
    JOIN inventory_stockevent e ON e.id = m.event_id
    LEFT JOIN inventory_stockevent c ON c.id = e.corrects_id
    WHERE m.lot_id IN ({ids}) GROUP BY m.lot_id, e.kind, c.kind
"""
_ON_HAND = """
    SELECT lot_id, SUM(on_hand) FROM inventory_portion
    WHERE lot_id IN ({ids}) AND on_hand > 0 GROUP BY lot_id
"""


def balances(lot_ids: Iterable[int], on_hand: Mapping[int, int] | None = None) -> dict[int, LotBalance]:
    """The balance of each lot: two queries however many, one where it is known what is ``on_hand`` of each."""
    sums: dict[int, dict[str, int]] = {lot_id: {} for lot_id in lot_ids}
    for lot_id, kind, corrected_kind, total in sums_of(_MOVED, sums):
        kinds, quantity = sums[lot_id], int(total)
        if kind in CAME:
            kinds[kind] = kinds.get(kind, 0) + quantity
        elif kind in WENT:
            kinds[kind] = -quantity
        if (corrected_kind or kind) in BEGAN:
            kinds["began"] = kinds.get("began", 0) + quantity
    for lot_id, total in on_hand.items() if on_hand is not None else sums_of(_ON_HAND, sums):
        sums[lot_id]["on_hand"] = int(total)
    return {lot_id: LotBalance(**kinds) for lot_id, kinds in sums.items()}


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


_ON_PORTION = """
    SELECT i.code, i.measure, l.number, p.place, p.container, p.{balance}, COALESCE(s.total, 0)
    FROM inventory_portion p
    JOIN inventory_lot l ON l.id = p.lot_id
    JOIN inventory_item i ON i.id = l.item_id
    LEFT JOIN (SELECT portion_id, SUM(quantity) AS total FROM {source} GROUP BY portion_id) s
        ON s.portion_id = p.id
    WHERE p.{balance} <> COALESCE(s.total, 0)
"""
# Movements repeat the lot, and carrying nets to nothing within it: both are checked by leaving carrying out.
_ON_LOT = """
    SELECT i.code, i.measure, l.number, '', '', COALESCE(h.total, 0), COALESCE(s.total, 0)
    FROM inventory_lot l
    JOIN inventory_item i ON i.id = l.item_id
    LEFT JOIN (SELECT lot_id, SUM(on_hand) AS total FROM inventory_portion GROUP BY lot_id) h
        ON h.lot_id = l.id
    LEFT JOIN (
        SELECT m.lot_id, SUM(m.quantity) AS total
        FROM inventory_movement m JOIN inventory_stockevent e ON e.id = m.event_id
        WHERE e.kind NOT IN ('moved', 'opened') GROUP BY m.lot_id
    ) s ON s.lot_id = l.id
    WHERE COALESCE(h.total, 0) <> COALESCE(s.total, 0)
"""
_ON_DISPATCH_LINE = """
    SELECT i.code, i.measure, d.code, '', '',
        CASE WHEN x.corrected THEN 0 ELSE x.quantity END - x.returned, -COALESCE(s.total, 0)
    FROM inventory_dispatchline x
    JOIN inventory_dispatch d ON d.id = x.dispatch_id
    JOIN inventory_lot l ON l.id = x.lot_id
    JOIN inventory_item i ON i.id = l.item_id
    LEFT JOIN (
        SELECT e.dispatch_line_id, SUM(m.quantity) AS total
        FROM inventory_movement m JOIN inventory_stockevent e ON e.id = m.event_id
        WHERE e.dispatch_line_id IS NOT NULL GROUP BY e.dispatch_line_id
    ) s ON s.dispatch_line_id = x.id
    WHERE CASE WHEN x.corrected THEN 0 ELSE x.quantity END - x.returned <> -COALESCE(s.total, 0)
"""
_ON_DEMAND = """
    SELECT i.code, i.measure, d.reference, '', '', d.dispatched, COALESCE(s.total, 0)
    FROM inventory_demand d
    JOIN inventory_item i ON i.id = d.item_id
    LEFT JOIN (
        SELECT demand_id, SUM(quantity) AS total FROM inventory_dispatchline
        WHERE NOT corrected GROUP BY demand_id
    ) s ON s.demand_id = d.id
    WHERE d.dispatched <> COALESCE(s.total, 0)
"""
_ON_ORDER_LINE = """
    SELECT i.code, i.measure, o.code, '', '', x.received, COALESCE(s.total, 0)
    FROM inventory_purchaseorderline x
    JOIN inventory_purchaseorder o ON o.id = x.order_id
    JOIN inventory_item i ON i.id = x.item_id
    LEFT JOIN (
        SELECT e.purchase_order_line_id, SUM(m.quantity) AS total
        FROM inventory_movement m JOIN inventory_stockevent e ON e.id = m.event_id
        WHERE e.purchase_order_line_id IS NOT NULL GROUP BY e.purchase_order_line_id
    ) s ON s.purchase_order_line_id = x.id
    WHERE x.received <> COALESCE(s.total, 0)
"""
_CHECKS = (
    ("on_hand", _ON_PORTION.format(balance="on_hand", source="inventory_movement")),
    ("reserved", _ON_PORTION.format(balance="reserved", source="inventory_reservation")),
    ("lot", _ON_LOT),
    ("dispatch_line", _ON_DISPATCH_LINE),
    ("demand", _ON_DEMAND),
    ("order_line", _ON_ORDER_LINE),
)


def verify() -> list[Difference]:
    """Add up the whole ledger anew and answer every balance that differs; an empty list is a clean book."""
    found = []
    with connection.cursor() as cursor:
        for what, sql in _CHECKS:
            cursor.execute(sql)
            for item, measure, number, place, container, books, ledger in cursor.fetchall():
                found.append(
                    Difference(
                        what=what,
                        item=item,
                        number=number,
                        place=place,
                        container=container,
                        books=show_quantity(int(books), measure),
                        ledger=show_quantity(int(ledger), measure),
                    )
                )
    return sorted(found, key=lambda row: (row.what, row.item, row.number, row.place, row.container))
