"""The shelf: what is kept, what of it is free, and what can be found by any word or number."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path

from inventory.api.pages import Listing
from inventory.models import Item
from inventory.pages.frame import Facts, Page, cut


class Shelf(Page):
    template_name = "inventory/shelf.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        listing = Listing(Item.objects.values("pk", "code", "name", "measure"), "code", show=dict)
        return {"cut": cut(listing, request)}


ROUTES = [path("shelf", Shelf.as_view(), name="shelf")]
