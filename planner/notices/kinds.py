"""The kinds of notices, as pure data: for which roles, who may see them, when they are told.

What stands here is the default; the owner's changes are rows of ``NoticeRule``. Days before and after are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from inventory.models.items import DEFAULT_NOTICE_DAYS
from planner.api.roles import BUYER, HELPER, MAKER, OWNER, QUALITY, READERS, READERS_AND_HELPER
from planner.notices.models import NoticeRule

# How often a source is looked at besides the morning.
EVERY_MINUTE = 60
EVERY_QUARTER = 900


@dataclass(frozen=True, slots=True)
class Kind:
    """``title`` heads its part of a letter. ``soon_days`` before it is due it is told, a source may give others;
    ``escalate_days`` after it is overdue the owner is told too. ``every`` is in seconds."""

    name: str
    title: str
    roles: tuple[str, ...]
    seen_by: tuple[str, ...]
    soon_days: tuple[int, ...] = ()
    escalate_days: int | None = None
    at_once: bool = False
    every: int = EVERY_QUARTER


_ALL = (
    Kind("stability_pull", "Stability pulls", (QUALITY,), READERS, (7, 1), 7),
    Kind(
        "out_of_limits", "Readings outside their limits", (QUALITY,), READERS, (), 2, at_once=True, every=EVERY_MINUTE
    ),
    Kind("check_failed", "Release checks that failed", (QUALITY,), READERS, (), 2, at_once=True, every=EVERY_MINUTE),
    Kind("lot_expiring", "Lots that expire", (MAKER,), READERS_AND_HELPER, DEFAULT_NOTICE_DAYS, 14),
    Kind("retest_due", "Lots to look at again", (QUALITY,), READERS_AND_HELPER, (14, 3), 14),
    Kind("bulk_storage", "Bulk past its storage time", (MAKER, QUALITY), READERS_AND_HELPER, (3,), 7),
    Kind("container_running_out", "Opened containers", (MAKER,), READERS_AND_HELPER, (14, 3), 14),
    Kind("samples_past_keeping", "Retained samples past their keeping", (QUALITY,), READERS_AND_HELPER),
    Kind("life_short", "Finished lots that customers will not take", (BUYER,), READERS, (30, 7)),
    Kind("reorder", "To order", (BUYER,), READERS, (7,), 3),
    Kind("reservation_broken", "Broken reservations", (MAKER,), READERS, (), 2, at_once=True, every=EVERY_MINUTE),
    Kind("lot_held", "Held lots", (MAKER, QUALITY), READERS_AND_HELPER, (), 7, at_once=True, every=EVERY_MINUTE),
    Kind("order_late", "Deliveries that did not come", (BUYER,), READERS, (), 7),
    Kind("demand_late", "Customers who wait", (BUYER,), READERS, (), 3),
    Kind("release_overdue", "Lots that wait for a decision", (QUALITY,), READERS_AND_HELPER, (), 7),
    Kind("batch_coming", "Batches to make", (MAKER, HELPER), READERS_AND_HELPER),
    Kind("upkeep", "Upkeep", (MAKER,), READERS_AND_HELPER, (3,), 7),
)
KINDS: dict[str, Kind] = {kind.name: kind for kind in _ALL}
ESCALATE_TO = OWNER


def kinds_now() -> Mapping[str, Kind]:
    """The kinds as the owner wants them. One query."""
    found = dict(KINDS)
    for rule in NoticeRule.objects.filter(kind__in=KINDS):
        found[rule.kind] = as_changed(KINDS[rule.kind], rule)
    return found


def as_changed(kind: Kind, rule: NoticeRule) -> Kind:
    """A kind with what the owner's rule changes."""
    changes: dict[str, object] = {}
    if rule.roles is not None:
        changes["roles"] = tuple(rule.roles)
    if rule.soon_days is not None:
        changes["soon_days"] = tuple(rule.soon_days)
    for name in ("at_once", "escalate_days"):
        value = getattr(rule, name)
        if value is not None:
            changes[name] = value
    return replace(kind, **changes)  # type: ignore[arg-type]


def seen_with(roles: frozenset[str]) -> list[str]:
    """The kinds that somebody with these roles may see."""
    return [name for name, kind in KINDS.items() if roles & set(kind.seen_by)]
