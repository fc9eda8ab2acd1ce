"""Transforming: lots go in, lots come out. Production's batches stand on these acts."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import Item, Lot, Portion, Reservation, StockEvent, Transformation
from inventory.models.items import CODE_LENGTH
from inventory.numbers import propose_lot_number
from inventory.quantities import MASS
from inventory.services.ledger import (
    Change,
    Posting,
    change_reservation,
    check_quantity,
    check_steps,
    fresh_portion,
    moment_of,
    portion_of,
    post,
    post_all,
)
from inventory.services.lots import NewLot, create_lot
from inventory.services.reserving import free
from inventory.transactions import lock_items, write
from inventory.usability import check_usable

if TYPE_CHECKING:
    from django.contrib.auth.models import User

FOUND = "found at weighing"


@write
def open_transformation(*, code: str, item: Item, planned_for: date, who: User | None = None) -> Transformation:
    """Begin the books of one making. Raises Conflict where the number was used before."""
    if not code or len(code) > CODE_LENGTH:
        raise BadInput(f"a number of 1 to {CODE_LENGTH} characters", code="bad_number")
    if Transformation.objects.filter(code=code).exists():
        fault = Fault("code", code, "a number that was never used")
        raise Conflict(f"the number {code} is taken", code="number_taken", faults=[fault])
    return Transformation.objects.create(code=code, item=item, planned_for=planned_for)


@write
def reschedule(*, transformation: Transformation, planned_for: date, who: User | None = None) -> Transformation:
    _check_open(transformation)
    transformation.planned_for = planned_for
    transformation.save(update_fields=["planned_for"])
    return transformation


@write
def use(
    *,
    transformation: Transformation,
    portion: Portion,
    quantity: int,
    found: bool = False,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Take stock into a making.

    1. Refuse stock that is unusable at the moment (lives in hours are checked to the minute).
    2. Where more was weighed than the book holds: Shortage "not_on_hand", or with ``found`` a count first.
    3. The making's own reservation of the portion gives way, then free stock, then others' reservations,
       the latest first and with an alert: what was weighed is gone.

    Raises Unusable with the reason as ``facts["reason"]``, Shortage, WrongState when the making has ended.
    """
    check_quantity(portion.lot.item, quantity)
    moment = moment_of(happened_at)
    lock_items([portion.lot.item_id])
    _check_open(transformation)
    portion = fresh_portion(portion)
    check_usable(portion, clock.day_of(moment), moment)
    if quantity > portion.on_hand and found:
        post(
            kind=StockEvent.Kind.COUNTED,
            changes=[Change(portion, quantity - portion.on_hand)],
            happened_at=moment,
            who=who,
            why=FOUND,
        )
    own = Reservation.objects.filter(transformation=transformation, portion=portion).first()
    if own is not None:
        change_reservation(reservation=own, by=-min(own.quantity, quantity))
    return post(
        kind=StockEvent.Kind.USED,
        changes=[Change(portion, -quantity)],
        happened_at=moment,
        who=who,
        why=why,
        transformation=transformation,
    )


