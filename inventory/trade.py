"""Reads of trade as columns: purchase orders, what came, demands, dispatches; a fixed number of queries each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any, TypeVar

from django.db.models import Exists, F, OuterRef, Q, QuerySet

from inventory.columns import rows_of
from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Movement,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
)

ORDER_COLUMNS = ("pk", "code", "supplier__code", "placed_at")
ORDER_LINE_COLUMNS = (
    "pk", "order_id", "order__code", "item__code", "item__measure", "quantity", "received", "due_on", "expires_on",
    "closed_at", "closed_why",
)  # fmt: skip
RECEIPT_COLUMNS = (
    "pk", "event__uid", "event__happened_at", "event__why", "event__corrected_by__pk", "lot_id", "lot__supplier__code",
    "lot__item__code", "lot__item__measure", "lot__number", "lot__status", "lot__supplier_lot", "lot__maker_lot",
    "lot__received_on", "lot__available_on", "lot__expires_on", "lot__retest_on", "lot__unit_cost_e6", "lot__note",
    "quantity", "portion__place", "portion__container", "event__purchase_order_line__order__code",
    "event__purchase_order_line__due_on",
)  # fmt: skip
DEMAND_COLUMNS = (
    "pk", "item__code", "item__measure", "quantity", "dispatched", "due_on", "customer__code", "reference", "priority",
    "closed_at", "closed_why",
)  # fmt: skip
DISPATCH_COLUMNS = ("pk", "code", "kind", "customer__code", "public_place", "dispatched_on", "reference")
DISPATCH_LINE_COLUMNS = (
    "pk", "dispatch_id", "lot__item__code", "lot__item__measure", "lot__number", "quantity", "returned", "corrected",
    "demand__due_on", "demand__reference",
)  # fmt: skip
RESERVED_COLUMNS = ("demand_id", "portion__lot__number", "portion__place", "portion__container", "quantity")

Columns = dict[str, Any]
Listed = QuerySet[Any, Any]  # rows of the columns of their kind, still to be narrowed and cut
ORDERS: Listed = PurchaseOrder.objects.values(*ORDER_COLUMNS)
ORDER_LINES = PurchaseOrderLine.objects.order_by("due_on", "item__code").values(*ORDER_LINE_COLUMNS)
RECEIPTS: Listed = Movement.objects.filter(event__kind=StockEvent.Kind.RECEIVED).values(*RECEIPT_COLUMNS)
DEMANDS: Listed = Demand.objects.values(*DEMAND_COLUMNS)
RESERVED = Reservation.objects.order_by("portion__lot__number", "pk").values(*RESERVED_COLUMNS)
DISPATCHES: Listed = Dispatch.objects.values(*DISPATCH_COLUMNS)
DISPATCH_LINES = DispatchLine.objects.order_by("pk").values(*DISPATCH_LINE_COLUMNS)
OrderLineName = tuple[str, str, date]  # order, item, due_on
Spot = tuple[str, str, str, str, bool]  # item, lot, place, container, set_apart
DemandName = tuple[str, date, str]  # item, due_on, reference
Rows = TypeVar("Rows", bound=QuerySet[Any, Any])


def open_of(row: Mapping[str, Any], served: str) -> int:
    """Of the columns of an order line or demand: what is still to come, or wanted; nothing once closed. Pure."""
    return 0 if row["closed_at"] is not None else max(0, int(row["quantity"]) - int(row[served]))


def _still_open(served: str) -> Q:
    return Q(closed_at=None, **{f"{served}__lt": F("quantity")})


# --- purchase orders and what came -------------------------------------------------------------------------


def orders(
    *, supplier: Party | None = None, item: Item | None = None, due_before: date | None = None, open: bool | None = None
) -> Listed:
    """The orders, as ORDER_COLUMNS, of a supplier that have a line of this item, due before this day, with something
    to come.

    The line is one that is all of this. ``open`` False: orders of which nothing is to come any more.
    """
    found = ORDERS if supplier is None else ORDERS.filter(supplier=supplier)
    lines = PurchaseOrderLine.objects.filter(order=OuterRef("pk"))
    if open is False:
        found = found.filter(~Exists(lines.filter(_still_open("received"))))
    chosen = _narrowed(lines, item, due_before, _still_open("received") if open else None)
    return found if chosen is lines else found.filter(Exists(chosen))


def _narrowed(rows: Rows, item: Item | None, due_before: date | None, more: Q | None = None) -> Rows:
    if item is not None:
        rows = rows.filter(item=item)
    if due_before is not None:
        rows = rows.filter(due_on__lt=due_before)
    return rows if more is None else rows.filter(more)


def lines_of_orders(order_ids: Iterable[int]) -> dict[int, list[Columns]]:
    """Per order its lines by day and item, as ORDER_LINE_COLUMNS. One query."""
    found: dict[int, list[Columns]] = {pk: [] for pk in order_ids}
    for row in rows_of(ORDER_LINES.filter(order__one_of=found.keys())):
        found[row["order_id"]].append(row)
    return found


def order_lines_named(names: Iterable[OrderLineName]) -> dict[OrderLineName, PurchaseOrderLine]:
    """The order lines of these that there are, by order, item and day. One query."""
    wanted = set(names)
    rows = PurchaseOrderLine.objects.select_related("order", "item").filter(
        order__code__in={name[0] for name in wanted}
    )
    found = {(row.order.code, row.item.code, row.due_on): row for row in rows}
    return {name: found[name] for name in wanted & found.keys()}


def receipts(
    *,
    supplier: Party | None = None,
    item: Item | None = None,
    order: PurchaseOrder | None = None,
    from_day: date | None = None,
    to_day: date | None = None,
) -> Listed:
    """What came with deliveries, as RECEIPT_COLUMNS: a movement for each lot, on the days on which the lots were
    received."""
    found = RECEIPTS
    if supplier is not None:
        found = found.filter(lot__supplier=supplier)
    if item is not None:
        found = found.filter(lot__item=item)
    if order is not None:
        found = found.filter(event__purchase_order_line__order=order)
    return _between(found, "lot__received_on", from_day, to_day)


def _between(rows: Rows, column: str, from_day: date | None, to_day: date | None) -> Rows:
    if from_day is not None:
        rows = rows.filter(**{f"{column}__gte": from_day})
    return rows if to_day is None else rows.filter(**{f"{column}__lt": to_day + timedelta(days=1)})


# --- demands -----------------------------------------------------------------------------------------------


def demands(
    *, item: Item | None = None, customer: Party | None = None, due_before: date | None = None, open: bool | None = None
) -> Listed:
    """The demands, as DEMAND_COLUMNS, of an item and customer that are due before this day; still open ones, or those
    that are not."""
    still = _still_open("dispatched")
    found = _narrowed(DEMANDS, item, due_before, None if open is None else still if open else ~still)
    return found if customer is None else found.filter(customer=customer)


def reserved_for_demands(demand_ids: Iterable[int]) -> dict[int, list[Columns]]:
    """Per demand what is set aside for it, by lot, as RESERVED_COLUMNS. One query."""
    found: dict[int, list[Columns]] = {pk: [] for pk in demand_ids}
    for row in rows_of(RESERVED.filter(demand__one_of=found.keys())):
        found[row["demand_id"]].append(row)
    return found


def demands_named(names: Iterable[DemandName], customer: Party | None) -> dict[DemandName, Demand]:
    """The demands of one customer (or of none) that there are, by item, day and reference. One query."""
    wanted = set(names)
    rows = Demand.objects.select_related("item", "customer").filter(
        customer=customer, due_on__in={name[1] for name in wanted}, item__code__in={name[0] for name in wanted}
    )
    found = {(row.item.code, row.due_on, row.reference): row for row in rows}
    return {name: found[name] for name in wanted & found.keys()}


# --- dispatches --------------------------------------------------------------------------------------------


def dispatches(
    *,
    customer: Party | None = None,
    item: Item | None = None,
    number: str | None = None,
    kind: str | None = None,
    from_day: date | None = None,
    to_day: date | None = None,
) -> Listed:
    """The dispatches, as DISPATCH_COLUMNS, with a line of this item and lot number, on these days, both included."""
    found = DISPATCHES if customer is None else DISPATCHES.filter(customer=customer)
    if kind is not None:
        found = found.filter(kind=kind)
    lot = {"lot__item": item, "lot__number": number}
    chosen = {name: value for name, value in lot.items() if value is not None}
    if chosen:
        found = found.filter(Exists(DispatchLine.objects.filter(dispatch=OuterRef("pk"), **chosen)))
    return _between(found, "dispatched_on", from_day, to_day)


def lines_of_dispatches(dispatch_ids: Iterable[int]) -> dict[int, list[Columns]]:
    """Per dispatch its lines in the order in which they were written, as DISPATCH_LINE_COLUMNS. One query."""
    found: dict[int, list[Columns]] = {pk: [] for pk in dispatch_ids}
    for row in rows_of(DISPATCH_LINES.filter(dispatch__one_of=found.keys())):
        found[row["dispatch_id"]].append(row)
    return found


def line_of_dispatch(dispatch: Dispatch, number: int) -> DispatchLine | None:
    """The line with this number, counted from 1 in the order in which they were written; None where there is none."""
    lines = DispatchLine.objects.select_related("lot__item", "dispatch").filter(dispatch=dispatch).order_by("pk")
    return lines[number - 1 : number].first()


def portions_of_lots(lots: Iterable[tuple[str, str]]) -> dict[tuple[str, str], list[Portion]]:
    """Per item and number of a lot that there is, its portions, with lot and item. One query."""
    wanted = set(lots)
    items, numbers = {item for item, _ in wanted}, {number for _, number in wanted}
    rows = Portion.objects.select_related("lot__item").filter(lot__item__code__in=items, lot__number__in=numbers)
    found: dict[tuple[str, str], list[Portion]] = {}
    for row in rows.order_by("place", "container", "set_apart"):
        key = (row.lot.item.code, row.lot.number)
        if key in wanted:
            found.setdefault(key, []).append(row)
    return found
