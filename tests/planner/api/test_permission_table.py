"""Who may do what: every address and method stands in the table, and the gate does what the table says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.urls import URLPattern
from rest_framework.test import APIClient

from planner.api.access import PERMISSIONS, as_markdown
from planner.api.roles import ANYONE, ROLES, SIGNED_IN
from planner.api.routes import ROUTES_OF_ALL, urlpatterns
from tests.planner.api.house import one_of, operations, prepare

ROOT = Path(__file__).resolve().parents[3]
IN_TABLE = sorted(PERMISSIONS)
# Served by the library, and not described in the schema that they serve.
UNDESCRIBED = {"schema": "/api/v1/schema", "schema-page": "/api/v1/schema/page"}


def methods_of(pattern: URLPattern) -> set[str]:
    view: Any = pattern.callback.view_class  # type: ignore[union-attr]
    return {name.upper() for name in view.http_method_names if hasattr(view, name)} - {"HEAD", "OPTIONS"}


def test_the_table_names_every_address_and_method_and_no_other() -> None:
    served = {(method, str(pattern.name)) for pattern in ROUTES_OF_ALL for method in methods_of(pattern)}
    assert served == set(PERMISSIONS)


def test_every_address_but_the_last_is_a_route_with_a_name_of_its_own() -> None:
    names = [pattern.name for pattern in urlpatterns]
    assert len(set(names)) == len(names)
    assert all(names)


def test_the_table_knows_only_roles() -> None:
    assert {role for allowed in PERMISSIONS.values() for role in allowed} <= {*ROLES, ANYONE, SIGNED_IN}
    assert all(PERMISSIONS.values())


def test_developers_prints_the_table() -> None:
    """Paste ``planner.api.access.as_markdown()`` between the markers when this fails."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    printed = text.partition("<!-- permissions -->")[2].partition("<!-- end of permissions -->")[0]
    assert printed.strip() == as_markdown()


def ask(client: APIClient, method: str, route: str) -> Any:
    """Call the example's address with nothing in it: what counts here is whether the gate lets it through."""
    address = UNDESCRIBED.get(route) or one_of((method, route)).address()
    return client.generic(method, address, b"{}" if method != "GET" else b"", content_type="application/json")


@pytest.mark.parametrize(("method", "route"), IN_TABLE)
def test_only_those_whom_the_table_allows_get_in(house: dict[str, APIClient], method: str, route: str) -> None:
    prepare((method, route))
    allowed = PERMISSIONS[method, route]
    for role in (*ROLES, "nobody"):
        answer = ask(house[role], method, route)
        if role in allowed or SIGNED_IN in allowed or ANYONE in allowed:
            assert answer.status_code not in (401, 403, 405), f"{role}: {answer.content}"
        else:
            assert answer.status_code == 403, f"{role}: {answer.content}"
            assert answer.json()["code"] == "not_allowed"
    answer = ask(house["stranger"], method, route)
    if ANYONE in allowed:
        assert answer.status_code not in (401, 403, 405)
    else:
        assert answer.status_code == 401
        assert answer.json()["code"] == "not_signed_in"


def test_roles_add_up(house: dict[str, APIClient]) -> None:
    house["owner"].patch("/api/v1/people/viewer", {"roles": ["viewer", "buyer"]}, format="json")
    answer = house["viewer"].post("/api/v1/parties", {"party": "P", "name": "P", "role": "both"}, format="json")
    assert answer.status_code == 201


def test_the_first_user_has_every_role(house: dict[str, APIClient], django_user_model: Any) -> None:
    first = APIClient()
    first.force_login(django_user_model.objects.create_superuser("first"))
    assert first.get("/api/v1/me").json()["roles"] == list(ROLES)
    assert first.get("/api/v1/people").status_code == 200


def test_what_the_table_does_not_name_is_refused(house: dict[str, APIClient], monkeypatch: pytest.MonkeyPatch) -> None:
    assert house["owner"].get("/api/v1/items").status_code == 200
    monkeypatch.delitem(PERMISSIONS, ("GET", "items"))
    assert house["owner"].get("/api/v1/items").status_code == 403


def test_every_described_operation_says_who_may_call_it() -> None:
    for one in operations():
        assert one.told["x-roles"] == list(PERMISSIONS[one.operation])
