"""Lot labels to print and stick on: what the eye needs at arm's length, and a symbol that a scanner reads."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path

from inventory import clock, shelf
from inventory.errors import BadInput, Fault
from inventory.models import Lot
from inventory.pages.frame import Facts, Page

MOST = 60


class Labels(Page):
    """One label for each ``?lot=ITEM/LOT``, in that order; ``?each=3`` prints so many of each."""

    template_name = "inventory/labels.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        names = list(dict.fromkeys(request.GET.getlist("lot")))[:MOST]
        each = request.GET.get("each", "1")
        if not each.isdigit() or not 1 <= int(each) <= 40:
            raise BadInput(
                "so many labels cannot be printed", faults=[Fault("each", each[:20], "a number from 1 to 40")]
            )
        pairs = [name.rpartition("/")[::2] for name in names]
        found = shelf.lot_rows(
            Lot.objects.filter(item__code__in={item for item, _ in pairs}, number__in={lot for _, lot in pairs})
        )
        by_name = {(row["item"]["code"], row["number"]): row for row in found}
        lots = [by_name[pair] for pair in pairs if pair in by_name]
        return {
            "lots": lots,
            "labels": [lot for lot in lots for _ in range(int(each))],
            "each": each,
            "missing": [name for name, pair in zip(names, pairs, strict=True) if pair not in by_name],
            "today": clock.today(),
        }


ROUTES = [path("shelf/labels", Labels.as_view(), name="lot-labels")]
