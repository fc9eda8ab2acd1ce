"""Signing in by token: kept as a hash, ending by itself, shown once."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from hashlib import sha256
from ipaddress import ip_address, ip_network
from typing import Any

from django.contrib.auth import authenticate
from django.core.cache.backends.locmem import LocMemCache
from django.http import HttpRequest
from django.urls import path
from django.utils import timezone
from knox.models import AuthToken
from redis import RedisError
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, writes
from inventory.api.pages import Listing
from inventory.errors import NotFound

log = logging.getLogger(__name__)
in_process = LocMemCache("tries-to-sign-in", {})


def one_line_of(address: str) -> str:
    """An address, or of IPv6 the /64 that it is in: that is what one customer of a provider gets."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    return address if found.version == 4 else str(ip_network((int(found), 64), strict=False))


class SignInThrottle(SimpleRateThrottle):
    """So many tries a minute from one address, and for one name; those of the page sign-in count too."""

    scope = "sign-in"
    by = "address"

    def allow_request(self, request: Request | HttpRequest, view: Any) -> bool:
        """While Redis is away each process counts for itself: people still sign in, and still not by trying."""
        try:
            return bool(super().allow_request(request, view))
        except (RedisError, OSError) as error:
            log.warning("tries to sign in are counted in this process: %s", type(error).__name__)
            self.cache = in_process
            return bool(super().allow_request(request, view))

    def get_cache_key(self, request: Request | HttpRequest, view: Any) -> str | None:
        if request.method != "POST":
            return None
        ident = self.told(request)
        if not ident:
            return None
        return str(
            self.cache_format % {"scope": f"{self.scope}-{self.by}", "ident": sha256(ident.encode()).hexdigest()}
        )

    def told(self, request: Request | HttpRequest) -> str:
        return one_line_of(self.get_ident(request) or "")


class SignInThrottleByName(SignInThrottle):
    """From however many addresses one name is tried."""

    by = "name"

    def told(self, request: Request | HttpRequest) -> str:
        given = request.data if isinstance(request, Request) else request.POST
        name = given.get("username") or given.get("email") if isinstance(given, Mapping) else None
        return str(name or "").strip().lower()


class SignInThrottleOfAll(SignInThrottle):
    """However many names are tried from however many addresses: a check of a password takes time of the machine."""

    scope = "sign-in-of-all"
    by = "all"

    def told(self, request: Request | HttpRequest) -> str:
        return "all"


def sign_in_throttles() -> list[SimpleRateThrottle]:
    return [SignInThrottle(), SignInThrottleByName(), SignInThrottleOfAll()]


def seconds_to_wait(request: HttpRequest) -> int:
    """How long a try to sign in must wait; 0 when it need not. Asking counts as a try."""
    throttles = sign_in_throttles()
    refused = [one for one in throttles if not one.allow_request(request, None)]
    return max((int(one.wait() or 0) + 1 for one in refused), default=0)


class SignIn(Form):
    username = fields.Text(150)
    password = fields.Secret()


class NewTokenAnswer(Answer):
    """``token`` is shown this once; ``key`` names it afterwards."""

    token = fields.Text()
    key = fields.Code()
    expires_at = fields.Instant()


class TokenAnswer(Answer):
    key = fields.Code()
    made_at = fields.Instant()
    expires_at = fields.Instant(allow_null=True)


def token_row(row: dict[str, Any]) -> Json:
    expires_at = row["expiry"]
    return {
        "key": row["token_key"],
        "made_at": row["created"].isoformat(),
        "expires_at": expires_at.isoformat() if expires_at else None,
    }


class Tokens(View):
    def get_throttles(self) -> list[Any]:
        return sign_in_throttles() if self.request.method == "POST" else []

    @lists(TokenAnswer, summary="List my tokens")
    def get(self, request: Request, asked: Json) -> Listing:
        """The tokens of the person who is signed in."""
        rows = AuthToken.objects.filter(user=request.user).values("token_key", "created", "expiry", "digest")
        return Listing(rows, "digest", token_row)

    @writes(
        SignIn,
        NewTokenAnswer,
        status=201,
        summary="Sign in",
        open_to_anyone=True,
        retry=False,
        refuses=[401, 429],
        asks={"username": "owner", "password": "seven warm stones"},
        gives={
            "token": "5d0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d9e0f1a2b3c4d5e6f7a8b9c0d1e2f3a4b",
            "key": "5d0f6c0e9d1f4b7",
            "expires_at": "2027-03-31T09:00:00+00:00",
        },
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A token for name and password. It is shown this once. Too many tries must wait."""
        person = authenticate(request._request, username=asked["username"], password=asked["password"])
        if person is None:
            raise AuthenticationFailed("name and password do not fit together")
        AuthToken.objects.filter(user=person, expiry__lt=timezone.now()).delete()
        made, token = AuthToken.objects.create(user=person)
        return {"token": token, "key": made.token_key, "expires_at": made.expiry.isoformat()}


class OneToken(View):
    @writes(None, None, status=204, summary="End a token of mine", path={"token": "5d0f6c0e9d1f4b7"})
    def delete(self, request: Request, asked: Json, token: str) -> None:
        """The token that this key names is good for nothing any more."""
        deleted, _ = AuthToken.objects.filter(user=request.user, token_key=token).delete()
        if not deleted:
            raise NotFound(f"no token {token!r} of yours")


ROUTES = [
    path("tokens", Tokens.as_view(), name="tokens"),
    path("tokens/<code:token>", OneToken.as_view(), name="token"),
]
