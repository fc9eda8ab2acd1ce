"""Small makings for tests of notices: a lot that ends on a day, a job of upkeep, a morning gone through."""

from __future__ import annotations

from datetime import date
from typing import Any

import time_machine

from inventory.models import Item, Lot, Portion
from planner import tasks
from planner.notices import upkeep
from planner.notices.models import Notice, Telling, Upkeep


def lot(number: str, *, item: str = "WAX", quantity: int = 100_000, status: str = "released", **more: Any) -> Lot:
    """A lot with something on hand. ``of_item`` changes its item."""
    of_item = {"name": item, "kind": "raw", "caps_life": True} | more.pop("of_item", {})
    kept, _ = Item.objects.get_or_create(code=item, defaults=of_item)
    made = Lot.objects.create(
        item=kept, number=number, number_folded=number.casefold(), origin="opening", status=status, **more
    )
    Portion.objects.create(lot=made, on_hand=quantity)
    return made


def job(code: str, first_on: date, **more: Any) -> Upkeep:
    values = {"name": f"job {code}", "first_on": first_on, "every": 1, "unit": "month", "soon_days": 0}
    return upkeep.make_job(code=code, values=values | more)


def ring() -> None:
    """What the beat rings for, once."""
    tasks.look_at_causes()
    tasks.sweep_notices()


def ring_at(*moments: str) -> None:
    for moment in moments:
        with time_machine.travel(moment, tick=False):
            ring()


def notice(key: str) -> Notice:
    return Notice.objects.get(key__startswith=key)


def told(key: str, channel: str = "page") -> list[tuple[str, str, str]]:
    """Day and stage of what was told of a notice, and the instant at which it was claimed, in order."""
    rows = Telling.objects.filter(notice__key__startswith=key, channel=channel).order_by("pk")
    return [(str(row.stage_on), row.stage, row.claimed_at.isoformat()) for row in rows]


def days_told(key: str) -> list[str]:
    return [day for day, _, _ in told(key)]
