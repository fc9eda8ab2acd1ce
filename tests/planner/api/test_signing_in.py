"""Signing in: by token and by session, its end, its limits; and costs that a helper does not see."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.contrib.auth.models import User
from knox.models import AuthToken
from redis.exceptions import ConnectionError as RedisConnectionError
from rest_framework.test import APIClient

from planner.api import tokens
from tests.planner.api.house import NOW, PASSWORD, everything

ME = "/api/v1/me"


class Remembers(dict[str, Any]):
    """A cache of its own, so that the one that is away may be of the same kind."""

    def set(self, key: str, value: Any, timeout: float | None = None) -> None:
        self[key] = value


def sign_in(client: APIClient, username: str = "owner", password: str = PASSWORD) -> Any:
    return client.post("/api/v1/tokens", {"username": username, "password": password}, format="json")


def with_token(token: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    return client


def test_a_token_opens_what_its_owner_may_and_is_kept_as_a_hash_only(house: dict[str, APIClient]) -> None:
    answer = sign_in(house["stranger"])
    assert answer.status_code == 201
    token = answer.json()["token"]
    assert with_token(token).get(ME).json()["person"] == "owner"
    assert token not in str(everything())
    assert token not in with_token(token).get("/api/v1/tokens").content.decode()


def test_a_token_ends_by_itself(house: dict[str, APIClient]) -> None:
    token = sign_in(house["stranger"]).json()["token"]
    with time_machine.travel(NOW) as clock:
        clock.shift(timedelta(days=30, seconds=1))
        answer = with_token(token).get(ME)
        assert (answer.status_code, answer.json()["code"]) == (401, "not_signed_in")
        assert answer.headers["WWW-Authenticate"] == "Token"


def test_a_token_can_be_ended_by_its_owner_alone(house: dict[str, APIClient]) -> None:
    made = sign_in(house["stranger"]).json()
    assert house["maker"].delete(f"/api/v1/tokens/{made['key']}").status_code == 404
    assert with_token(made["token"]).get(ME).status_code == 200
    assert house["owner"].delete(f"/api/v1/tokens/{made['key']}").status_code == 204
    assert with_token(made["token"]).get(ME).status_code == 401


@pytest.mark.parametrize("header", ["Token", "Token x", "Token a b", "Token " + "0" * 64, "Token \xff", "Bearer x"])
def test_what_is_no_token_opens_nothing(house: dict[str, APIClient], header: str) -> None:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=header)
    answer = client.get(ME)
    assert (answer.status_code, answer.headers["content-type"]) == (401, "application/problem+json")


def test_a_wrong_password_and_an_unknown_name_are_refused_alike(house: dict[str, APIClient]) -> None:
    wrong, unknown = sign_in(house["stranger"], "owner", "wrong"), sign_in(house["stranger"], "nemo", "wrong")
    assert (wrong.status_code, wrong.content) == (401, unknown.content)
    assert "wrong" not in wrong.content.decode()
    assert not AuthToken.objects.exists()


def test_too_many_tries_must_wait_a_minute(house: dict[str, APIClient]) -> None:
    statuses = [sign_in(house["stranger"], "owner", "wrong").status_code for _ in range(11)]
    assert statuses == [401] * 10 + [429]
    answer = sign_in(house["stranger"])
    assert (answer.status_code, answer.json()["code"]) == (429, "too_many_requests")
    assert int(answer.headers["Retry-After"]) > 0
    with time_machine.travel(NOW) as clock:
        clock.shift(61)
        assert sign_in(house["stranger"]).status_code == 201


def test_while_redis_is_away_people_sign_in_and_tries_are_counted_all_the_same(
    house: dict[str, APIClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*told: Any, **more: Any) -> Any:
        raise RedisConnectionError("nobody answers")

    for name in ("get", "set"):
        monkeypatch.setattr(f"django.core.cache.backends.locmem.LocMemCache.{name}", away)
    counted = Remembers()
    monkeypatch.setattr(tokens, "in_process", counted)
    assert sign_in(house["stranger"]).status_code == 201
    page = house["stranger"].post("/sign-in", {"username": "owner", "password": PASSWORD})
    assert page.status_code == 302
    assert [sign_in(house["stranger"], "owner", "wrong").status_code for _ in range(9)] == [401] * 8 + [429]


def test_a_name_is_not_tried_from_many_addresses(house: dict[str, APIClient]) -> None:
    def from_address(number: int) -> int:
        client = APIClient(REMOTE_ADDR=f"192.0.2.{number}")
        return int(sign_in(client, "owner", "wrong").status_code)

    assert [from_address(number) for number in range(11)] == [401] * 10 + [429]


def test_the_page_and_the_tokens_count_their_tries_together(house: dict[str, APIClient]) -> None:
    def on_the_page(password: str) -> Any:
        return house["stranger"].post("/sign-in", {"username": "owner", "password": password})

    with time_machine.travel(NOW) as clock:
        assert [sign_in(house["stranger"], "owner", "wrong").status_code for _ in range(5)] == [401] * 5
        assert [on_the_page("wrong").status_code for _ in range(6)] == [200] * 5 + [429]
        answer = on_the_page(PASSWORD)
        assert answer.status_code == 429
        assert "Too many tries" in answer.content.decode()
        assert 0 < int(answer.headers["Retry-After"]) <= 60
        assert house["stranger"].get(ME).status_code == 401
        clock.shift(61)
        assert on_the_page(PASSWORD).status_code == 302
        assert house["stranger"].get(ME).status_code == 200


def test_a_session_writes_only_with_its_csrf_token(house: dict[str, APIClient]) -> None:
    client = APIClient(enforce_csrf_checks=True)
    client.force_login(User.objects.get(username="owner"))
    assert client.get(ME).status_code == 200
    before = everything()
    answer = client.patch("/api/v1/settings", {"currency": "EUR"}, format="json")
    assert (answer.status_code, answer.headers["content-type"]) == (403, "application/problem+json")
    assert everything() == before
    stranger = APIClient()
    stranger.get("/sign-in")
    client.cookies["csrftoken"] = token = stranger.cookies["csrftoken"].value
    answer = client.patch("/api/v1/settings", {"currency": "EUR"}, format="json", headers={"X-CSRFToken": token})
    assert answer.status_code == 200


def test_who_is_no_longer_active_is_out_at_once(house: dict[str, APIClient]) -> None:
    house["owner"].patch("/api/v1/people/buyer", {"password": "nine quiet hills"}, format="json")
    token = sign_in(house["stranger"], "buyer", "nine quiet hills").json()["token"]
    assert with_token(token).get(ME).status_code == 200
    assert house["owner"].patch("/api/v1/people/buyer", {"active": False}, format="json").status_code == 200
    assert with_token(token).get(ME).status_code == 401
    assert house["buyer"].get(ME).status_code == 401
    assert sign_in(house["stranger"], "buyer", "nine quiet hills").status_code == 401


def test_a_password_is_never_told(house: dict[str, APIClient]) -> None:
    body = {"person": "ida", "password": "secret\0secret", "roles": ["helper"]}
    answer = house["owner"].post("/api/v1/people", body, format="json")
    assert answer.json()["errors"][0]["field"] == "password"
    assert "secret" not in answer.content.decode()


@pytest.mark.parametrize("change", [{"active": False}, {"roles": ["viewer"]}])
def test_the_last_owner_stays(house: dict[str, APIClient], change: dict[str, Any]) -> None:
    before = everything()
    answer = house["owner"].patch("/api/v1/people/owner", change, format="json")
    assert (answer.status_code, answer.json()["code"]) == (409, "wrong_state")
    assert [one["field"] for one in answer.json()["errors"]] == list(change)
    assert everything() == before


def test_a_helper_sees_no_costs(house: dict[str, APIClient], monkeypatch: pytest.MonkeyPatch) -> None:
    """No address that a helper may read has a cost yet of itself: here helpers are let in to the offers."""
    from planner.api.access import PERMISSIONS

    monkeypatch.setitem(PERMISSIONS, ("GET", "offers"), ("viewer", "helper"))
    address = "/api/v1/offers?item=WAX"
    seen = house["viewer"].get(address).json()["rows"][0]
    assert seen["price"] == "12.50"
    assert house["helper"].get(address).json()["rows"][0] == {k: v for k, v in seen.items() if k != "price"}
    house["owner"].patch("/api/v1/people/helper", {"roles": ["helper", "viewer"]}, format="json")
    assert house["helper"].get(address).json()["rows"][0] == seen
