"""When stock may be used: last days, and why a portion may not be used on a day. Reads rows, asks no database.

Item, lot and portion may be model rows or anything with the same attributes; nothing is looked up here,
so that one rule serves the services, the selectors and the snapshot of the plan.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from inventory.errors import Unusable
from inventory.models import Item, Lot, Portion

# In the order in which they are told: the first that applies is the reason.
REJECTED = "rejected"
HELD = "held"
SET_APART = "set_apart"
EXPIRED = "expired"
QUARANTINE = "quarantine"
RETEST = "retest"
NOT_YET = "not_yet"

SENTENCES = {
    REJECTED: "is rejected",
    HELD: "is held",
    SET_APART: "is set apart until it is decided on",
    EXPIRED: "is past its last day",
    QUARANTINE: "is not released",
    RETEST: "is past its retest day: look at it again and set the next one",
    NOT_YET: "is not here yet on that day",
}


def life_days_of(item: Item) -> int | None:
    """Days of life after the received or made day; None: no life known."""
    return plan_days_of_life(item.shelf_life_days, item.shelf_life_hours)


def plan_days_of_life(shelf_life_days: int | None, shelf_life_hours: int | None) -> int | None:
    """The same from columns. A life kept in hours counts as its whole days less one, at least the made day itself."""
    if shelf_life_days is not None:
        return shelf_life_days
    if shelf_life_hours is not None:
        return max(0, shelf_life_hours // 24 - 1)
    return None


def lot_last_day_of(lot: Lot, item: Item) -> date | None:
    """The last day of an unopened lot, inclusive; None: never spoils.

    A blank expiry is the received or made day plus the item's life.
    """
    return last_day_from(lot.expires_on, lot.received_on, life_days_of(item))


def last_day_of(lot: Lot, portion: Portion, item: Item) -> date | None:
    """The last day of a portion, inclusive: the lot's, or opened day plus opened life where that is earlier."""
    return last_day_from(lot.expires_on, lot.received_on, life_days_of(item), portion.opened_on, item.opened_life_days)


def last_day_from(
    expires_on: date | None,
    received_on: date | None,
    life_days: int | None,
    opened_on: date | None = None,
    opened_life_days: int | None = None,
) -> date | None:
    """The same from columns; a blank opened day or life leaves the lot's own last day."""
    last_day = expires_on
    if last_day is None and received_on is not None and life_days is not None:
        last_day = received_on + timedelta(days=life_days)
    if opened_on is not None and opened_life_days is not None:
        opened_until = opened_on + timedelta(days=opened_life_days)
        last_day = opened_until if last_day is None else min(last_day, opened_until)
    return last_day


def _opened_until(portion: Portion, item: Item) -> date | None:
    if portion.opened_on is None or item.opened_life_days is None:
        return None
    return portion.opened_on + timedelta(days=item.opened_life_days)


def retest_day_of(lot: Lot, item: Item) -> date | None:
    """The day through which a lot may be used before it is looked at again; None: never."""
    return retest_day_from(lot.retest_on, lot.received_on, item.retest_days)


def retest_day_from(retest_on: date | None, received_on: date | None, retest_days: int | None) -> date | None:
    """The same from columns."""
    if retest_on is not None:
        return retest_on
    if received_on is None or retest_days is None:
        return None
    return received_on + timedelta(days=retest_days)


def here_from(lot: Lot) -> date | None:
    """The day from which a released lot counts as here; None: always."""
    days = [day for day in (lot.received_on, lot.available_on) if day is not None]
    return max(days) if days else None


def is_expired(lot: Lot, portion: Portion, item: Item, on: date, at: datetime | None = None) -> bool:
    """Whether the last day is past. With a moment, a life kept in hours is counted to the minute from the making.

    An expiry that was capped below the life in hours (by an input that spoils first) stays a day.
    """
    last_day = last_day_of(lot, portion, item)
    if at is None or lot.made_at is None or item.shelf_life_hours is None:
        return last_day is not None and last_day < on
    if at >= lot.made_at + timedelta(hours=item.shelf_life_hours, minutes=1):
        return True
    opened_until = _opened_until(portion, item)
    if opened_until is not None and opened_until < on:
        return True
    life_days = life_days_of(item)
    if lot.expires_on is None or lot.received_on is None or life_days is None:
        return False
    capped = lot.expires_on < lot.received_on + timedelta(days=life_days)
    return capped and lot.expires_on < on


def unusable_reason(lot: Lot, portion: Portion, item: Item, on: date, at: datetime | None = None) -> str:
    """Why this portion may not be used on this day (at this moment), the first reason that applies; "" where it may."""
    if lot.status == Lot.Status.REJECTED:
        return REJECTED
    if lot.status == Lot.Status.HELD:
        return HELD
    if portion.set_apart:
        return SET_APART
    if is_expired(lot, portion, item, on, at):
        return EXPIRED
    if lot.status == Lot.Status.QUARANTINE:
        return QUARANTINE
    retest_on = retest_day_of(lot, item)
    if retest_on is not None and retest_on < on:
        return RETEST
    here = here_from(lot)
    if here is not None and here > on:
        return NOT_YET
    return ""


def check_usable(portion: Portion, on: date, at: datetime | None = None) -> None:
    """Raise Unusable, with the reason in its facts, where this portion may not be used. Needs its lot and item."""
    lot, item = portion.lot, portion.lot.item
    reason = unusable_reason(lot, portion, item, on, at)
    if reason:
        raise Unusable(
            f"lot {lot.number} of {item.code} {SENTENCES[reason]}",
            reason=reason,
            item=item.code,
            lot=lot.number,
        )
