"""Where things stand: each place with what is there. Places are names that people write on portions."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Min, QuerySet

from inventory.models import Portion

MOST_PLACES = 500
ROW = (
    "pk", "lot__item__code", "lot__item__name", "lot__item__measure", "lot__number", "lot__status", "lot__expires_on",
    "container", "opened_on", "set_apart", "on_hand", "reserved",
)  # fmt: skip


def _standing() -> QuerySet[Portion]:
    return Portion.objects.filter(on_hand__gt=0)


def places_in_use() -> list[dict[str, Any]]:
    """Each place where something stands, by name, "" last: items, lots, portions, and the first last day. One query."""
    rows: Any = _standing().values("place")
    counted = rows.annotate(
        items=Count("lot__item", distinct=True),
        lots=Count("lot", distinct=True),
        portions=Count("pk"),
        first_last_day=Min("lot__expires_on"),
    ).order_by("place")[:MOST_PLACES]
    return sorted(counted, key=lambda row: row["place"] == "")


def standing_in(place: str) -> QuerySet[Portion, dict[str, Any]]:
    """Rows of ROW of what stands in a place, to be cut by ``pk``."""
    return _standing().filter(place=place).values(*ROW)
