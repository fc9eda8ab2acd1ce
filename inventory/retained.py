"""Reads of retained samples: which are kept, and which are past their keeping. Columns, a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from inventory.errors import NotFound
from inventory.ledger import among
from inventory.models import Item, RetainedSample, RetainedTaking

SAMPLE_COLUMNS = (
    "pk", "event__uid", "lot__item__code", "lot__item__measure", "lot__number", "event__happened_at", "event__why",
    "event__who__username", "event__corrected_by", "quantity", "left", "place", "container", "keep_until",
)  # fmt: skip
TAKING_COLUMNS = ("sample", "quantity", "taken_on", "why", "who__username", "recorded_at")


def find_retained(event: UUID) -> RetainedSample:
    """The retained sample that this stock event took, with lot, item and event. Raises NotFound."""
    found = RetainedSample.objects.select_related("lot__item", "event").filter(event__uid=event).first()
    if found is None:
        raise NotFound(f"no retained sample {event}")
    return found


def kept_samples() -> QuerySet[RetainedSample]:
    """The retained samples of which something is left."""
    return RetainedSample.objects.filter(left__gt=0)


def past_keeping(on: date) -> QuerySet[RetainedSample]:
    """The kept samples whose last day of keeping is before ``on``: they may be thrown away."""
    return kept_samples().filter(keep_until__lt=on)


def samples(
    *,
    item: Item | None = None,
    number: str | None = None,
    kept: bool | None = None,
    keep_until_before: date | None = None,
) -> QuerySet[RetainedSample]:
    """Retained samples of an item, of lots with our number; those with something left, or with nothing."""
    found = RetainedSample.objects.all() if keep_until_before is None else past_keeping(keep_until_before)
    if item is not None:
        found = found.filter(lot__item=item)
    if number is not None:
        found = found.filter(lot__number=number)
    if kept is not None:
        found = found.filter(left__gt=0) if kept else found.filter(left=0)
    return found


def takings_of(sample_ids: Iterable[int]) -> dict[int, list[dict[str, Any]]]:
    """What was taken of these samples, first to last, by sample id, as TAKING_COLUMNS. One query."""
    found: dict[int, list[dict[str, Any]]] = {pk: [] for pk in sample_ids}
    rows = RetainedTaking.objects.filter(sample__in=among(found)).order_by("pk")
    for row in rows.values(*TAKING_COLUMNS):
        found[row["sample"]].append(dict(row))
    return found
