"""The shelf's pages in the demo's workshop."""

from __future__ import annotations

from inventory.models import Item


def more_items(count: int) -> None:
    start = Item.objects.count()
    Item.objects.bulk_create(
        Item(code=f"X{start + at:04d}", name=f"Extra {at}", kind="raw", caps_life=True) for at in range(count)
    )


FILLERS = {"shelf": more_items}
