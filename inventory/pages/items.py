"""Writing an item down, and changing what is written of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import changes_of
from inventory.api.items import NewItemWithKeeping, read_item
from inventory.cells import MAX_DAYS
from inventory.errors import BadInput, Fault
from inventory.models import Item
from inventory.pages.frame import Done, Facts, FormPage
from inventory.pages.shelf import KINDS_TOLD
from inventory.quantities import MASS
from inventory.services.items import change_item, make_item

YES_NO = [("yes", "yes"), ("no", "no")]
MEASURES = [("mass", "by mass"), ("count", "by the piece")]
BASES = [("study", "a study"), ("assessor", "the safety assessor")]
RELEASES = [("decision", "by a decision"), ("checks", "by its checks")]


NEVER = "never"
MOST_NOTICE_DAYS = 10


class NewItemOnAPage(NewItemWithKeeping):
    notice_days = fields.Text(80, required=False, allow_null=True)


class ItemChangesOnAPage(changes_of(NewItemWithKeeping, "ItemFormChanges", without=["item"])):  # type: ignore[misc]
    notice_days = fields.Text(80, required=False, allow_null=True)


def notice_days_of(text: str | None) -> list[int] | None:
    """ "60 14" as days, "never" as none of them; None where nothing is said. Raises BadInput."""
    if text is None:
        return None
    words = [] if text.strip().lower() == NEVER else text.replace(",", " ").split()
    right = all(word.isascii() and word.isdigit() and len(word) <= 5 and int(word) <= MAX_DAYS for word in words)
    if not right or len(words) > MOST_NOTICE_DAYS:
        accepted = f'at most {MOST_NOTICE_DAYS} numbers of days such as "60 14", or "{NEVER}"'
        raise BadInput("these are no days", faults=[Fault("notice_days", text, accepted)])
    return [int(word) for word in words]


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
        if "notice_days" in asked:
            asked["notice_days"] = notice_days_of(asked["notice_days"])
        make_item(code=code, facts=asked)
        return Done(_card(code), f"{code} is written down.")


class ChangeItem(ItemForm):
    form = ItemChangesOnAPage
    clears: ClassVar = True

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return super().facts(request, **where) | {"row": read_item(where["item"])}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        row: Mapping[str, Any] = facts["row"]
        told = {"notice_days": notice_days_told(row["notice_days"])}
        return {name: row[name] for name in self.form._declared_fields} | told

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        if "notice_days" in asked:
            asked["notice_days"] = notice_days_of(asked["notice_days"])
        item: Item = change_item(code=where["item"], changes=asked)
        return Done(_card(item.code), f"{item.code} is changed.")


def _card(code: str) -> str:
    return reverse("item-card", kwargs={"item": code})


ROUTES = [
    path("shelf/new-item", NewItemPage.as_view(), name="new-item"),
    path("shelf/item/<code:item>/change", ChangeItem.as_view(), name="item-change"),
]
