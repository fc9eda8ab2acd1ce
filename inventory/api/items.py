"""Items: everything that is kept in stock."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Form, Json, View, answer_of, changes_of, lists, reads, writes
from inventory.api.pages import Listing
from inventory.columns import rows_of
from inventory.errors import NotFound
from inventory.models import Item
from inventory.quantities import show_quantity
from inventory.services.items import change_item, make_item

KINDS = tuple(Item.Kind.values)
COLUMNS = (
    "code", "name", "kind", "measure", "inci", "cas", "gtin", "density_g_per_ml", "shelf_life_days",
    "shelf_life_hours", "shelf_life_basis", "caps_life", "opened_life_days", "min_remaining_days", "safety_stock",
    "lead_time_days", "release_by", "release_days", "retest_days", "drawn", "min_percent", "max_percent", "storage",
    "caution", "notice_days", "keep_samples_days",
)  # fmt: skip
ITEMS, CALLED = Item.objects.values(*COLUMNS), {"code": "item"}


class NewItem(Form):
    item = fields.Code()
    name = fields.Text()
    kind = fields.Choice(*KINDS)
    measure = fields.Choice("mass", "count", required=False)
    inci = fields.Text(required=False, blank=True)
    cas = fields.Cas(required=False, blank=True)
    gtin = fields.Gtin(required=False, blank=True)
    density_g_per_ml = fields.Number("0", "100", 6, above=True, required=False, allow_null=True)
    shelf_life_days = fields.Days(required=False, allow_null=True)
    shelf_life_hours = fields.Whole(1, 191, required=False, allow_null=True)
    shelf_life_basis = fields.Choice("study", "assessor", required=False, blank=True)
    caps_life = fields.Flag(required=False)
    opened_life_days = fields.Days(required=False, allow_null=True)
    min_remaining_days = fields.Days(required=False)
    safety_stock = fields.Quantity(0, required=False)
    lead_time_days = fields.Days(required=False)
    release_by = fields.Choice("decision", "checks", required=False)
    release_days = fields.Days(required=False)
    retest_days = fields.Days(required=False, allow_null=True)
    drawn = fields.Flag(required=False)
    min_percent = fields.Percent(required=False, allow_null=True)
    max_percent = fields.Percent(required=False, allow_null=True)
    storage = fields.Text(required=False, blank=True)
    caution = fields.LongText(required=False, blank=True)


class NewItemWithKeeping(NewItem):
    """Besides the columns of the table items: ``notice_days`` before a lot's last day on which its coming end is told
    (null: 90, 30 and 7; none: never), and ``keep_samples_days`` beyond that day for which its retained samples are kept
    (null: 365). The longest storage of a made bulk before it is looked at again is its ``retest_days``."""

    notice_days = fields.ListOf(fields.Days(), most=10, required=False, allow_null=True)
    keep_samples_days = fields.Days(required=False, allow_null=True)


class ItemFilters(Form):
    kind = fields.Choice(*KINDS, required=False)
    drawn = fields.Flag(required=False)


ItemChanges = changes_of(NewItemWithKeeping, "ItemChanges", without=["item"])
ItemAnswer = answer_of(NewItemWithKeeping, "Item")

WAX: Json = {
    "item": "PALE-FLAKES", "name": "Pale flakes", "kind": "raw", "measure": "mass", "inci": "", "cas": "", "gtin": "",
    "density_g_per_ml": None, "shelf_life_days": 730, "shelf_life_hours": None, "shelf_life_basis": "",
    "caps_life": True, "opened_life_days": None, "min_remaining_days": 0, "safety_stock": "500 g",
    "lead_time_days": 0, "release_by": "decision", "release_days": 0, "retest_days": None, "drawn": False,
    "min_percent": None, "max_percent": "12.5", "storage": "dry", "caution": "", "notice_days": [60, 14],
    "keep_samples_days": None,
}  # fmt: skip
TIN: Json = WAX | {
    "item": "TIN", "name": "Tin 50 g", "kind": "packaging", "measure": "count", "shelf_life_days": None,
    "caps_life": False, "safety_stock": "0 pc", "max_percent": None, "storage": "", "notice_days": None,
}  # fmt: skip


def item_row(row: dict[str, Any]) -> Json:
    """The answer's form of one row of COLUMNS, made of the row."""
    row["density_g_per_ml"] = fields.show_decimal(row["density_g_per_ml"])
    row["safety_stock"] = show_quantity(row["safety_stock"], row["measure"])
    row["min_percent"] = fields.show_percentage(row["min_percent"])
    row["max_percent"] = fields.show_percentage(row["max_percent"])
    return row


def read_item(code: str) -> Json:
    for row in rows_of(ITEMS.filter(code=code), CALLED):
        return item_row(row)
    raise NotFound(f"no item {code!r}")


class Items(View):
    @lists(ItemAnswer, filters=ItemFilters, summary="List items", query={"kind": "packaging"}, gives=[TIN])
    def get(self, request: Request, asked: Json) -> Listing:
        """Every item, by code."""
        return Listing(ITEMS.filter(**asked), "code", item_row, called=CALLED)

    @writes(
        NewItemWithKeeping,
        ItemAnswer,
        status=201,
        summary="Make an item",
        asks={
            "item": "PALE-FLAKES", "name": "Pale flakes", "kind": "raw", "shelf_life_days": 730,
            "safety_stock": "0.5 kg", "max_percent": "12.5", "storage": "dry", "notice_days": [14, 60],
        },
        gives=WAX,
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """A new item. What is left out takes the default that a blank cell of the table items has."""
        code = asked.pop("item")
        make_item(code=code, facts=asked)
        return read_item(code)


class OneItem(View):
    @reads(ItemAnswer, summary="Read an item", path={"item": "TIN"}, gives=TIN)
    def get(self, request: Request, asked: Json, item: str) -> Json:
        """One item."""
        return read_item(item)

    @writes(
        ItemChanges,
        ItemAnswer,
        summary="Change an item",
        path={"item": "TIN"},
        asks={"name": "Tin, 50 g", "safety_stock": "40 pc"},
        gives=TIN | {"name": "Tin, 50 g", "safety_stock": "40 pc"},
    )
    def patch(self, request: Request, asked: Json, item: str) -> Json:
        """Change what is given and leave the rest. The code of an item never changes."""
        change_item(code=item, changes=asked)
        return read_item(item)


ROUTES = [
    path("items", Items.as_view(), name="items"),
    path("items/<code:item>", OneItem.as_view(), name="item"),
]
