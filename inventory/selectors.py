"""Reads of the storeroom across tables or in bulk: a fixed number of queries however many rows are asked for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from functools import lru_cache
from types import SimpleNamespace
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

from django.db.models import (
    Case,
    DateField,
    Exists,
    F,
    Func,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Sum,
    Value,
    When,
)
from django.db.models.functions import Coalesce, Greatest

from inventory import clock, statements
from inventory.columns import rows_of
from inventory.errors import NotFound
from inventory.ledger import ids_as_rows
from inventory.models import (
    Demand,
    Dispatch,
    Item,
    Lot,
    Movement,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.numbers import fold
from inventory.usability import last_day_of, unusable_reason

NEVER = date.max
Row = TypeVar("Row")


def find_item(code: str) -> Item:
    return _one(Item.objects.filter(code=code).first(), f"no item {code!r}")


def find_party(code: str) -> Party:
    return _one(Party.objects.filter(code=code).first(), f"no party {code!r}")


def get_lot(item_code: str, number: str) -> Lot:
    """The lot with exactly our number of exactly this item."""
    lot = Lot.objects.select_related("item").filter(item__code=item_code, number=number).first()
    return _one(lot, f"no lot {number!r} of item {item_code!r}")


def find_lots(number: str, item: Item | None = None) -> list[Lot]:
    """Every lot that bears this number as ours, the supplier's or the maker's; case, spaces and dashes do not count."""
    lots = Lot.objects.select_related("item").filter(bearing(number))
    if item is not None:
        lots = lots.filter(item=item)
    return list(lots.order_by("item__code", "number"))


def bearing(number: str) -> Q:
    """For lots: those that bear this number, folded, as ours, the supplier's or the maker's."""
    folded = fold(number)
    if not folded:
        return Q(pk__in=[])
    return Q(number_folded=folded) | Q(supplier_lot_folded=folded) | Q(maker_lot_folded=folded)


def find_portion(lot: Lot, place: str = "", container: str = "", set_apart: bool = False) -> Portion:
    portion = (
        Portion.objects.select_related("lot__item")
        .filter(lot=lot, place=place, container=container, set_apart=set_apart)
        .first()
    )
    told = ", set apart" if set_apart else ""
    return _one(portion, f"lot {lot.number} has no portion at place {place!r}, container {container!r}{told}")


def find_event(uid: UUID) -> StockEvent:
    return _one(StockEvent.objects.filter(uid=uid).first(), f"no stock event {uid}")


def find_order(code: str) -> PurchaseOrder:
    return _one(PurchaseOrder.objects.filter(code=code).first(), f"no purchase order {code!r}")


def find_dispatch(code: str) -> Dispatch:
    return _one(Dispatch.objects.filter(code=code).first(), f"no dispatch {code!r}")


def find_demand(*, item: Item, due_on: date, customer: Party | None, reference: str) -> Demand:
    demand = Demand.objects.filter(item=item, due_on=due_on, customer=customer, reference=reference).first()
    return _one(demand, f"no demand of {item.code} on {due_on} with reference {reference!r}")


def find_transformation(code: str) -> Transformation:
    return _one(Transformation.objects.filter(code=code).first(), f"no making {code!r}")


def _one(row: Row | None, message: str) -> Row:
    if row is None:
        raise NotFound(message)
    return row


def portions_here(item_ids: Iterable[int] | None = None) -> list[Portion]:
    """Every portion that holds something, with lot and item, in item, lot, place, container order. One query."""
    portions = Portion.objects.filter(on_hand__gt=0).select_related("lot__item")
    if item_ids is not None:
        portions = portions.filter(lot__item__in=list(item_ids))
    return list(portions.order_by("lot__item__code", "lot__number", "place", "container", "set_apart"))


class FreeStock(NamedTuple):
    """A portion with something free, and what of its lot and item says whether it may be used: one row for all three.

    Rows of models cost ten times as much, and this is read while others wait.
    """

    pk: int
    lot_id: int
    item_id: int
    code: str
    measure: str
    number: str
    place: str
    container: str
    set_apart: bool
    free: int
    status: str
    opened_on: date | None
    received_on: date | None
    available_on: date | None
    expires_on: date | None
    retest_on: date | None
    shelf_life_days: int | None
    shelf_life_hours: int | None
    opened_life_days: int | None
    retest_days: int | None
    min_remaining_days: int

    @property
    def lot(self) -> FreeStock:
        return self

    @property
    def item(self) -> FreeStock:
        return self


_FREE_STOCK = """
    SELECT p.id, p.lot_id, l.item_id, i.code, i.measure, l.number, p.place, p.container, p.set_apart,
        p.on_hand - p.reserved, l.status, p.opened_on, l.received_on, l.available_on, l.expires_on, l.retest_on,
        i.shelf_life_days, i.shelf_life_hours, i.opened_life_days, i.retest_days, i.min_remaining_days
    FROM inventory_item i
    JOIN inventory_lot l ON l.item_id = i.id
    JOIN inventory_portion p ON p.lot_id = l.id
    WHERE i.id IN ({ids}) AND l.status = 'released' AND NOT p.set_apart AND p.on_hand > 0 AND p.on_hand > p.reserved
