"""Counting, discarding and sampling: what is truly there wins over what the books promised."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from django.db.models import Sum

from inventory.models import Movement, Portion, StockEvent
from inventory.services.ledger import Change, check_quantity, fresh_portion, moment_of, post
from inventory.transactions import lock_items, write

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@write
def count(
    *,
    portion: Portion,
    counted: int,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Put on the books what was counted in a portion. A count that agrees is kept too, as an event that moved nothing.

    A count of an earlier moment is compared with what the books held then; what moved since stays.
    Reservations that no longer fit are freed, with an alert.
    """
    check_quantity(portion.lot.item, counted, field="counted", minimum=0)
    moment = moment_of(happened_at)
    lock_items([portion.lot.item_id])
    portion = fresh_portion(portion)
    since = (
        Movement.objects.filter(portion=portion, event__happened_at__gt=moment).aggregate(total=Sum("quantity"))[
            "total"
        ]
        if happened_at is not None
        else None
    )
    difference = counted - (portion.on_hand - (since or 0))
    return post(
        kind=StockEvent.Kind.COUNTED,
        changes=[Change(portion, difference)] if difference else [],
        happened_at=moment,
        who=who,
        why=why,
        portion=portion,
    )


@write
def discard(
    *,
    portion: Portion,
    quantity: int,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Take out what was thrown away, whatever the lot's status. Raises Shortage "not_on_hand" above the book."""
    return take_out(StockEvent.Kind.DISCARDED, portion, quantity, happened_at, who, why)


@write
def sample(
    *,
    portion: Portion,
    quantity: int,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> StockEvent:
    """Take out samples, whatever the lot's status: a quarantined lot is sampled before it is decided on."""
    return take_out(StockEvent.Kind.SAMPLED, portion, quantity, happened_at, who, why)


def take_out(
    kind: str, portion: Portion, quantity: int, happened_at: datetime | None, who: User | None, why: str
) -> StockEvent:
    """Post what leaves the stock for good, whatever the lot's status: discarded, sampled, sent back."""
    check_quantity(portion.lot.item, quantity)
    lock_items([portion.lot.item_id])
    return post(
        kind=kind, changes=[Change(portion, -quantity)], happened_at=happened_at, who=who, why=why, portion=portion
    )
