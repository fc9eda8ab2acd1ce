"""The shelf's pages in the demo's workshop."""

from __future__ import annotations

from datetime import date
from typing import Any

from inventory.models import Item, Lot, Portion, StockEvent
from inventory.services import buying, counting, lots


def _lot(**conditions: Any) -> Lot:
    return (
        Lot.objects.select_related("item")
        .filter(portions__on_hand__gt=0, **conditions)
        .order_by("item__code", "number")
        .distinct()[0]
    )


def _bought() -> Lot:
    return _lot(origin="received", status="released")


def of_a_lot() -> dict[str, str]:
    lot = _bought()
    return {"item": lot.item.code, "lot": lot.number}


def spot_of_that_lot() -> str:
    return spot(Portion.objects.filter(lot=_bought(), on_hand__gt=0).order_by("pk")[0])


def spot(portion: Portion) -> str:
    apart = "&set_apart=yes" if portion.set_apart else ""
    return f"place={portion.place}&container={portion.container}{apart}"


def of_what_is_apart() -> dict[str, str]:
    portion = _apart()
    return {"item": portion.lot.item.code, "lot": portion.lot.number}


def _apart() -> Portion:
    found = Portion.objects.select_related("lot__item").filter(set_apart=True, on_hand__gt=0).order_by("pk").first()
    if found is None:
        found = lots.set_apart(portion=Portion.objects.filter(lot=_bought(), on_hand__gt=0)[0], why="cracked")
    return found


def spot_of_what_is_apart() -> str:
    return spot(_apart())


def of_an_event() -> dict[str, Any]:
    event = StockEvent.objects.filter(kind="counted", corrected_by=None, movements__isnull=False).order_by("pk").first()
    if event is None:
        portion = Portion.objects.filter(lot=_bought(), on_hand__gt=0)[0]
        event = counting.count(portion=portion, counted=portion.on_hand - 1)
    return {"uid": event.uid}


PORTION_ACTS = ("lot-count", "lot-discard", "lot-sample", "lot-send-back", "lot-move", "lot-open", "lot-set-apart")
LOT_ACTS = ("lot-release", "lot-hold", "lot-reject", "lot-quarantine", "lot-retest")
WHERE = {
    "item-card": lambda: {"item": _bought().item.code},
    "item-change": lambda: {"item": _bought().item.code},
    **dict.fromkeys(("lot-card", "lot-symbol", *PORTION_ACTS, *LOT_ACTS), of_a_lot),
    "lot-put-back": of_what_is_apart,
    "stock-event-correct": of_an_event,
}
QUERY = {
    **dict.fromkeys(PORTION_ACTS, spot_of_that_lot),
    "lot-put-back": spot_of_what_is_apart,
    "lot-labels": lambda: f"lot={_bought().item.code}/{_bought().number}",
}


def more_items(count: int) -> None:
    start = Item.objects.count()
    Item.objects.bulk_create(
        Item(code=f"X{start + at:04d}", name=f"Extra {at}", kind="raw", caps_life=True) for at in range(count)
    )


def more_lots(count: int) -> None:
    """Of the item whose card is looked at: received, each in a place of its own."""
    item, supplier = _bought().item, _bought().supplier
    assert supplier is not None
    start = Lot.objects.count()
    buying.receive(
        supplier=supplier,
        deliveries=[
            buying.Delivery(item=item, quantity=1000, place=f"box {start + at}", expires_on=date(2030, 1, 1))
            for at in range(count)
        ],
    )


def more_counts(count: int) -> None:
    """Of the lot whose card is looked at."""
    portion = Portion.objects.filter(lot=_bought(), on_hand__gt=0).order_by("pk")[0]
    for at in range(count):
        counting.count(portion=portion, counted=portion.on_hand + at % 2)


def more_portions(count: int) -> None:
    portion = Portion.objects.filter(lot=_bought(), on_hand__gt=0).order_by("pk")[0]
    start = Portion.objects.count()
    for at in range(count):
        lots.move(portion=portion, place=f"box {start + at}", quantity=1)


FILLERS = {"shelf": more_items, "item-card": more_lots, "movements": more_counts, "lot-card": more_portions}
