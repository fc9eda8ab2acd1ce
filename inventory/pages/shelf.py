"""The shelf: what is kept and what of it is free, the cards of items and lots, and finding by any word or number."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import path, reverse

from inventory import clock, shelf
from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.items import KINDS
from inventory.api.pages import Listing
from inventory.errors import BadInput
from inventory.gs1 import Scanned, looks_scanned, read_scan
from inventory.models import Item
from inventory.pages.frame import Facts, Page, chosen, cut

KINDS_TOLD = [
    ("raw", "raw materials"),
    ("packaging", "packaging"),
    ("intermediate", "made here, used here"),
    ("product", "products"),
    ("supply", "supplies"),
]
SHOWING_TOLD = [
    ("here", "what is here"),
    ("ending", "what ends within 30 days"),
    ("short", "what runs short"),
]


class ShelfFilters(Form):
    find = fields.Text(200, required=False)
    kind = fields.Choice(*KINDS, required=False)
    showing = fields.Choice(*(value for value, _ in SHOWING_TOLD), required=False)


class Shelf(Page):
    """Items by code, fifty on a page. What is sought is found among items and among the numbers of lots."""

    template_name = "inventory/shelf.html"
    section = "shelf"

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        facts = self.facts(request, **where)
        alone = facts["alone"]
        # A label that was scanned leads to its lot at once; while somebody still types, nothing moves.
        if alone and not request.headers.get("HX-Request"):
            return HttpResponseRedirect(alone)
        return self.shown(request, facts)

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(ShelfFilters, request)
        sought, today = asked.get("find", ""), clock.today()
        scanned, told = _scanned(sought)
        found = None if not sought else _items_found(scanned, sought)
        lots = [] if not sought else shelf.find_lots_beginning(scanned.lot if scanned else sought)
        listing = Listing(
            shelf.items_shown(kind=asked.get("kind"), showing=asked.get("showing"), found=found, today=today),
            "code",
            show_page=lambda rows: list(shelf.shelf_rows(rows, today)),  # type: ignore[arg-type]
        )
        shown = cut(listing, request)
        return {
            "form": form,
            "cut": shown,
            "lots": lots,
            "sought": sought,
            "scan_told": told,
            "today": today,
            "kinds": KINDS_TOLD,
            "showings": SHOWING_TOLD,
            "alone": _alone(lots, shown.rows, sought, scanned),
            "nothing_kept": not sought and not asked and not shown.rows and not Item.objects.exists(),
        }


def _scanned(sought: str) -> tuple[Scanned | None, str]:
    """What a scanned symbol holds; and, where it cannot be read, why."""
    if not looks_scanned(sought):
        return None, ""
    try:
        return read_scan(sought, "find"), ""
    except BadInput as error:
        return None, error.faults[0].accepted


def _items_found(scanned: Scanned | None, sought: str) -> list[int]:
    if scanned is None:
        return shelf.find_items(sought)
    found = shelf.item_scanned(scanned)
    return [] if found is None else [found.pk]


def _alone(lots: list[shelf.Row], items: list[Any], sought: str, scanned: Scanned | None) -> str:
    """The card of the one lot that bears exactly this number, where nothing else was found; else ""."""
    wanted = shelf.folded(scanned.lot if scanned else sought)
    codes = {row.item["code"] for row in items}
    exact = [
        lot
        for lot in lots
        if wanted in {shelf.folded(lot[name]) for name in ("number", "supplier_lot", "maker_lot")}
        and (not items or lot["item"]["code"] in codes)
    ]
    if len(exact) != 1 or not wanted or (items and scanned is None):
        return ""
    return lot_address(exact[0]["item"]["code"], exact[0]["number"])


def lot_address(item: str, lot: str) -> str:
    return reverse("lot-card", kwargs={"item": item, "lot": lot})


class ItemCard(Page):
    template_name = "inventory/item_card.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        today = clock.today()
        return {"card": shelf.item_card(where["item"], today), "today": today}


class LotCard(Page):
    template_name = "inventory/lot_card.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        card = shelf.lot_card(where["item"], where["lot"])
        return {"card": card, "lot": card.lot, "item": card.item, "today": clock.today()}


ROUTES = [
    path("shelf", Shelf.as_view(), name="shelf"),
    path("shelf/item/<code:item>", ItemCard.as_view(), name="item-card"),
    path("shelf/lot/<code:item>/<code:lot>", LotCard.as_view(), name="lot-card"),
]
