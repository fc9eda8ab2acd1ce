"""Every page, as each role: the gate does what the table says, and the page is in order."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, get_resolver

from inventory.models import Item, Lot, Party
from planner.api.roles import ANYONE, ROLES, SIGNED_IN
from planner.pages.access import PERMISSIONS, as_markdown
from planner.pages.routes import ROUTES_OF_ALL
from tests.planner.pages.house import PEOPLE, address, fillers, may, read, shown_routes, someone_who_may

ROOT = Path(__file__).resolve().parents[3]
SHOWN = shown_routes()
LEADING_ON = ("start", "sign-in")
BAD_TEXT = "<script>alert('x')</script>"


def methods_of(pattern: URLPattern) -> set[str]:
    view = getattr(pattern.callback, "view_class", None)
    if view is None:
        return {"GET"}
    if hasattr(view, "form") and hasattr(view, "act") and view.act.__qualname__ == "FormPage.act":
        return {"GET"}
    return {name.upper() for name in view.http_method_names if hasattr(view, name)} - {"HEAD", "OPTIONS", "PUT"}


def is_page(answer: Any) -> bool:
    """Whether this is a page, not a file or a way on."""
    return answer.status_code == 200 and answer["Content-Type"].startswith("text/html")


# --- the table ---------------------------------------------------------------------------------------------


def test_the_table_names_every_page_and_method_and_no_other() -> None:
    served = {(method, str(route.name)) for route in ROUTES_OF_ALL for method in methods_of(route)}
    assert served == set(PERMISSIONS)


def test_no_address_outside_the_api_is_missing_from_the_table() -> None:
    """An address that another module adds is found by the walk, and open only where it says so itself."""
    known = {route for _, route in PERMISSIONS}
    for one in get_resolver().url_patterns:
        if isinstance(one, URLPattern) and getattr(one.callback, "login_required", True):
            assert one.name in known, one


def test_what_is_open_to_anyone_says_so_where_it_is_made() -> None:
    for route in ROUTES_OF_ALL:
        is_open = not getattr(route.callback, "login_required", True)
        told_open = any(ANYONE in allowed for (_, name), allowed in PERMISSIONS.items() if name == route.name)
        assert is_open == told_open, route


def test_the_table_knows_only_roles() -> None:
    assert {role for allowed in PERMISSIONS.values() for role in allowed} <= {*ROLES, ANYONE, SIGNED_IN}
    assert all(PERMISSIONS.values())


def test_developers_prints_the_table() -> None:
    """Paste ``planner.pages.access.as_markdown()`` between the markers when this fails."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    printed = text.partition("<!-- pages -->")[2].partition("<!-- end of pages -->")[0]
    assert printed.strip() == as_markdown()


# --- the gate ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("route", SHOWN)
def test_only_those_whom_the_table_allows_see_a_page(workshop: dict[str, Client], route: str) -> None:
    where = address(route)
    for role in (*PEOPLE, "stranger"):
        answer = workshop[role].get(where)
        if may(role, "GET", route):
            # The start, and sign-in for who is signed in, lead on.
            assert answer.status_code == 200 or (route in LEADING_ON and answer.status_code == 302), role
        elif role == "stranger":
            assert answer.status_code == 302
            assert answer["Location"].startswith("/sign-in?next=")
        else:
            assert answer.status_code == 403, role
            assert "Not for your roles" in answer.content.decode()


@pytest.mark.parametrize("route", [route for method, route in sorted(PERMISSIONS) if method == "POST"])
def test_only_those_whom_the_table_allows_act(workshop: dict[str, Client], route: str) -> None:
    """An empty form: what counts is whether the gate lets it through."""
    if route in ("sign-out", "sign-in"):
        return
    where = address(route).partition("?")[0]
    for role in (*PEOPLE, "stranger"):
        answer = workshop[role].post(where)
        if may(role, "POST", route):
            assert answer.status_code not in (302, 403, 405, 500), role
        else:
            assert answer.status_code == (302 if role == "stranger" else 403), role


def test_what_the_table_does_not_name_is_refused(workshop: dict[str, Client], monkeypatch: pytest.MonkeyPatch) -> None:
    assert workshop["owner"].get("/shelf").status_code == 200
    monkeypatch.delitem(PERMISSIONS, ("GET", "shelf"))
    assert workshop["owner"].get("/shelf").status_code == 403


@pytest.mark.slow
def test_the_navigation_holds_what_the_role_may_follow(workshop: dict[str, Client]) -> None:
    for role in ROLES:
        found = read(workshop[role].get("/shelf"))
        for one in found.tags["a"]:
            if one["href"].startswith("/") and one["href"] != "/":
                assert workshop[role].get(one["href"]).status_code == 200, (role, one["href"])


# --- the page ----------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("route", SHOWN)
def test_every_page_is_in_order(workshop: dict[str, Client], route: str) -> None:
    """One h1, labelled inputs, a caption for each table, no id twice, and nothing that the policy would forbid."""
    answer = workshop[someone_who_may("GET", route)].get(address(route))
    if is_page(answer):
        assert read(answer).faults == []


@pytest.mark.slow
@pytest.mark.parametrize("route", SHOWN)
def test_text_that_looks_like_a_script_is_text(workshop: dict[str, Client], route: str) -> None:
    """In the names of everything that pages show."""
    where = address(route)
    Item.objects.update(name=BAD_TEXT, inci=BAD_TEXT, storage=BAD_TEXT, caution=BAD_TEXT)
    Party.objects.update(name=BAD_TEXT, address=BAD_TEXT, email=BAD_TEXT, phone=BAD_TEXT)
    Lot.objects.update(note=BAD_TEXT, supplier_lot=BAD_TEXT, maker_lot=BAD_TEXT)
    answer = workshop[someone_who_may("GET", route)].get(where)
    if is_page(answer):
        assert BAD_TEXT not in answer.content.decode()
        assert read(answer).faults == []


@pytest.mark.slow
@pytest.mark.parametrize("route", sorted(fillers()))
def test_as_many_queries_for_two_hundred_rows_as_for_two(workshop: dict[str, Client], route: str) -> None:
    client = workshop[someone_who_may("GET", route)]

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(address(route)).status_code == 200
        return len(captured)

    fillers()[route](2)
    queries()  # what is kept in memory is kept now
    few = queries()
    fillers()[route](198)
    assert queries() == few


# --- refusals ----------------------------------------------------------------------------------------------


def test_an_address_that_is_none_is_told_in_words(workshop: dict[str, Client]) -> None:
    answer = workshop["viewer"].get("/no/such/page")
    assert answer.status_code == 404
    assert "There is no page at this address" in answer.content.decode()
    assert read(answer).faults == []


def test_a_fault_of_the_program_is_told_in_words(workshop: dict[str, Client], monkeypatch: pytest.MonkeyPatch) -> None:
    from inventory.pages import shelf

    def broken(*args: object, **kwargs: object) -> dict[str, object]:
        raise RuntimeError("a fault")

    monkeypatch.setattr(shelf.Shelf, "facts", broken)
    client = workshop["viewer"]
    monkeypatch.setattr(client, "raise_request_exception", False)
    answer = client.get("/shelf")
    assert answer.status_code == 500
    assert "A fault of the program" in answer.content.decode()
    assert read(answer).faults == []


def test_a_form_of_another_site_is_refused_in_words(workshop: dict[str, Client]) -> None:
    client = Client(enforce_csrf_checks=True)
    answer = client.post("/sign-in", {"username": "a", "password": "b"})
    assert answer.status_code == 403
    assert "Nothing was changed" in answer.content.decode()
    assert read(answer).faults == []
