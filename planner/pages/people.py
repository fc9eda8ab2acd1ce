"""People, for the owner: who may sign in, with which roles; a link for who has forgotten the password."""

from __future__ import annotations

import secrets
from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model
from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.pages.frame import Done, Facts, FormPage, Page, cut
from planner import passwords, people, pins
from planner.api.people import COLUMNS, people_rows, read_person
from planner.api.roles import ROLES

ROLE_WORDS = {
    "viewer": "viewer: reads everything",
    "helper": "helper: sees batch sheets, weighs, signs steps; no formulas, costs or decisions",
    "maker": "maker: plans, reserves, makes, counts, discards, samples",
    "buyer": "buyer: suppliers and customers, offers, orders, receiving, dispatch",
    "quality": "quality: approves formulas, releases, rejects, holds, decides studies",
    "owner": "owner: people, settings, bringing tables in",
}
TICKS = {role: fields.Flag(required=False) for role in ROLES}

Added = type(
    "PersonAdded",
    (Form,),
    {
        "person": fields.Code(),
        "name": fields.Text(150, required=False, blank=True),
        "password": fields.Secret(required=False),
    }
    | TICKS,
)
Changed = type(
    "PersonChanged",
    (Form,),
    {"name": fields.Text(150, required=False, blank=True), "active": fields.Flag(required=False)} | TICKS,
)


def _ticked(asked: dict[str, Any]) -> list[str]:
    return [role for role in ROLES if asked.get(role)]


def _address(person: str) -> str:
    return reverse("person", kwargs={"person": person})


class People(Page):
    template_name = "planner/people.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "cut": cut(Listing(get_user_model().objects.values(*COLUMNS), "username", show_page=people_rows), request)
        }


class AddPerson(FormPage):
    """Without a password nobody can sign in by it: a link is made next, by which the person sets their own."""

    form = Added
    template_name = "planner/person_form.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"roles": [(role, ROLE_WORDS[role]) for role in ROLES]}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        person = people.make_person(
            username=asked["person"],
            password=asked.get("password") or secrets.token_urlsafe(32),
            name=asked.get("name", ""),
            roles=_ticked(asked),
        )
        to = reverse("person-reset" if "password" not in asked else "person", kwargs={"person": person.username})
        return Done(to, f"{person.username} is one of the workshop now.")


class OnePerson(FormPage):
    guards = True
    form = Changed
    clears = True
    template_name = "planner/person_form.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        person = people.find_person(where["person"])
        return {
            "person": read_person(where["person"]),
            "roles": [(role, ROLE_WORDS[role]) for role in ROLES],
            "pin": pins.pin_of(person),
            "locked_until": pins.locked_until(person),
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        row = facts["person"]
        return {"name": row["name"], "active": row["active"]} | {role: role in row["roles"] for role in ROLES}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        person = people.change_person(
            username=where["person"],
            name=asked.get("name", ""),
            active=asked.get("active", False),
            roles=_ticked(asked),
        )
        return Done(_address(person.username), f"{person.username} is changed.")


class ResetLink(Page):
    """A link that sets a password, shown once and kept nowhere: neither in an address nor in a message."""

    template_name = "planner/person_link.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"person": read_person(where["person"])}

    def post(self, request: HttpRequest, **where: Any) -> HttpResponse:
        made = passwords.reset_code(username=where["person"])
        link = made.address if settings.SITE_URL else request.build_absolute_uri(made.address)
        answer = self.shown(request, self.facts(request, **where) | {"link": link, "expires_at": made.expires_at})
        answer["Cache-Control"] = "no-store"
        return answer


ROUTES = [
    path("workshop/people", People.as_view(), name="people"),
    path("workshop/people/new", AddPerson.as_view(), name="person-add"),
    path("workshop/person/<code:person>", OnePerson.as_view(), name="person"),
    path("workshop/person/<code:person>/link", ResetLink.as_view(), name="person-reset"),
]
