"""The people of the workshop: who may sign in, and with which roles. Nobody is ever deleted: the books name them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.models import Group, User
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db.models import Q
from knox.models import AuthToken

from inventory.errors import BadInput, Conflict, Fault, NotFound, WrongState
from inventory.services.changes import Change, Kind, shown, write_down
from inventory.transactions import write
from planner.models import BenchPin
from planner.notices.models import Addressee

OWNER = "owner"


def find_person(username: str) -> User:
    person = get_user_model().objects.filter(username=username).first()
    if person is None:
        raise NotFound(f"no person {username!r}")
    return person


@write
def make_person(*, username: str, password: str, name: str = "", roles: Iterable[str] = ()) -> User:
    """A person who can sign in. Raises Conflict for a taken name, BadInput for a password that is easily guessed."""
    people: Any = get_user_model().objects
    if people.filter(username__iexact=username).exists():
        fault = Fault("person", username, "a name that nobody has")
        raise Conflict(f"there is a person {username} already", code="taken", faults=[fault])
    person: User = get_user_model()(username=username, first_name=name)
    _set_password(person, password)
    person.save()
    _set_roles(person, roles)
    write_down([Change(Kind.PERSON, username, None, _facts(person))])
    return person


@write
def change_person(*, username: str, **changes: Any) -> User:
    """Change ``name``, ``roles``, ``active`` or ``password``. Raises NotFound, BadInput, and WrongState where nobody
    would be left who may change people. A new password, and leaving, end every token of the person; leaving ends the
    secret address of their calendar and their PIN too."""
    unseats = changes.keys() & {"roles", "active"}
    if unseats:
        # Two owners who step down at once take turns, or each would see the other stay.
        list(Group.objects.select_for_update().filter(name=OWNER))
    person = find_person(username)
    before = _facts(person)
    if "name" in changes:
        person.first_name = changes["name"]
    if "active" in changes:
        person.is_active = changes["active"]
    if "password" in changes:
        _set_password(person, changes["password"])
    person.save()
    if "roles" in changes:
        _set_roles(person, changes["roles"])
    if "password" in changes or not person.is_active:
        AuthToken.objects.filter(user=person).delete()
    if not person.is_active:  # who comes back makes a new address, and another PIN
        Addressee.objects.filter(person=person).update(calendar_digest=None, calendar_made_at=None)
        BenchPin.objects.filter(person=person).delete()
    if unseats:
        _keep_an_owner("roles" if "roles" in changes else "active", changes)
    after = _facts(person) | ({"password": "changed"} if "password" in changes else {})
    write_down([Change(Kind.PERSON, person.username, before, after)])
    return person


def _facts(person: User) -> dict[str, str]:
    """What the change log tells of a person: never a password, only that there is another."""
    roles = sorted(person.groups.values_list("name", flat=True))
    return {"name": person.first_name, "roles": " ".join(roles), "active": shown(person.is_active)}


def _set_password(person: User, password: str) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        accepted = "a password that is not easily guessed: " + " ".join(error.messages)
        raise BadInput("the password is not accepted", faults=[Fault("password", "", accepted)]) from None
    person.set_password(password)


def _set_roles(person: User, roles: Iterable[str]) -> None:
    person.groups.set([Group.objects.get_or_create(name=role)[0] for role in roles])


def _keep_an_owner(name: str, changes: dict[str, Any]) -> None:
    people: Any = get_user_model().objects
    if not people.filter(Q(is_superuser=True) | Q(groups__name=OWNER), is_active=True).exists():
        fault = Fault(name, str(changes.get(name, "")), "a change that leaves an owner who may sign in")
        raise WrongState("nobody would be left who may change people and settings", faults=[fault])
