"""What is wanted, what leaves, what comes back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.db.models import F, Sum

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, Shortage, Unusable, WrongState
from inventory.ledger import status_at
from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Lot,
    Party,
    Portion,
    Reservation,
    StockEvent,
)
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.numbers import propose_dispatch_number, with_next_number
from inventory.quantities import show_quantity
from inventory.services.ledger import (
    Change,
    change_reservation,
    check_priority,
    check_quantity,
    check_text,
    close_alerts,
    demand_name,
    demand_subject,
    fresh_portion,
    moment_and_day,
    moment_of,
    portion_of,
    post,
)
from inventory.services.reserving import Taken, Want, free, reserve
from inventory.transactions import lock_items, write
from inventory.usability import check_usable

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@dataclass(frozen=True, slots=True)
class Leaving:
    """So much of one portion that leaves, and the demand it serves."""

    portion: Portion
    quantity: int
    demand: Demand | None = None


@write
def want(
    *,
    item: Item,
    quantity: int,
    due_on: date,
    customer: Party | None = None,
    reference: str = "",
    priority: int | None = None,
    who: User | None = None,
) -> Demand:
    """Write down that so much of an item is wanted on a day: by a customer, or expected at a market (none).

    Raises Conflict where the same item, day, customer and reference is wanted already, BadInput otherwise.
    """
    check_quantity(item, quantity)
    check_priority(priority)
    if customer is not None and not customer.buys:
        raise _no_customer(customer)
    if len(reference) > CODE_LENGTH:
        raise BadInput(f"a reference has at most {CODE_LENGTH} characters", code="bad_number")
    if Demand.objects.filter(item=item, due_on=due_on, customer=customer, reference=reference).exists():
        raise Conflict(
            f"{item.code} is wanted on {due_on} for that customer and reference already",
            code="demand_exists",
            faults=[
                Fault("reference", reference, "another reference: item, day, customer and reference name a demand")
            ],
        )
    return Demand.objects.create(
        item=item, quantity=quantity, due_on=due_on, customer=customer, reference=reference, priority=priority
    )


def _no_customer(party: Party) -> BadInput:
    fault = Fault("customer", party.code, "a customer")
    return BadInput(f"{party.code} is no customer", code="no_customer", faults=[fault])


@write
def reserve_demand(*, demand: Demand, quantity: int | None = None, who: User | None = None) -> list[Taken]:
    """Set stock aside for a demand, as ``reserving.reserve`` does: so much, or all that it wants beyond what it has.

    Raises what ``reserve`` raises; WrongState where nothing more is wanted.
    """
    lock_items([demand.item_id])
    demand.refresh_from_db(fields=["dispatched", "closed_at", "quantity"])
    if demand.closed_at is not None:
        raise WrongState(f"{demand_name(demand)} is closed already", code="closed")
    if quantity is None:
        held = Reservation.objects.filter(demand=demand).aggregate(total=Sum("quantity"))["total"] or 0
        quantity = demand.open_quantity - held
        if quantity <= 0:
            raise WrongState(f"{demand_name(demand)} wants nothing more", code="more_than_wanted")
    return reserve(wants=[Want(demand.item_id, quantity)], on=demand.due_on, demand=demand, who=who)


@write
def close_demand(*, demand: Demand, why: str = "", who: User | None = None) -> Demand:
    """Nothing more is wanted of a demand: what is set aside for it is freed."""
    check_text("why", why, NAME_LENGTH)
    lock_items([demand.item_id])
    demand.refresh_from_db()
    if demand.closed_at is not None:
        raise WrongState(f"{demand_name(demand)} is closed already", code="closed")
    free(demand=demand, who=who)
    demand.closed_at = clock.now()
    demand.closed_why = why
    demand.save(update_fields=["closed_at", "closed_why"])
    return demand


@write
def change_demand(*, demand: Demand, changes: Mapping[str, int | None], who: User | None = None) -> Demand:
    """Another quantity in all, another rank: ``changes`` has ``quantity`` or ``priority`` or both.

    What is set aside beyond the new quantity is freed. Raises WrongState for a closed demand, BadInput for less than
    has left for it already.
    """
    quantity = changes.get("quantity")
    if quantity is not None:
        check_quantity(demand.item, quantity)
    check_priority(changes.get("priority"))
    lock_items([demand.item_id])
    demand.refresh_from_db()
    if demand.closed_at is not None:
        raise WrongState(f"{demand_name(demand)} is closed already", code="closed")
    if quantity is not None and quantity < demand.dispatched:
        left, measure = show_quantity(demand.dispatched, demand.item.measure), demand.item.measure
        raise BadInput(
            f"{left} have left for {demand_name(demand)} already",
            code="less_than_left",
            faults=[Fault("quantity", show_quantity(quantity, measure), f"at least {left}")],
        )
    for name, value in changes.items():
        setattr(demand, name, value)
    demand.save(update_fields=list(changes))
    _free_beyond_wanted(demand)
    return demand


@write
def dispatch(
    *,
    lines: Sequence[Leaving],
    customer: Party | None = None,
    public_place: str = "",
    kind: str = Dispatch.Kind.SALE,
    dispatched_on: date | None = None,
    reference: str = "",
    code: str = "",
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Dispatch:
    """Let lots leave together: to a customer, or to the public at a place.

    1. Check the form of the whole: one of customer and place, quantities, a free code.
    2. Lock the items; for each line read portion and demand again.
    3. Refuse stock that was unusable on the day: what left before its lot was held may be written down after.
       ``damaged`` lets any leave but a trial: it is a write-off.
    4. Take the demand's own reservation of the portion first, then what is free. What is reserved for
       others is not taken, unless it left damaged: then reservations give way, with an alert.
    5. Post; bring the demand along and free what it has set aside beyond what it still wants.

    Raises BadInput, Unusable, Shortage, WrongState (more than the demand still wants), Conflict (code taken). Faults
    name the field (``lines[2].quantity``).
    """
    moment, day = moment_and_day(happened_at, dispatched_on, "dispatched_on")
    _check_form(lines, customer, public_place, kind, reference, code)
    lock_items({line.portion.lot.item_id for line in lines})

    def write_down(code: str) -> Dispatch:
        return Dispatch.objects.create(
            code=code,
            kind=kind,
            customer=customer,
            public_place=public_place,
            dispatched_on=day,
            reference=reference,
        )

    made = write_down(code) if code else with_next_number(lambda: propose_dispatch_number(day), write_down)
    for at, line in enumerate(lines):
        _let_leave(made, line, f"lines[{at}].", moment, who, why)
    return made


def _check_form(
    lines: Sequence[Leaving], customer: Party | None, public_place: str, kind: str, reference: str, code: str
) -> None:
    if not lines:
        raise BadInput("a dispatch has at least one line", code="no_lines")
    if (customer is None) == (public_place == ""):
        fault = Fault("public_place", public_place, "a place, or a customer instead: one of the two")
        raise BadInput("a dispatch goes to a customer, or to the public at a place", code="no_receiver", faults=[fault])
    if customer is not None and not customer.buys:
        raise _no_customer(customer)
    if kind not in Dispatch.Kind.values:
        raise BadInput(f"{kind!r}: one of {', '.join(Dispatch.Kind.values)}", code="bad_kind")
    if max(len(public_place), len(reference), len(code)) > CODE_LENGTH:
        raise BadInput(f"place, reference and code have at most {CODE_LENGTH} characters", code="bad_number")
    if code and Dispatch.objects.filter(code=code).exists():
        raise Conflict(
            f"the dispatch code {code} is taken",
            code="number_taken",
            faults=[Fault("dispatch", code, "a code that no dispatch has")],
        )
    for at, line in enumerate(lines):
        check_quantity(line.portion.lot.item, line.quantity, field=f"lines[{at}].quantity")


def _let_leave(made: Dispatch, line: Leaving, path: str, moment: datetime, who: User | None, why: str) -> None:
    portion = fresh_portion(line.portion)
    damaged = made.kind == Dispatch.Kind.DAMAGED
    _check_may_leave(made, portion, path, moment)
    own = None
    if line.demand is not None:
        _check_demand(made, line, path, portion)
        own = Reservation.objects.filter(demand=line.demand, portion=portion).first()
    from_own = min(own.quantity, line.quantity) if own else 0
    at_most = portion.on_hand if damaged else portion.free + from_own
    if line.quantity > at_most:
        raise _shortage(portion, line.quantity, at_most, path, "not_on_hand" if damaged else "shortage")
    if own is not None and from_own:
        change_reservation(reservation=own, by=-from_own)
    written = DispatchLine.objects.create(dispatch=made, lot=portion.lot, quantity=line.quantity, demand=line.demand)
    post(
        kind=StockEvent.Kind.DISPATCHED,
        changes=[Change(portion, -line.quantity)],
        happened_at=moment,
        who=who,
        why=why,
        dispatch_line=written,
    )
    if line.demand is not None:
        Demand.objects.filter(pk=line.demand.pk).update(dispatched=F("dispatched") + line.quantity)
        line.demand.refresh_from_db()
        _free_beyond_wanted(line.demand)


def _check_may_leave(made: Dispatch, portion: Portion, path: str, moment: datetime) -> None:
    lot = portion.lot
    fault = Fault(f"{path}lot", lot.number, "a lot that may be used on the day")
    if lot.trial:
        raise WrongState(f"lot {lot.number} is a trial: it never leaves", code="trial", faults=[fault])
    if made.kind == Dispatch.Kind.DAMAGED:
        return
    if lot.status != Lot.Status.RELEASED:  # what was sold before a hold was sold: a recall must know to whom
        lot.status = status_at(lot, moment)
    try:
        check_usable(portion, made.dispatched_on, moment)
    except Unusable as error:
        error.faults = [fault]
        raise


def _check_demand(made: Dispatch, line: Leaving, path: str, portion: Portion) -> None:
    demand = line.demand
    assert demand is not None
    demand.refresh_from_db()
    if demand.item_id != portion.lot.item_id:
        raise BadInput(f"{demand_name(demand)} is not for {portion.lot.item.code}", code="wrong_item")
    if demand.customer_id != made.customer_id:
        raise BadInput(f"{demand_name(demand)} is somebody else's", code="wrong_customer")
    if line.quantity > demand.open_quantity:
        wanted = show_quantity(demand.open_quantity, portion.lot.item.measure)
        raise WrongState(
            f"{demand_name(demand)} wants {wanted} more at most: let the rest leave without it",
            code="more_than_wanted",
            faults=[_at_most(line.quantity, demand.open_quantity, portion.lot.item, f"{path}quantity")],
        )


def _at_most(quantity: int, most: int, item: Item, field: str) -> Fault:
    return Fault(field, show_quantity(quantity, item.measure), f"at most {show_quantity(most, item.measure)}")


def _shortage(portion: Portion, wanted: int, at_most: int, path: str, code: str) -> Shortage:
    item = portion.lot.item
    row = {
        "item": item.code,
        "lot": portion.lot.number,
        "wanted": show_quantity(wanted, item.measure),
        "free": show_quantity(at_most, item.measure),
    }
    return Shortage(
        f"lot {portion.lot.number} of {item.code}: {row['free']} free here",
        code=code,
        faults=[_at_most(wanted, at_most, item, f"{path}quantity")],
        shortages=[row],
    )


def _free_beyond_wanted(demand: Demand) -> None:
    """A demand keeps no more set aside than it still wants; what was set aside last goes first. Where nothing is
    wanted any more, no alert says that some of it is missing."""
    rows = list(Reservation.objects.filter(demand=demand).order_by("-pk"))
    over = sum(row.quantity for row in rows) - demand.open_quantity
    if demand.open_quantity <= 0:
        close_alerts(kinds=("reservation_freed", "reservation_broken"), subjects=[demand_subject(demand)])
    for row in rows:
        if over <= 0:
            return
        part = min(over, row.quantity)
        change_reservation(reservation=row, by=-part)
        over -= part


@write
def take_back(
    *,
    dispatch_line: DispatchLine,
    quantity: int,
    place: str = "",
    container: str = "",
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Portion:
    """Goods come back from a customer. They stand apart from the stock until they are decided on.

    Raises WrongState where more comes back than left on that line, or the line was corrected away.
    """
    lot = dispatch_line.lot
    check_quantity(lot.item, quantity)
    lock_items([lot.item_id])
    dispatch_line.refresh_from_db()
    left_on = dispatch_line.dispatch.dispatched_on
    if clock.day_of(moment_of(happened_at)) < left_on:
        fault = Fault("happened_at", str(happened_at), f"from {left_on}, when it left")
        raise BadInput(fault.sentence(), code="before_it_left", faults=[fault])
    out = 0 if dispatch_line.corrected else dispatch_line.quantity - dispatch_line.returned
    if quantity > out:
        raise WrongState(
            f"of that line {show_quantity(out, lot.item.measure)} can still come back",
            code="more_than_left",
            faults=[_at_most(quantity, out, lot.item, "quantity")],
        )
    portion = portion_of(lot=lot, place=place, container=container, set_apart=True)
    post(
        kind=StockEvent.Kind.RETURNED,
        changes=[Change(portion, quantity)],
        happened_at=happened_at,
        who=who,
        why=why,
        dispatch_line=dispatch_line,
    )
    dispatch_line.returned += quantity
    dispatch_line.save(update_fields=["returned"])
    portion.refresh_from_db()
    return portion
