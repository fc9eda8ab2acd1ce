"""A new password by a code."""

from __future__ import annotations

from django.contrib.auth.models import User

from planner import passwords

VOLATILE = {"code", "address"}
WRONG = {
    ("POST", "passwords", "code"): ["Mg.", "Mg.d4x0qo-0000", "....", "w6k.x", "OTk5OTk5OTk5OTk5OTk5OTk5OTk5.x-y"],
    ("POST", "passwords", "password"): ["short", "12345678901234"],
}
EXAMPLE = "Mg.d4x0qo-2b0f6c0e9d1f4b7a8c2e3d4f5a6b7c8d"
_really = passwords.who_brings


def _or_the_viewer(code: str) -> User | None:
    """A real code holds the service's own key, and can stand in no example."""
    return User.objects.filter(username="viewer").first() if code == EXAMPLE else _really(code)


def prepare(operation: tuple[str, str]) -> None:
    if operation == ("POST", "passwords"):
        passwords.who_brings = _or_the_viewer
