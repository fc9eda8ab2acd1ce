"""Buying: orders placed, deliveries received as lots, goods sent back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import Item, Lot, Party, Portion, PurchaseOrder, PurchaseOrderLine, StockEvent
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.numbers import propose_lot_numbers, propose_order_number, with_next_number
from inventory.services.counting import take_out
from inventory.services.ledger import Change, Posting, check_quantity, check_spot, check_text, moment_and_day, post_all
from inventory.services.lots import NewLot, create_lots
from inventory.transactions import lock_items, write

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@dataclass(frozen=True, slots=True)
class OrderLine:
    item: Item
    quantity: int
    due_on: date
    expires_on: date | None = None  # where the supplier promised a date


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One lot that came. Several may name one order line; none where nobody ordered it."""

    item: Item
    quantity: int
    number: str = ""  # blank: given by the workshop's pattern
    supplier_lot: str = ""
    maker_lot: str = ""
    expires_on: date | None = None
    retest_on: date | None = None
    available_on: date | None = None
    order_line: PurchaseOrderLine | None = None
    place: str = ""
    container: str = ""
    unit_cost_e6: int | None = None
    status: str = Lot.Status.QUARANTINE
    note: str = ""


@write
def place_order(
    *, supplier: Party, lines: Sequence[OrderLine], code: str = "", who: User | None = None
) -> PurchaseOrder:
    """Write down what was ordered. A blank code is given.

    Raises BadInput for no supplier, no lines, an item twice for one day; Conflict where the code is taken.
    Faults name the field (``order``, ``lines[2].due_on``).
    """
    _check_supplies(supplier)
    _check_lines(lines)
    if len(code) > CODE_LENGTH:
        accepted = f"at most {CODE_LENGTH} characters"
        raise BadInput(f"an order code has {accepted}", code="bad_number", faults=[Fault("order", code[:80], accepted)])
    if code and PurchaseOrder.objects.filter(code=code).exists():
        raise Conflict(
            f"the order code {code} is taken",
            code="number_taken",
            faults=[Fault("order", code, "a code that no order has")],
        )

    def write_down(code: str) -> PurchaseOrder:
        return PurchaseOrder.objects.create(code=code, supplier=supplier, placed_at=clock.now())

    order = write_down(code) if code else with_next_number(lambda: propose_order_number(clock.today()), write_down)
    PurchaseOrderLine.objects.bulk_create(
        PurchaseOrderLine(
            order=order, item=line.item, quantity=line.quantity, due_on=line.due_on, expires_on=line.expires_on
        )
        for line in lines
    )
    return order


def _check_lines(lines: Sequence[OrderLine]) -> None:
    if not lines:
        raise BadInput("an order has at least one line", code="no_lines")
    seen = set()
    for at, line in enumerate(lines):
        path, item, day = f"lines[{at}].", line.item, line.due_on
        check_quantity(item, line.quantity, field=f"{path}quantity")
        if item.drawn:
            raise _drawn(item, f"{path}item", "bought")
        if (item.pk, day) in seen:
            raise BadInput(
                f"{item.code} stands twice for {day}: put it in one line",
                code="line_twice",
                faults=[Fault(f"{path}due_on", str(day), "another day, or the quantity in one line")],
            )
        if line.expires_on is not None and line.expires_on < day:
            raise BadInput(
                f"{item.code} would expire before it is due",
                code="expires_before_due",
                faults=[Fault(f"{path}expires_on", str(line.expires_on), f"a day not before {day}")],
            )
        seen.add((item.pk, day))


def _drawn(item: Item, field: str, never: str) -> BadInput:
    fault = Fault(field, item.code, f"an item that is {never}")
    return BadInput(f"{item.code} is drawn here and never {never}", code="drawn", faults=[fault])


@write
def close_order_line(*, line: PurchaseOrderLine, why: str, who: User | None = None) -> PurchaseOrderLine:
    """The rest of a line will not come: it is expected no more."""
    lock_items([line.item_id])
    line.refresh_from_db()
    if line.closed_at is not None:
        raise WrongState("this order line is closed already", code="closed")
    if not why.strip():
        raise BadInput(
            "say why the rest will not come", code="why_needed", faults=[Fault("why", why, "the reason in words")]
        )
    check_text("why", why, NAME_LENGTH)
    line.closed_at = clock.now()
    line.closed_why = why
    line.save(update_fields=["closed_at", "closed_why"])
    return line


