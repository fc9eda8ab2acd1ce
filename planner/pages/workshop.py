"""The Workshop: where to find what is set up once and seen to now and then."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path

from inventory.pages.frame import Facts, Page
from planner.pages.workshop_words import words_for


class Workshop(Page):
    """The table of contents of the workshop's own folder: what the person may open."""

    template_name = "planner/workshop.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"entries": words_for(request.may)}  # type: ignore[attr-defined]


ROUTES = [path("workshop", Workshop.as_view(), name="workshop")]
