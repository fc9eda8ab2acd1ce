"""The week's pages in the demo's workshop."""

from __future__ import annotations

from production.models import Batch


def _batch(status: str) -> dict[str, str]:
    found = Batch.objects.select_related("transformation").filter(status=status).order_by("pk").first()
    if found is None:
        found = (
            Batch.objects.select_related("transformation").filter(status__in=("planned", "reserved")).order_by("pk")[0]
        )
    return {"batch": found.transformation.code}


def _item() -> dict[str, str]:
    line = Batch.objects.filter(status="planned").order_by("pk")[0].version.lines.order_by("position")[0]
    return {"item": line.item.code}


WHERE = {
    "week-batch": lambda: _batch("planned"),
    "week-batch-reserve": lambda: _batch("planned"),
    "week-batch-free": lambda: _batch("reserved"),
    "week-batch-cancel": lambda: _batch("planned"),
    "item-days": _item,
    "item-days-picture": _item,
}