"""


def usable_portions(
    item_ids: Iterable[int], on: date, min_remaining_days: int | None = None
) -> dict[int, list[FreeStock]]:
    """Per item the portions with something free that may be used on this day, first expiry first. One query.

    ``min_remaining_days`` takes the place of each item's own.
    """
    found: dict[int, list[tuple[Any, FreeStock]]] = {item_id: [] for item_id in item_ids}
    if not found:
        return {}
    ids, parameter = ids_as_rows(found)
    for values in statements.rows(_FREE_STOCK.format(ids=ids), parameter):
        row = FreeStock._make(values)
        served = _order_of_service(values[_JUDGED], on)
        if served is None:
            continue
        remaining = row.min_remaining_days if min_remaining_days is None else min_remaining_days
        if served[0] is NEVER or served[0] >= on + timedelta(days=remaining):
            found[row.item_id].append(((*served, row.number, row.place, row.container), row))
    return {item_id: [row for _, row in sorted(rows)] for item_id, rows in found.items()}


# The columns of FreeStock that say whether a portion may be used, and when it is served: from status to retest_days.
_JUDGED = slice(FreeStock._fields.index("status"), FreeStock._fields.index("retest_days") + 1)


@lru_cache(maxsize=20_000)
def _order_of_service(columns: tuple[Any, ...], on: date) -> tuple[date, date, date] | None:
    """The order of service of supply: last day (never last), day it is here, received day (blank first), then number.

    None where it may not be used on the day. Kept, since the same lots are looked at for batch after batch.
    """
    # What is set apart is not read at all.
    judged: Any = SimpleNamespace(set_apart=False, **dict(zip(FreeStock._fields[_JUDGED], columns, strict=True)))
    if unusable_reason(judged, judged, judged, on):
        return None
    received = judged.received_on or date.min
    return (
        last_day_of(judged, judged, judged) or NEVER,
        max(received, judged.available_on or date.min),
        received,
    )


def reservations_of(transformation_ids: Iterable[int]) -> Mapping[int, list[Reservation]]:
    """Per making what is set aside for it, with portion, lot and item. One query."""
    found: dict[int, list[Reservation]] = {pk: [] for pk in transformation_ids}
    rows = (
        Reservation.objects.filter(transformation__in=list(found))
        .select_related("portion__lot__item")
        .order_by("portion__lot__item__code", "portion__lot__number", "pk")
    )
    for row in rows:
        assert row.transformation_id is not None
        found[row.transformation_id].append(row)
    return found


def open_demands() -> list[Demand]:
    """Demands still wanted, with item and customer, by day, then customer and reference. One query."""
    return list(
        Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity"))
        .select_related("item", "customer")
        .order_by("due_on", "customer__code", "reference", "item__code")
    )


def open_order_lines() -> list[PurchaseOrderLine]:
    """Order lines with something still to come, with order, supplier and item. One query."""
    return list(
        PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity"))
        .select_related("order__supplier", "item")
        .order_by("due_on", "order__code", "item__code")
    )


# --- columns of stock, for lists ---------------------------------------------------------------------------


class _DaysAfter(Func):
    """A day so many days after another, reckoned by the database; nothing where either is nothing."""

    output_field = DateField()
    template = "(%(expressions)s)"
    arg_joiner = " + "

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return self.as_sql(compiler, connection, template="date(%(expressions)s || ' days')", arg_joiner=", ")


def _lot_last_day(lot: str = "") -> Coalesce:
    """``inventory.usability.lot_last_day_of`` in the database; ``lot`` is the way to the lot ("lot__")."""
    days, hours = f"{lot}item__shelf_life_days", f"{lot}item__shelf_life_hours"
    life = Case(
        When(**{f"{days}__isnull": False}, then=F(days)),
        When(**{f"{hours}__isnull": False}, then=Greatest(F(hours) / 24 - 1, Value(0))),
        output_field=IntegerField(),
    )
    return Coalesce(F(f"{lot}expires_on"), _DaysAfter(F(f"{lot}received_on"), life))


_OPENED_UNTIL = _DaysAfter(F("opened_on"), F("lot__item__opened_life_days"))


def expiring_before(lots: QuerySet[Lot], day: date) -> QuerySet[Lot]:
    """The lots whose last day is before this day, or that of an opened portion of which something is here."""
    opened = Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0).alias(until=_OPENED_UNTIL)
    return lots.alias(last_day_of_lot=_lot_last_day()).filter(
        Q(last_day_of_lot__lt=day) | Exists(opened.filter(until__lt=day))
    )


def usable_on(portions: QuerySet[Portion], day: date) -> QuerySet[Portion]:
    """The portions of which ``inventory.usability.unusable_reason`` says nothing on this day."""
    retest = Coalesce(F("lot__retest_on"), _DaysAfter(F("lot__received_on"), F("lot__item__retest_days")))
    return portions.alias(last_day_of_lot=_lot_last_day("lot__"), until=_OPENED_UNTIL, retest=retest).filter(
        Q(last_day_of_lot=None) | Q(last_day_of_lot__gte=day),
        Q(until=None) | Q(until__gte=day),
        Q(retest=None) | Q(retest__gte=day),
        Q(lot__received_on=None) | Q(lot__received_on__lte=day),
        Q(lot__available_on=None) | Q(lot__available_on__lte=day),
        lot__status=Lot.Status.RELEASED,
        set_apart=False,
    )


_BALANCES = (
    Portion.objects.order_by().values("lot").annotate(on_hand_of_lot=Sum("on_hand"), reserved_of_lot=Sum("reserved"))
)


def balances_of_lots(lot_ids: Iterable[int]) -> dict[int, tuple[int, int]]:
    """On hand and reserved of each lot, over its portions. One query."""
    found = dict.fromkeys(lot_ids, (0, 0))
    for row in rows_of(_BALANCES.filter(lot__one_of=found.keys())):
        found[row["lot"]] = (int(row["on_hand_of_lot"]), int(row["reserved_of_lot"]))
    return found


def events_of_lots(events: QuerySet[StockEvent], *, item: Item | None, number: str | None) -> QuerySet[StockEvent]:
    """The stock events that moved, or spoke of, lots of this item and with this number of ours, where given."""
    lots = Lot.objects.all()
    if item is not None:
        lots = lots.filter(item=item)
    if number is not None:
        lots = lots.filter(number=number)
    moved = Movement.objects.filter(lot__in=lots.values("pk")).values("event")
    return events.filter(Q(pk__in=moved) | Q(portion__lot__in=lots.values("pk")))


def events_between(events: QuerySet[StockEvent], *, from_day: date | None, to_day: date | None) -> QuerySet[StockEvent]:
    """The stock events that happened from the first to the last of these days of the workshop, both included."""
    if from_day is not None:
        events = events.filter(happened_at__gte=clock.start_of(from_day))
    if to_day is not None:
        events = events.filter(happened_at__lt=clock.start_of(to_day + timedelta(days=1)))
    return events


def items_by_code(codes: Iterable[str]) -> dict[str, Item]:
    """The items with these codes that there are. One query."""
    return {item.code: item for item in Item.objects.filter(code__in=set(codes))}


def parties_by_code(codes: Iterable[str]) -> dict[str, Party]:
    """The parties with these codes that there are. One query."""
    return {party.code: party for party in Party.objects.filter(code__in=set(codes))}
