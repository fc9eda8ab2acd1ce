"""Blanking a private customer; and the change log: who did what to master data."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, named, writes
from inventory.api.pages import Listing
from inventory.api.parties import LANE, PartyAnswer, read_party
from inventory.models import ChangeRecord
from planner import people, privacy

COLUMNS = (
    "pk", "recorded_at", "who__username", "kind", "code", "detail", "act", "field", "before", "after", "blanked_at",
)  # fmt: skip


class Blanking(Form):
    """``keep_code``: yes where the code tells nobody's name; else it is replaced too."""

    keep_code = fields.Flag(required=False)


class PartyBlank(View):
    @writes(
        Blanking,
        PartyAnswer,
        summary="Blank a private customer",
        path={"party": "LANE"},
        asks={"keep_code": True},
        gives=LANE | {"name": "blanked"},
    )
    def post(self, request: Request, asked: Json, party: str) -> Json:
        """Name, e-mail, phone and address go for good, and the references of what was sent; the code too unless kept.

        Past dispatches still point to the party: a trace balances, and finds its units. What is in the change log of
        it is blanked as well. Refused while something is still to be sent.
        """
        blanked = privacy.blank(party=selectors.find_party(party), **asked)
        return read_party(blanked.code)


class ChangeFilters(Form):
    """``code`` is the record's: an item, a party, the supplier of an offer, a formula, a setting, a person."""

    kind = fields.Choice(*ChangeRecord.Kind.values, required=False)
    code = fields.Text(required=False)
    who = fields.Code(refers_to="people", required=False)


class ChangeAnswer(Answer):
    """One field of one record, from what to what. ``made`` and ``withdrawn`` have no field, and all facts as JSON text.

    ``who`` is null for somebody at the machine itself. ``blanked``: what it told of a private customer is gone.
    """

    recorded_at = fields.Instant()
    who = fields.Code(allow_null=True)
    kind = fields.Choice(*ChangeRecord.Kind.values)
    code = fields.Text()
    detail = fields.Text(blank=True)
    act = fields.Choice(*ChangeRecord.Act.values)
    field = fields.Text(blank=True)
    before = fields.LongText(blank=True)
    after = fields.LongText(blank=True)
    blanked = fields.Flag()


def change_row(row: dict[str, Any]) -> Json:
    return {
        "recorded_at": row["recorded_at"].isoformat(),
        "who": row["who__username"],
        **{name: row[name] for name in ("kind", "code", "detail", "act", "field", "before", "after")},
        "blanked": row["blanked_at"] is not None,
    }


class Changes(View):
    @lists(
        ChangeAnswer,
        filters=ChangeFilters,
        summary="List changes of master data",
        query={"kind": "setting"},
        gives=[],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Who changed which field of which item, party, offer, formula, setting or person; the latest first."""
        chosen = dict(asked)
        if "who" in asked:
            chosen["who"] = named(people.find_person, asked["who"], "who")
        return Listing(ChangeRecord.objects.filter(**chosen).values(*COLUMNS), "-pk", change_row)


ROUTES = [
    path("parties/<code:party>/blank", PartyBlank.as_view(), name="party-blank"),
    path("changes", Changes.as_view(), name="changes"),
]
