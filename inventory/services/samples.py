"""Samples of a lot: taken from what nobody has set aside, and retained until a day.

What is sampled is out of stock for good: nobody plans, counts or sells it. What is retained of it keeps a row of its
own, so that it is found again and its keeping ends on a day.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Fault, Shortage, WrongState
from inventory.models import Item, Lot, Portion, RetainedSample, RetainedTaking, StockEvent
from inventory.models.items import DEFAULT_KEEP_SAMPLES_DAYS
from inventory.quantities import show_quantity
from inventory.services.counting import sample
from inventory.services.ledger import (
    Change,
    check_quantity,
    check_spot,
    check_why,
    moment_and_day,
    moment_of,
    post,
)
from inventory.transactions import lock_items, write
from inventory.usability import lot_last_day_of

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@write
def take_samples(
    *,
    lot: Lot,
    quantity: int,
    portion: Portion | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Take samples of a lot (needs its item) out of its stock in one event, whatever the lot's status.

    Only what is neither set aside nor set apart is taken: of the portion named, else of all, the fullest first.
    Raises Shortage with ``facts["shortages"]`` where that is less; what lies set aside for others is left to them.
    """
    check_quantity(lot.item, quantity)
    moment = moment_of(happened_at)
    lock_items([lot.item_id])
    rows = Portion.objects.filter(lot=lot, set_apart=False, on_hand__gt=0).order_by("place", "container")
    portions = sorted(
        (row for row in rows if portion is None or row.pk == portion.pk), key=lambda row: row.free, reverse=True
    )
    changes, rest = [], quantity
    for row in portions:
        taken = min(rest, row.free)
        if taken:
            changes.append(Change(row, -taken))
            rest -= taken
    if rest:
        raise _shortage(lot, quantity, quantity - rest)
    return post(kind=StockEvent.Kind.SAMPLED, changes=changes, happened_at=moment, who=who, why=why)


def _shortage(lot: Lot, wanted: int, free: int) -> Shortage:
    measure = lot.item.measure
    shown = {"wanted": show_quantity(wanted, measure), "free": show_quantity(free, measure)}
    return Shortage(
        f"samples of {shown['wanted']} are needed, and {shown['free']} of lot {lot.number} of {lot.item.code} is free",
        shortages=[{"item": lot.item.code, "lot": lot.number} | shown],
    )


@write
def retain(
    *,
    portion: Portion,
    quantity: int,
    place: str = "",
    container: str = "",
    keep_until: date | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> RetainedSample:
    """Take a sample out of a portion (with lot and item) and keep it at a place, through a day.

    The day is the lot's last day plus the item's ``keep_samples_days`` where none is given. Raises BadInput where a
    lot without a last day is given none, or the day is before the sample was taken; Shortage above the book.
    """
    check_spot(place, container)
    moment, taken_on = moment_and_day(happened_at, None)
    until = keep_until or keep_until_day(portion.lot, portion.lot.item)
    if until is None or until < taken_on:
        accepted = f"a day from {taken_on}"
        if until is None:
            accepted += f": lot {portion.lot.number} has no last day to count from"
        raise BadInput(
            "say until when the sample is kept",
            code="no_keep_until" if until is None else "bad_input",
            faults=[Fault("keep_until", str(until or ""), accepted)],
        )
    event = sample(portion=portion, quantity=quantity, happened_at=moment, who=who, why=why)
    return RetainedSample.objects.create(
        lot=portion.lot,
        event=event,
        quantity=quantity,
        left=quantity,
        place=place,
        container=container,
        keep_until=until,
    )


def keep_until_day(lot: Lot, item: Item) -> date | None:
    """The day through which samples of a lot are kept where nobody says another; None where it never spoils."""
    last_day = lot_last_day_of(lot, item)
    days = item.keep_samples_days
    return None if last_day is None else last_day + timedelta(days=DEFAULT_KEEP_SAMPLES_DAYS if days is None else days)


@write
def take_retained(
    *,
    sample: RetainedSample,
    why: str,
    quantity: int | None = None,
    taken_on: date | None = None,
    who: User | None = None,
) -> RetainedSample:
    """Take so much of a retained sample, or all that is left: looked at, sent to a laboratory, thrown away.

    No stock moves: it left the stock when it was sampled. Raises BadInput without a reason or for a day before it was
    sampled, WrongState where nothing is left, Shortage for more than is left.
    """
    if not why.strip():
        raise BadInput("say what it was taken for", code="why_needed", faults=[Fault("why", "", "the reason")])
    check_why(why)
    _, day = moment_and_day(None, taken_on, "taken_on")
    lock_items([sample.lot.item_id])
    sample = RetainedSample.objects.select_related("lot__item", "event").get(pk=sample.pk)
    lot, item = sample.lot, sample.lot.item
    if sample.left == 0:
        raise WrongState(f"nothing is left of this sample of lot {lot.number}", code="nothing_left")
    began = clock.day_of(sample.event.happened_at)
    if day < began:
        raise BadInput("it was sampled later", faults=[Fault("taken_on", str(day), f"a day from {began}")])
    quantity = sample.left if quantity is None else quantity
    check_quantity(item, quantity)
    if quantity > sample.left:
        shown = show_quantity(sample.left, item.measure)
        wanted = show_quantity(quantity, item.measure)
        raise Shortage(
            f"{shown} is left of this sample of lot {lot.number}",
            shortages=[{"item": item.code, "lot": lot.number, "wanted": wanted, "free": shown}],
        )
    RetainedTaking.objects.create(
        sample=sample, quantity=quantity, taken_on=day, why=why, who=who, recorded_at=clock.now()
    )
    sample.left -= quantity
    sample.save(update_fields=["left"])
    return sample
