"""Every address of the service: it stands in a table of rights or in the list of open ones, and is closed to the rest.

The gates look before anything is looked up, so that any value does in an address. What the roles that a table allows
get to see is tested with the API and the pages.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import Group, User
from django.core.cache import cache
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, path
from django.urls.resolvers import RegexPattern
from django.utils import timezone
from knox.models import AuthToken

from planner import urls
from planner.api import access as api
from planner.api.roles import ANYONE, ROLES, SIGNED_IN
from planner.pages import access as pages

# Open to whoever asks, and what guards them instead.
OPEN = {
    "healthz": "tells that the process is up, and nothing else",
    "readyz": "tells four words about database and broker",
    "metrics": "a bearer secret of the environment",
    "calendar": "a secret in the address that can be revoked",
    "no-such-address": "what is no address of the API: 404 for everybody",
}
# A value for each kind of part that an address has; an address with another kind is named by a KeyError.
SAMPLES = {None: "x", "str": "x", "code": "x", "int": "1", "number": "1", "version": "1", "uuid": str(uuid.UUID(int=7))}


@dataclass(frozen=True)
class Route:
    name: str
    address: str
    in_api: bool

    @property
    def rights(self) -> dict[str, tuple[str, ...]]:
        """Who may, by method."""
        table = api.PERMISSIONS if self.in_api else pages.PERMISSIONS
        return {method: allowed for (method, name), allowed in table.items() if name == self.name}


def routes(resolver: Any = None, before: str = "/", namespace: str = "") -> Iterator[Route]:
    for one in (resolver or get_resolver()).url_patterns:
        if isinstance(one, URLResolver):
            yield from routes(one, before + str(one.pattern), one.namespace or namespace)
        else:
            assert isinstance(one, URLPattern)
            below = str(one.pattern).replace("^[\\s\\S]*\\Z", "no/such/thing")
            address = re.sub(r"<(?:(\w+):)?\w+>", lambda found: SAMPLES[found[1]], before + below)
            yield Route(str(one.name), address, namespace == "api")


def missing(resolver: Any = None) -> list[Route]:
    return [one for one in routes(resolver) if one.name not in OPEN and not one.rights]


CLOSED = [one for one in routes() if one.rights]


# --- the tables --------------------------------------------------------------------------------------------


def test_every_address_is_in_a_table_or_in_the_list_of_open_ones() -> None:
    assert missing() == []
    assert set(OPEN) <= {one.name for one in routes()}
    assert not set(OPEN) & {name for table in (api.PERMISSIONS, pages.PERMISSIONS) for _, name in table}


def test_an_address_that_somebody_adds_is_missed() -> None:
    """The control: the test above would say nothing if it could not fail."""
    added = path("stocktake/<code:item>/secret", lambda request, item: HttpResponse(item), name="stocktake-secret")
    more = URLResolver(RegexPattern(r"^/"), [*urls.urlpatterns, added])
    assert [one.name for one in missing(more)] == ["stocktake-secret"]


def test_what_is_open_says_so_where_it_is_made() -> None:
    """The gate before the pages opens nothing but what is marked, and nothing else is marked."""
    marked = {
        str(one.name)
        for one in get_resolver().url_patterns
        if isinstance(one, URLPattern) and not getattr(one.callback, "login_required", True)
    }
    assert marked == set(OPEN) - {"no-such-address"}


# --- the gates ---------------------------------------------------------------------------------------------


@pytest.fixture
def people(db: None) -> dict[str, Client]:
    """Somebody of each role, somebody without any, each signed in; and a stranger."""
    found = {"stranger": Client()}
    for role in (*ROLES, "nobody"):
        person = User.objects.create(username=role)
        person.groups.set(Group.objects.filter(name=role))
        found[role] = Client()
        found[role].force_login(person)
    return found


def ask(client: Client, method: str, one: Route, **headers: str) -> Any:
    cache.clear()  # tries to sign in are limited
    return client.generic(method, one.address, b"{}", content_type="application/json", headers=headers)


def is_refused(answer: Any, one: Route, status: int) -> bool:
    """401 and 403 of the API are problem documents; a page sends a stranger to sign in."""
    if one.in_api:
        return answer.status_code == status and answer.headers["content-type"] == "application/problem+json"
    if status == 401:
        return answer.status_code == 302 and answer["Location"].startswith("/sign-in?next=")
    return bool(answer.status_code == 403)


def test_who_is_signed_out_gets_nowhere(people: dict[str, Client]) -> None:
    asked = 0
    for one in CLOSED:
        for method, allowed in one.rights.items():
            if ANYONE not in allowed:
                answer = ask(people["stranger"], method, one)
                assert is_refused(answer, one, 401), (method, one, answer.status_code)
                asked += 1
    assert asked > 150


def test_who_has_not_the_role_gets_nowhere(people: dict[str, Client]) -> None:
    asked = 0
    for one in CLOSED:
        for method, allowed in one.rights.items():
            if ANYONE in allowed or SIGNED_IN in allowed:
                continue
            for role in {*ROLES, "nobody"} - set(allowed):
                answer = ask(people[role], method, one)
                assert is_refused(answer, one, 403), (role, method, one, answer.status_code)
                asked += 1
    assert asked > 400


def test_a_token_that_has_ended_opens_nothing(people: dict[str, Client]) -> None:
    owner = User.objects.get(username="owner")
    ended, text = AuthToken.objects.create(user=owner)
    _, good = AuthToken.objects.create(user=owner)
    AuthToken.objects.filter(pk=ended.pk).update(expiry=timezone.now() - timedelta(seconds=1))
    client = Client()
    me = next(one for one in CLOSED if one.name == "me")
    assert ask(client, "GET", me, Authorization=f"Token {good}").status_code == 200  # the control
    for one in CLOSED:
        for method, allowed in one.rights.items():
            if ANYONE not in allowed or one.in_api:
                AuthToken.objects.get_or_create(
                    digest=ended.digest,
                    defaults={"user": owner, "token_key": ended.token_key, "expiry": timezone.now() - timedelta(1)},
                )
                answer = ask(client, method, one, Authorization=f"Token {text}")
                assert is_refused(answer, one, 401), (method, one, answer.status_code)


def test_methods_that_no_table_names_are_refused_to_the_owner_too(people: dict[str, Client]) -> None:
    for one in CLOSED:
        if all(ANYONE in allowed for allowed in one.rights.values()):
            continue  # an open page: there is nobody whom it keeps out
        for method in {"PUT", "DELETE", "PATCH", "POST", "TRACE"} - one.rights.keys():
            answer = ask(people["owner"], method, one)
            assert answer.status_code in (403, 405), (method, one, answer.status_code)


# --- the open ones -----------------------------------------------------------------------------------------


def test_it_is_told_that_the_process_is_up_without_asking_the_database() -> None:
    """No mark django_db: a query would fail here."""
    answer = Client().get("/healthz", headers={"Cookie": "sessionid=abcdefghijklmnopqrstuvwxyz012345"})
    assert (answer.status_code, answer.json()) == (200, {"status": "alive"})
    assert "no-store" in answer.headers["Cache-Control"]


@pytest.mark.django_db
def test_whoever_may_ask_may_only_look() -> None:
    for address in ("/healthz", "/readyz", "/metrics"):
        assert Client().post(address).status_code == 405


@pytest.mark.django_db
def test_the_metrics_are_told_to_who_brings_the_secret_alone(people: dict[str, Client], settings: Any) -> None:
    settings.METRICS_TOKEN = "a secret of the environment"
    for header in ("", "Bearer", "Bearer x", "Bearer a secret", "Token a secret of the environment"):
        answer = people["owner"].get("/metrics", headers={"Authorization": header})
        assert (answer.status_code, answer.content) == (401, b""), header
    answer = Client().get("/metrics", headers={"Authorization": "Bearer a secret of the environment"})
    assert answer.status_code == 200
    settings.METRICS_TOKEN = None
    for header in ("", "Bearer", "Bearer ", "Bearer None"):
        assert Client().get("/metrics", headers={"Authorization": header}).status_code == 401, header
