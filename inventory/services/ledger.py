"""Posting: the only place that writes stock events, movements and balances.

Every other service decides what happened and calls ``post`` under the item lock. Physical truth wins:
where a posting leaves less in a portion than is reserved, reservations of that portion are freed first,
the latest batch first, and an alert is opened.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.db.models import F

from inventory import clock
from inventory.errors import BadInput, Shortage
from inventory.models import (
    Alert,
    Demand,
    DispatchLine,
    Lot,
    Movement,
    Portion,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.quantities import limit_of, show_quantity

if TYPE_CHECKING:
    from django.contrib.auth.models import AbstractBaseUser as User


@dataclass(frozen=True, slots=True)
class Change:
    """One signed quantity of one portion, in base steps."""

    portion: Portion
    quantity: int


@dataclass(frozen=True, slots=True)
class Freed:
    """A reservation that gave way to physical truth."""

    holder: str  # batch:B or demand:CUSTOMER/REFERENCE
    item: str
    lot: str
    quantity: int


def post(
    *,
    kind: str,
    changes: Sequence[Change],
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
    transformation: Transformation | None = None,
    dispatch_line: DispatchLine | None = None,
    purchase_order_line: PurchaseOrderLine | None = None,
    corrects: StockEvent | None = None,
    portion: Portion | None = None,
) -> StockEvent:
    """Write one stock event with its movements and bring the balances along. The caller holds the item lock.

    1. Check that the moment is not in the future and that no portion goes below nothing.
    2. Free reservations that no longer fit what will be on hand.
    3. Write event and movements, then the balances.

    Raises BadInput for a future moment, Shortage where a portion holds less than is taken.
    """
    moment = happened_at or clock.now()
    if moment > clock.now():
        raise BadInput(
            "what is recorded has happened: the moment may not be in the future", code="in_the_future"
        )
    totals: dict[int, int] = {}
    portions: dict[int, Portion] = {}
    for change in changes:
        totals[change.portion.pk] = totals.get(change.portion.pk, 0) + change.quantity
        portions[change.portion.pk] = change.portion
    fresh = {row.pk: row for row in Portion.objects.filter(pk__in=totals).select_related("lot__item")}
    for pk, total in totals.items():
        _check_total(fresh[pk], total)
    for pk, total in totals.items():
        if total < 0:
            free_down_to(portion=fresh[pk], on_hand=fresh[pk].on_hand + total)
    event = StockEvent.objects.create(
        uid=uuid.uuid4(),
        kind=kind,
        happened_at=moment,
        recorded_at=clock.now(),
        who=who,
        why=why,
        transformation=transformation,
        dispatch_line=dispatch_line,
        purchase_order_line=purchase_order_line,
        corrects=corrects,
        portion=portion,
    )
    Movement.objects.bulk_create(
        Movement(
            event=event,
            portion=change.portion,
            lot_id=fresh[change.portion.pk].lot_id,
            quantity=change.quantity,
        )
        for change in changes
    )
    for pk, total in totals.items():
        if total:
            Portion.objects.filter(pk=pk).update(on_hand=F("on_hand") + total)
            portions[pk].on_hand = fresh[pk].on_hand + total
    return event


def _check_total(portion: Portion, total: int) -> None:
    item = portion.lot.item
    left = portion.on_hand + total
    if left < 0:
        raise Shortage(
            f"lot {portion.lot.number} of {item.code} has {show_quantity(portion.on_hand, item.measure)} here",
            code="not_on_hand",
            shortages=[
                {
                    "item": item.code,
                    "lot": portion.lot.number,
                    "wanted": show_quantity(-total, item.measure),
                    "free": show_quantity(portion.on_hand, item.measure),
                }
            ],
        )
    if left > limit_of(item.measure):
        raise BadInput(
            f"more than {show_quantity(limit_of(item.measure), item.measure)} in one portion", code="too_much"
        )


def free_down_to(*, portion: Portion, on_hand: int) -> list[Freed]:
    """Free reservations of this portion until they fit ``on_hand``: demands and batches planned latest first.

    Opens one alert a holder. The caller holds the item lock and writes the new balance itself.
    """
    reservations = list(
        Reservation.objects.filter(portion=portion).select_related(
            "transformation", "demand__customer", "demand__item"
        )
    )
    over = sum(row.quantity for row in reservations) - on_hand
    freed: list[Freed] = []
    for row in sorted(reservations, key=_latest_first):
        if over <= 0:
            break
        quantity = min(over, row.quantity)
        over -= quantity
        change_reservation(reservation=row, by=-quantity)
        freed.append(Freed(holder_of(row), portion.lot.item.code, portion.lot.number, quantity))
    for one in freed:
        open_alert(
            kind="reservation_freed",
            subject=one.holder,
            message=(
                f"{show_quantity(one.quantity, portion.lot.item.measure)} of {one.item} lot {one.lot} "
                f"set aside for {one.holder} is not there any more"
            ),
            facts={
                "item": one.item,
                "lot": one.lot,
                "quantity": show_quantity(one.quantity, portion.lot.item.measure),
            },
        )
    return freed


def _latest_first(row: Reservation) -> tuple[int, int]:
    day: date = row.transformation.planned_for if row.transformation else row.demand.due_on  # type: ignore[union-attr]
    return (-day.toordinal(), -row.pk)


def holder_of(row: Reservation) -> str:
    if row.transformation is not None:
        return f"batch:{row.transformation.code}"
    assert row.demand is not None
    return demand_name(row.demand)


def demand_name(demand: Demand) -> str:
    customer = demand.customer.code if demand.customer else ""
    return f"demand:{customer}/{demand.reference}"


def change_reservation(*, reservation: Reservation, by: int) -> None:
    """Raise or lower one reservation and its portion's balance; at nothing the row goes away."""
    left = reservation.quantity + by
    assert left >= 0
    Portion.objects.filter(pk=reservation.portion_id).update(reserved=F("reserved") + by)
    if left == 0:
        reservation.delete()
    else:
        reservation.quantity = left
        reservation.save(update_fields=["quantity"])


def open_alert(*, kind: str, subject: str, message: str, facts: dict[str, object]) -> Alert:
    """Open an alert, or bring the open one of the same kind and subject up to date."""
    alert, _ = Alert.objects.update_or_create(
        kind=kind, subject=subject[:200], closed_at=None, defaults={"message": message[:500], "facts": facts}
    )
    return alert


def close_alerts(*, kind: str, subjects: Iterable[str]) -> int:
    """Close the open alerts of these subjects; answers how many there were."""
    return Alert.objects.filter(kind=kind, subject__in=list(subjects), closed_at=None).update(
        closed_at=clock.now()
    )


def portion_of(*, lot: Lot, place: str = "", container: str = "", set_apart: bool = False) -> Portion:
    """The lot's portion in this place and condition, made empty where there is none yet."""
    portion, _ = Portion.objects.get_or_create(lot=lot, place=place, container=container, set_apart=set_apart)
    return portion
