"""The change log: who changed what in master data, from what to what."""

from __future__ import annotations

import json
from typing import Any

from django.contrib.auth import get_user_model
from django.http import HttpRequest
from django.urls import path

from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.models import ChangeRecord
from inventory.pages.frame import Facts, Page, chosen, cut
from planner.api.privacy import COLUMNS, change_row

KINDS = [
    ("item", "items"), ("party", "suppliers and customers"), ("offer", "offers"), ("formula", "formulas"),
    ("protocol", "protocols"), ("setting", "settings"), ("person", "people"),
]  # fmt: skip


class ChangesShown(Form):
    kind = fields.Choice(*ChangeRecord.Kind.values, required=False)
    code = fields.Text(required=False)
    who = fields.Text(150, required=False)


class Changes(Page):
    """The latest first; of what was made or withdrawn, everything that it said."""

    template_name = "planner/changes.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(ChangesShown, request)
        rows = ChangeRecord.objects.all()
        if "who" in asked:
            rows = rows.filter(who__username=asked["who"])
        rows = rows.filter(**{name: asked[name] for name in ("kind", "code") if name in asked})
        people: Any = get_user_model().objects.order_by("username").values_list("username", "first_name")
        return {
            "form": form,
            "asked": bool(asked),
            "kinds": KINDS,
            "people": [(username, name or username) for username, name in people[:500]],
            "cut": cut(Listing(rows.values(*COLUMNS), "-pk", _row), request),
        }


def _row(row: dict[str, Any]) -> dict[str, Any]:
    return change_row(row) | {"said": _pairs(row["before"] or row["after"]) if not row["field"] else []}


def _pairs(text: str) -> list[tuple[str, str]]:
    """The facts of a record that was made or withdrawn; none where they were blanked."""
    try:
        found = json.loads(text)
    except ValueError:
        return []
    return [(name.replace("_", " "), str(value)) for name, value in found.items()] if isinstance(found, dict) else []


ROUTES = [path("workshop/changes", Changes.as_view(), name="changes")]