@write
def receive(
    *,
    supplier: Party,
    deliveries: Sequence[Delivery],
    received_on: date | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> list[Lot]:
    """Put a delivery on the books: one lot for each entry, in quarantine unless it says otherwise.

    1. Check quantities, and that the order lines named are this supplier's, of the item, and open.
    2. Lock the items, number the lots, write them with their first decision.
    3. Post what was received and bring the order lines along: one that has come in full (or over) is closed.

    ``available_on`` of a quarantined lot is the received day plus the item's ``release_days`` unless given.
    Raises BadInput, Conflict for a number that the item has already, WrongState for a closed line. Faults name the
    field of the lot that came (``lots[2].quantity``).
    """
    _check_supplies(supplier)
    if not deliveries:
        raise BadInput("a delivery has at least one lot", code="no_lines")
    moment, day = moment_and_day(happened_at, received_on, "received_on")
    for at, delivery in enumerate(deliveries):
        _check_delivery(delivery, f"lots[{at}].")
    lock_items({delivery.item.pk for delivery in deliveries})
    _check_order_lines(supplier, deliveries)
    lots = create_lots(
        _numbered(supplier, deliveries, day),
        decided_at=moment,
        who=who,
        why=why,
        paths=[f"lots[{at}]." for at in range(len(deliveries))],
    )
    portions = Portion.objects.bulk_create(
        Portion(lot=lot, place=delivery.place, container=delivery.container)
        for lot, delivery in zip(lots, deliveries, strict=True)
    )
    post_all(
        [
            Posting(
                kind=StockEvent.Kind.RECEIVED,
                changes=[Change(portion, delivery.quantity)],
                happened_at=moment,
                who=who,
                why=why,
                purchase_order_line=delivery.order_line,
            )
            for portion, delivery in zip(portions, deliveries, strict=True)
        ]
    )
    _bring_order_lines_along(deliveries)
    return lots


def _check_delivery(delivery: Delivery, path: str) -> None:
    check_quantity(delivery.item, delivery.quantity, field=f"{path}quantity")
    check_spot(delivery.place, delivery.container)
    if delivery.item.drawn:
        raise _drawn(delivery.item, f"{path}item", "received")


def _check_order_lines(supplier: Party, deliveries: Sequence[Delivery]) -> None:
    """Read the named lines again under the lock and see that they may take this delivery."""
    named = {delivery.order_line.pk for delivery in deliveries if delivery.order_line is not None}
    lines = PurchaseOrderLine.objects.select_related("order").in_bulk(sorted(named))
    for at, delivery in enumerate(deliveries):
        if delivery.order_line is None:
            continue
        line = lines[delivery.order_line.pk]
        order, fault = line.order.code, Fault(f"lots[{at}].order", line.order.code, f"an open order of {supplier.code}")
        if line.order.supplier_id != supplier.pk:
            raise BadInput(f"order {order} is not one of {supplier.code}", code="wrong_supplier", faults=[fault])
        if line.item_id != delivery.item.pk:
            raise BadInput(
                f"that line of order {order} is not for {delivery.item.code}", code="wrong_item", faults=[fault]
            )
        if line.closed_at is not None:
            raise WrongState(
                f"that line of order {order} is closed: receive the rest without a line", code="closed", faults=[fault]
            )


def _numbered(supplier: Party, deliveries: Sequence[Delivery], day: date) -> list[NewLot]:
    blank = [delivery.item for delivery in deliveries if not delivery.number]
    given = iter(propose_lot_numbers(blank, day)) if blank else iter(())
    return [
        NewLot(
            item=delivery.item,
            number=delivery.number or next(given),
            origin=Lot.Origin.RECEIVED,
            status=delivery.status,
            supplier=supplier,
            supplier_lot=delivery.supplier_lot,
            maker_lot=delivery.maker_lot,
            received_on=day,
            available_on=_available_on(delivery, day),
            expires_on=delivery.expires_on,
            retest_on=delivery.retest_on,
            unit_cost_e6=delivery.unit_cost_e6,
            note=delivery.note,
        )
        for delivery in deliveries
    ]


def _available_on(delivery: Delivery, day: date) -> date | None:
    if delivery.available_on is None and delivery.status == Lot.Status.QUARANTINE:
        return day + timedelta(days=delivery.item.release_days)
    return delivery.available_on


def _bring_order_lines_along(deliveries: Sequence[Delivery]) -> None:
    came: dict[int, int] = {}
    named: dict[int, PurchaseOrderLine] = {}
    for delivery in deliveries:
        if delivery.order_line is not None:
            named[delivery.order_line.pk] = delivery.order_line
            came[delivery.order_line.pk] = came.get(delivery.order_line.pk, 0) + delivery.quantity
    for pk, line in named.items():
        line.refresh_from_db(fields=["received", "closed_at", "quantity"])
        line.received += came[pk]
        if line.received >= line.quantity:
            line.closed_at = clock.now()
        line.save(update_fields=["received", "closed_at"])


@write
def send_back(
    *,
    portion: Portion,
    quantity: int,
    why: str,
    happened_at: datetime | None = None,
    who: User | None = None,
) -> StockEvent:
    """Goods go back to their supplier, whatever the lot's status; reservations that no longer fit are freed."""
    if portion.lot.origin not in (Lot.Origin.RECEIVED, Lot.Origin.OPENING):
        raise WrongState(f"lot {portion.lot.number} was not bought: it cannot be sent back", code="not_bought")
    return take_out(StockEvent.Kind.SENT_BACK, portion, quantity, happened_at, who, why)


def _check_supplies(supplier: Party) -> None:
    if not supplier.supplies:
        raise BadInput(
            f"{supplier.code} is no supplier",
            code="no_supplier",
            faults=[Fault("supplier", supplier.code, "a supplier")],
        )
