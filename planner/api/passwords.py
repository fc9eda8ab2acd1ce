"""A new password by a code: an owner makes the code, the person brings it."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, writes
from planner import passwords
from planner.api.tokens import sign_in_throttles


class ResetCodeAnswer(Answer):
    """``code`` is shown this once, and works once. ``address`` is the page that takes it."""

    person = fields.Code()
    code = fields.Text()
    address = fields.Text(2_000)
    expires_at = fields.Instant()


class NewPassword(Form):
    code = fields.Text()
    password = fields.Secret()


class PersonReset(View):
    @writes(
        None,
        ResetCodeAnswer,
        status=201,
        retry=False,
        summary="Make a code for a new password",
        path={"person": "viewer"},
        gives={
            "person": "viewer",
            "code": "Mg.d4x0qo-2b0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d",
            "address": "/password/Mg/d4x0qo-2b0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d",
            "expires_at": "2027-03-01T13:00:00+00:00",
        },
    )
    def post(self, request: Request, asked: Json, person: str) -> Json:
        """For who has forgotten theirs. Signing in meanwhile, or another password, ends the code."""
        made = passwords.reset_code(username=person)
        return {
            "person": made.person,
            "code": made.code,
            "address": made.address,
            "expires_at": made.expires_at.isoformat(),
        }


class Passwords(View):
    def get_throttles(self) -> list[Any]:
        return sign_in_throttles()

    @writes(
        NewPassword,
        None,
        status=204,
        summary="Set a password by a code",
        open_to_anyone=True,
        retry=False,
        refuses=[429],
        asks={"code": "Mg.d4x0qo-2b0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d", "password": "seven warm stones"},
    )
    def post(self, request: Request, asked: Json) -> None:
        """The password of the person whose code this is. Their tokens and sessions end. Too many tries must wait."""
        passwords.set_password_by_code(code=asked["code"], password=asked["password"])


ROUTES = [
    path("people/<code:person>/reset", PersonReset.as_view(), name="person-reset"),
    path("passwords", Passwords.as_view(), name="passwords"),
]