@write
def draw(
    *,
    transformation: Transformation,
    item: Item,
    quantity: int,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Draw water from the workshop's own tap into a making: opens or continues the day's lot of it.

    The lot's number is the day, such as 20261125. Posts what came (received) and what was used of it; answers
    the latter. Raises BadInput for an item that is not drawn, Unusable when the day's lot is held or rejected.
    """
    if not item.drawn:
        raise BadInput(f"{item.code} is not drawn: take it from a lot", code="not_drawn")
    check_quantity(item, quantity)
    moment = moment_of(happened_at)
    lock_items([item.pk])
    _check_open(transformation)
    day = clock.day_of(moment)
    lot = Lot.objects.select_related("item").filter(item=item, number=f"{day:%Y%m%d}").first()
    if lot is None:
        lot = create_lot(
            NewLot(
                item=item,
                number=f"{day:%Y%m%d}",
                origin=Lot.Origin.DRAWN,
                status=Lot.Status.RELEASED,
                received_on=day,
                note="drawn here",
            ),
            decided_at=moment,
            who=who,
        )
    portion = portion_of(lot=lot)
    check_usable(portion, day, moment)
    came = Posting(
        kind=StockEvent.Kind.RECEIVED,
        changes=[Change(portion, quantity)],
        happened_at=moment,
        who=who,
        why=why,
        transformation=transformation,
    )
    used = Posting(
        kind=StockEvent.Kind.USED,
        changes=[Change(portion, -quantity)],
        happened_at=moment,
        who=who,
        why=why,
        transformation=transformation,
    )
    return post_all([came, used])[1]


@write
def make(
    *,
    transformation: Transformation,
    item: Item,
    quantity: int,
    number: str = "",
    made_at: datetime | None = None,
    expires_on: date | None = None,
    status: str = Lot.Status.QUARANTINE,
    available_on: date | None = None,
    unit_cost_e6: int | None = None,
    trial: bool = False,
    place: str = "",
    container: str = "",
    note: str = "",
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Lot:
    """Put what was made on the books as a new lot. A blank number is given by the workshop's pattern.

    Raises WrongState where it would be released as a trial or without a last day, or when the making has
    ended; Conflict where the item has a lot of that number; BadInput for an expiry before the making.
    """
    check_quantity(item, quantity)
    made_at = moment_of(made_at or happened_at)
    made_on = clock.day_of(made_at)
    lock_items([item.pk])
    _check_open(transformation)
    lot = create_lot(
        NewLot(
            item=item,
            number=number or propose_lot_number(item, made_on),
            origin=Lot.Origin.MADE,
            status=status,
            received_on=made_on,
            made_at=made_at,
            available_on=available_on,
            expires_on=expires_on,
            unit_cost_e6=unit_cost_e6,
            transformation=transformation,
            trial=trial,
            note=note,
        ),
        how=Lot.ReleasedBy.CHECKS,
        decided_at=made_at,
        who=who,
        why=why,
    )
    post(
        kind=StockEvent.Kind.MADE,
        changes=[Change(portion_of(lot=lot, place=place, container=container), quantity)],
        happened_at=happened_at or made_at,
        who=who,
        why=why,
        transformation=transformation,
    )
    return lot


@write
def close(
    *,
    transformation: Transformation,
    made_on: date | None = None,
    residue_mg: int = 0,
    evaporated_mg: int = 0,
    left_in_vessel_mg: int = 0,
    who: User | None = None,
) -> Transformation:
    """End the books of a making: what was lost where is kept, what is still set aside for it is freed."""
    _check_open(transformation)
    for field, mg in (("residue", residue_mg), ("evaporated", evaporated_mg), ("left_in_vessel", left_in_vessel_mg)):
        check_steps(mg, MASS, of=field.replace("_", " "), field=field, minimum=0)
    free(transformation=transformation, who=who)
    transformation.made_on = made_on
    transformation.residue_mg = residue_mg
    transformation.evaporated_mg = evaporated_mg
    transformation.left_in_vessel_mg = left_in_vessel_mg
    transformation.closed_at = clock.now()
    transformation.save()
    return transformation


@write
def reopen(*, transformation: Transformation, who: User | None = None) -> Transformation:
    """Open the books of an ended making again, so that what was used and made can be corrected and ended anew."""
    if transformation.closed_at is None:
        raise WrongState(f"{transformation.code} has not ended", code="not_ended")
    transformation.closed_at = transformation.made_on = None
    transformation.residue_mg = transformation.evaporated_mg = transformation.left_in_vessel_mg = 0
    transformation.save()
    return transformation


def _check_open(transformation: Transformation) -> None:
    transformation.refresh_from_db()
    if transformation.closed_at is not None:
        raise WrongState(f"{transformation.code} has ended", code="ended")
