"""Writing an item down, and changing what is written of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import changes_of
from inventory.api.items import NewItemWithKeeping, read_item
from inventory.models import Item
from inventory.pages.conventions import read_days
from inventory.pages.frame import Done, Facts, FormPage
from inventory.pages.shelf import KINDS_TOLD
from inventory.quantities import MASS
from inventory.services.items import change_item, make_item

YES_NO = [("yes", "yes"), ("no", "no")]
MEASURES = [("mass", "by mass"), ("count", "by the piece")]
BASES = [("study", "a study"), ("assessor", "the safety assessor")]
RELEASES = [("decision", "by a decision"), ("checks", "by its checks")]


NEVER = "never"


class NewItemOnAPage(NewItemWithKeeping):
    notice_days = fields.Text(80, required=False, allow_null=True)


class ItemChangesOnAPage(changes_of(NewItemWithKeeping, "ItemFormChanges", without=["item"])):  # type: ignore[misc]
    notice_days = fields.Text(80, required=False, allow_null=True)


def notice_days_of(text: str | None) -> list[int] | None:
    """ "60 14" as days, "never" as none of them; None where nothing is said. Raises BadInput."""
    if text is None:
        return None
    if text.strip().lower() == NEVER:
        return []
    return read_days(text, "notice_days", least=0, such_as=f'"60 14", or "{NEVER}"')


def with_days(asked: dict[str, Any]) -> dict[str, Any]:
    """What was asked, with the days of notice as days where they were given."""
    return asked | {name: notice_days_of(text) for name, text in asked.items() if name == "notice_days"}


def notice_days_told(days: list[int] | None) -> str:
    return "" if days is None else " ".join(map(str, days)) or NEVER


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
    form = NewItemOnAPage

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        return {"measure": MASS, "item": request.GET.get("item", "")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        code = asked.pop("item")
        make_item(code=code, facts=with_days(asked))
        return Done(_card(code), f"{code} is written down.")


class ChangeItem(ItemForm):
    guards = True
    form = ItemChangesOnAPage
    clears: ClassVar = True

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return super().facts(request, **where) | {"row": read_item(where["item"])}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        row: Mapping[str, Any] = facts["row"]
        told = {"notice_days": notice_days_told(row["notice_days"])}
        return {name: row[name] for name in self.form._declared_fields} | told

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        item: Item = change_item(code=where["item"], changes=with_days(asked))
        return Done(_card(item.code), f"{item.code} is changed.")


def _card(code: str) -> str:
    return reverse("item-card", kwargs={"item": code})


ROUTES = [
    path("shelf/new-item", NewItemPage.as_view(), name="new-item"),
    path("shelf/item/<code:item>/change", ChangeItem.as_view(), name="item-change"),
]
