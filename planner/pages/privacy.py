"""Blanking a private customer: who it is goes for good, what was sent to it stays on the books."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import order_book
from inventory.api import fields
from inventory.api.frame import Form, named
from inventory.errors import BadInput, Fault
from inventory.pages.frame import Done, Facts, FormPage
from inventory.selectors import find_party
from planner import privacy


class Blanked(Form):
    party = fields.Code(refers_to="parties")
    keep_code = fields.Flag(required=False)
    sure = fields.Flag(required=False)


class Privacy(FormPage):
    form = Blanked
    template_name = "planner/privacy.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        rows = order_book.PARTIES.filter(role__in=("customer", "both")).exclude(name=privacy.BLANK)
        return {"customers": [(row["code"], row["name"]) for row in rows.order_by("code")[:500]]}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return {"party": request.GET.get("party", "")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        party = named(find_party, asked["party"], "party")
        if not asked.get("sure"):
            raise BadInput("it cannot be undone", faults=[Fault("sure", "", "a tick: it cannot be undone")])
        blanked = privacy.blank(party=party, keep_code=asked.get("keep_code", False))
        # What is told is kept for a retry: it names nobody.
        return Done(reverse("party", kwargs={"party": blanked.code}), f"Blanked. The books name it {blanked.code} now.")


ROUTES = [path("workshop/privacy", Privacy.as_view(), name="privacy")]
