"""The Day sheet: what is due and overdue for a person, today's batches, and what should be delivered.

Reads only. Notices stand in the order of what it costs to let them lie: first a promise that breaks, last a chore.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.contrib.auth.models import User
from django.db.models import F, Q

from inventory import clock
from inventory.models import Item, PurchaseOrderLine
from planner.notices import selectors
from planner.notices.models import Notice
from planner.week import Entry, entries_of, plan_from_today

Row = dict[str, Any]
MOST_NOTICES = 200
DAYS_AHEAD = 7  # of deliveries

# Groups of kinds, the dearest to ignore first; a kind that is not named here comes last.
GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Promises at risk", ("reservation_broken", "demand_late", "order_late", "reorder", "life_short")),
    (
        "Waiting for a decision",
        ("out_of_limits", "check_failed", "lot_held", "release_overdue", "retest_due", "stability_pull"),
    ),
    (
        "Spoiling, or kept long enough",
        ("lot_expiring", "container_running_out", "bulk_storage", "samples_past_keeping"),
    ),
    ("Round the workshop", ("upkeep",)),
)
_ON_THE_SHEET_ALREADY = ("batch_coming",)
_STAGES = {"escalated": 0, "overdue": 1, "due": 2, "due_soon": 3}


@dataclass(frozen=True, slots=True)
class Group:
    title: str
    notices: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Delivery:
    """What should still come of one line of an order."""

    order: str
    supplier: str
    item: str
    name: str
    measure: str
    quantity: int
    due_on: date


@dataclass(frozen=True, slots=True)
class DaySheet:
    today: date
    groups: tuple[Group, ...]
    more: int  # notices that are not shown
    soon: int  # of those shown that are not due yet
    entries: tuple[Entry, ...]  # to be made today, or left over
    tomorrow: tuple[Entry, ...]
    deliveries: tuple[Delivery, ...]

    @property
    def is_quiet(self) -> bool:
        return not (self.groups or self.entries or self.deliveries)

    @property
    def is_first(self) -> bool:
        """Whether nothing is kept yet. One query, where the day is quiet."""
        return self.is_quiet and not Item.objects.exists()


def day_sheet(person: User, roles: frozenset[str], *, everything: bool = False) -> DaySheet:
    """What concerns a person today: what they are told of, or with ``everything`` all that their roles may see."""
    today = clock.today()
    rows = selectors.visible_to(roles).filter(state=Notice.State.OPEN).exclude(kind__in=_ON_THE_SHEET_ALREADY)
    if not everything:
        rows = rows.filter(selectors.told_to(person))
    found = [
        selectors.notice_row(row, today) for row in rows.order_by("by_day").values(*selectors.COLUMNS)[:MOST_NOTICES]
    ]
    more = rows.count() - len(found) if len(found) == MOST_NOTICES else 0
    tomorrow = today + timedelta(days=1)
    entries = entries_of(plan_from_today().netted, Q(transformation__planned_for__lte=tomorrow))
    return DaySheet(
        today=today,
        groups=tuple(_grouped(found)),
        more=more,
        soon=sum(row["stage"] == "due_soon" for row in found),
        entries=tuple(entry for entry in entries if entry.planned_for <= today),
        tomorrow=tuple(entry for entry in entries if entry.planned_for == tomorrow),
        deliveries=tuple(deliveries_until(today + timedelta(days=DAYS_AHEAD))),
    )


def _grouped(rows: list[Row]) -> Iterable[Group]:
    named = {kind for _, kinds in GROUPS for kind in kinds}
    others = tuple(sorted({row["kind"] for row in rows} - named))
    for title, kinds in (*GROUPS, ("Besides", others)):
        rank = {kind: at for at, kind in enumerate(kinds)}
        mine = [row for row in rows if row["kind"] in rank]
        if mine:
            mine.sort(key=lambda row: (_STAGES[row["stage"]], rank[row["kind"]], row["due_on"], row["what"]))
            yield Group(title, tuple(mine))


def deliveries_until(day: date) -> list[Delivery]:
    """Lines of orders that should come by a day and did not wholly, the longest overdue first. One query."""
    rows = PurchaseOrderLine.objects.filter(closed_at=None, due_on__lte=day, received__lt=F("quantity"))
    return [
        Delivery(*row)
        for row in rows.order_by("due_on", "order__code", "item__code").values_list(
            "order__code",
            "order__supplier__name",
            "item__code",
            "item__name",
            "item__measure",
            F("quantity") - F("received"),
            "due_on",
        )
    ]
