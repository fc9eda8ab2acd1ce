"""Writing an item down, and changing what is written of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api.frame import changes_of
from inventory.api.items import NewItem, read_item
from inventory.models import Item
from inventory.pages.frame import Done, Facts, FormPage
from inventory.pages.shelf import KINDS_TOLD
from inventory.quantities import MASS
from inventory.services.items import change_item, make_item

YES_NO = [("yes", "yes"), ("no", "no")]
MEASURES = [("mass", "by mass"), ("count", "by the piece")]
BASES = [("study", "a study"), ("assessor", "the safety assessor")]
RELEASES = [("decision", "by a decision"), ("checks", "by its checks")]


class ItemForm(FormPage):
    """What a new item and a changed one have in common."""

    template_name = "inventory/item_form.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "kinds": KINDS_TOLD,
            "measures": MEASURES,
            "yes_no": YES_NO,
            "bases": BASES,
            "releases": RELEASES,
            "code": where.get("item", ""),
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return texts.get("measure") or MASS


class NewItemPage(ItemForm):
    form = NewItem

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        return {"measure": MASS, "item": request.GET.get("item", "")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        code = asked.pop("item")
        make_item(code=code, facts=asked)
        return Done(_card(code), f"{code} is written down.")


class ChangeItem(ItemForm):
    form = changes_of(NewItem, "ItemFormChanges", without=["item"])
    clears: ClassVar = True

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return super().facts(request, **where) | {"row": read_item(where["item"])}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        row: Mapping[str, Any] = facts["row"]
        return {name: row[name] for name in self.form._declared_fields}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        item: Item = change_item(code=where["item"], changes=asked)
        return Done(_card(item.code), f"{item.code} is changed.")


def _card(code: str) -> str:
    return reverse("item-card", kwargs={"item": code})


ROUTES = [
    path("shelf/new-item", NewItemPage.as_view(), name="new-item"),
    path("shelf/item/<code:item>/change", ChangeItem.as_view(), name="item-change"),
]
