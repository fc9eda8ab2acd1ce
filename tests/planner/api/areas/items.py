"""Items, parties, offers."""

from __future__ import annotations

from inventory.models import Item, Offer
from tests.inventory.builders import make_item, make_party


def _offers(count: int) -> None:
    for _ in range(count):
        Offer.objects.create(supplier=make_party(), item=make_item(), pack=1000, lead_time_days=1)


def _items(count: int) -> None:
    for _ in range(count):
        make_item(kind=Item.Kind.SUPPLY)


def _parties(count: int) -> None:
    for _ in range(count):
        make_party()


FILLERS = {"items": _items, "parties": _parties, "offers": _offers}
WRONG = {
    ("POST", "items", "item"): ["TIN"],
    ("POST", "items", "shelf_life_hours"): [24],
    ("POST", "items", "min_percent"): ["13"],
    ("PATCH", "item", "measure"): ["mass"],
    ("PATCH", "item", "safety_stock"): ["1 kg", "1.5 pc"],
    ("POST", "parties", "party"): ["LANE"],
    ("POST", "offers", "supplier"): ["LANE"],
    ("POST", "offers", "pack"): ["3 pc", "1 kg", "5 mL"],
    ("PATCH", "offers", "pack"): ["3 pc", "7 kg"],
    ("POST", "offer-withdraw", "pack"): ["3 pc", "7 kg"],
}
