"""Taking a wrong reading back: whose readings a helper corrects is a matter of roles, which the bench does not know."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.errors import NotAllowed
from inventory.models.items import WHY_LENGTH
from inventory.pages.conventions import show_quantity
from inventory.pages.frame import Done, Facts, FormPage, person_of
from planner.api.access import roles_of
from planner.api.roles import MAKER, OWNER
from planner.shared_screen import screen_of
from production import selectors
from production.models import Weighing
from production.services import weighing


class Why(Form):
    why = fields.Text(WHY_LENGTH)


class TakeBack(FormPage):
    form = Why
    template_name = "planner/take_back_reading.html"
    section = "batch-sheets"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        reading = self._reading(where)
        return {
            "reading": reading,
            "line": reading.line,
            "batch": where["batch"],
            "mine": self._may(request, reading),
            "back": reverse("batch", kwargs={"batch": where["batch"]}),
        }

    def _reading(self, where: dict[str, Any]) -> Weighing:
        return selectors.find_weighing(selectors.find_batch(where["batch"]), where["event"])

    def _may(self, request: HttpRequest, reading: Weighing) -> bool:
        """One's own, or any as the maker; at a shared screen one's own alone: a PIN decides on nobody else's work."""
        if reading.event.who_id == person_of(request).pk:
            return True
        return screen_of(request) is None and bool(roles_of(request.user) & {MAKER, OWNER})

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        reading = self._reading(where)
        if not self._may(request, reading):
            raise NotAllowed(
                "a helper, and everyone at a shared screen, corrects readings of their own; "
                "the maker who signed in with a password corrects any"
            )
        amount = show_quantity(reading.quantity, reading.lot.item)
        weighing.correct_weighing(weighing=reading, who=person_of(request), why=asked["why"])
        told = f"Line {reading.line.position}: {amount} of lot {reading.lot.number} taken back."
        return Done(reverse("batch", kwargs={"batch": where["batch"]}) + f"?line={reading.line.position}#now", told)


ROUTES = [
    path(
        "batch-sheets/<code:batch>/readings/<uuid:event>/take-back", TakeBack.as_view(), name="batch-correct-weighing"
    ),
]
