"""The people of the workshop, for its owner; and who am I, for everyone who is signed in."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib.auth import get_user_model
from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, reads, writes
from inventory.api.pages import Listing
from inventory.errors import NotFound
from planner import people
from planner.api.roles import ROLES

COLUMNS = ("pk", "username", "first_name", "is_active", "is_superuser")


class NewPerson(Form):
    person = fields.Code()
    password = fields.Secret()
    name = fields.Text(150, required=False, blank=True)
    roles = fields.ListOf(fields.Choice(*ROLES), most=len(ROLES), required=False)


class PersonChanges(Form):
    password = fields.Secret(required=False)
    name = fields.Text(150, required=False, blank=True)
    roles = fields.ListOf(fields.Choice(*ROLES), most=len(ROLES), required=False)
    active = fields.Flag(required=False)


class PersonAnswer(Answer):
    """``first_user`` has every role, whatever ``roles`` says."""

    person = fields.Code()
    name = fields.Text(150, blank=True)
    roles = fields.ListOf(fields.Choice(*ROLES))
    active = fields.Flag()
    first_user = fields.Flag()


class MeAnswer(Answer):
    person = fields.Code()
    name = fields.Text(150, blank=True)
    roles = fields.ListOf(fields.Choice(*ROLES))


IDA: Json = {"person": "ida", "name": "Ida", "roles": ["helper"], "active": True, "first_user": False}
OWNER: Json = {"person": "owner", "name": "", "roles": ["owner"], "active": True, "first_user": False}


def people_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the roles of all of them in one query."""
    roles = _roles_of([row["pk"] for row in rows])
    return [
        {
            "person": row["username"],
            "name": row["first_name"],
            "roles": [role for role in ROLES if role in roles.get(row["pk"], ())],
            "active": row["is_active"],
            "first_user": row["is_superuser"],
        }
        for row in rows
    ]


def _roles_of(ids: Iterable[int]) -> dict[int, set[str]]:
    found: dict[int, set[str]] = {}
    rows = get_user_model().groups.through.objects.filter(user__in=list(ids))
    for person, role in rows.values_list("user", "group__name"):
        found.setdefault(person, set()).add(role)
    return found


def read_person(username: str) -> Json:
    row = get_user_model().objects.filter(username=username).values(*COLUMNS).first()
    if row is None:
        raise NotFound(f"no person {username!r}")
    return people_rows([dict(row)])[0]


class Me(View):
    @reads(MeAnswer, summary="Who am I", gives={"person": "owner", "name": "", "roles": ["owner"]})
    def get(self, request: Request, asked: Json) -> Json:
        """The person who is signed in, and the roles that count: the first user has all."""
        row = read_person(request.user.username)
        return {
            "person": row["person"],
            "name": row["name"],
            "roles": list(ROLES) if row["first_user"] else row["roles"],
        }


class People(View):
    @lists(PersonAnswer, summary="List people", query={"limit": 1}, gives=None)
    def get(self, request: Request, asked: Json) -> Listing:
        """Everyone who can, or could, sign in, by name."""
        return Listing(get_user_model().objects.values(*COLUMNS), "username", show_page=people_rows)

    @writes(
        NewPerson,
        PersonAnswer,
        status=201,
        summary="Make a person",
        asks={"person": "ida", "name": "Ida", "password": "seven warm stones", "roles": ["helper"]},
        gives=IDA,
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Someone who can sign in, with roles that add up."""
        person = people.make_person(username=asked.pop("person"), **asked)
        return read_person(person.username)


class OnePerson(View):
    @reads(PersonAnswer, summary="Read a person", path={"person": "owner"}, gives=OWNER)
    def get(self, request: Request, asked: Json, person: str) -> Json:
        """One person."""
        return read_person(person)

    @writes(
        PersonChanges,
        PersonAnswer,
        summary="Change a person",
        path={"person": "viewer"},
        asks={"roles": ["viewer", "helper"], "active": True},
        gives={"person": "viewer", "name": "", "roles": ["viewer", "helper"], "active": True, "first_user": False},
    )
    def patch(self, request: Request, asked: Json, person: str) -> Json:
        """Change what is given. Who is not active cannot sign in, and has no tokens; nobody is deleted."""
        people.change_person(username=person, **asked)
        return read_person(person)


ROUTES = [
    path("me", Me.as_view(), name="me"),
    path("people", People.as_view(), name="people"),
    path("people/<code:person>", OnePerson.as_view(), name="person"),
]
