"""A screen at the bench that several people use: who stands at it now, and what it reaches.

A session that was handed to the bench stays so until it is signed out. In it nobody has the rights of the account
that signed in: with nobody chosen it shows batch sheets, with somebody chosen by their PIN it does what ``REACHED``
names and their own roles allow. ``planner.pages.access`` asks here before every page, and so does the API's session.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.contrib.auth.models import User
from django.http import HttpRequest

from inventory import clock, workshop
from planner import pins
from planner.models import BenchPin

KEY = "shared-screen"
KEPT_FOR_SECONDS = 20  # that somebody is still there is not written down with every look

# The acts of the bench, and the pages for them. Neither decisions nor people nor settings are ever among these.
ACTS = frozenset({"batch", "batch-add", "batch-sign-step", "batch-record-check", "batch-correct-weighing"})
LOOKS = frozenset({"batch-sheets", *ACTS})
CHOOSING = frozenset({("GET", "bench"), ("POST", "bench"), ("POST", "bench-leave"), ("POST", "sign-out")})
REACHED = {("GET", route) for route in LOOKS} | {("POST", route) for route in ACTS} | CHOOSING


@dataclass(frozen=True, slots=True)
class Screen:
    """A shared screen: the account that signed it in, and who stands at it; None where nobody was chosen."""

    account: User
    person: User | None

    @property
    def name(self) -> str:
        return (self.person.first_name or self.person.get_username()) if self.person else ""

    @property
    def people(self) -> list[tuple[str, str]]:
        return pins.people_with_a_pin()


def screen_of(request: HttpRequest) -> Screen | None:
    """The shared screen that this request comes from; None from a session of one's own. Read once a request."""
    if not hasattr(request, "_screen"):
        request._screen = _read(request)  # type: ignore[attr-defined]
    found: Screen | None = request._screen  # type: ignore[attr-defined]
    return found


def _read(request: HttpRequest) -> Screen | None:
    if not isinstance(request.user, User) or KEY not in request.session:
        return None
    kept: dict[str, Any] = request.session[KEY]
    return Screen(request.user, _person(request, kept) if "pin" in kept else None)


def _person(request: HttpRequest, kept: dict[str, Any]) -> User | None:
    """Who was chosen, unless they were idle too long, have another PIN since, or may no longer work here."""
    idle = clock.now().timestamp() - kept["at"]
    row = None
    if idle < timedelta(minutes=workshop.bench_minutes()).total_seconds():
        row = pins.usable_pins().filter(pk=kept["pin"]).first()
    if row is None:
        request.session[KEY] = {}
        return None
    if idle > KEPT_FOR_SECONDS:
        request.session[KEY] = kept | {"at": clock.now().timestamp()}
    return row.person


def device_of(request: HttpRequest) -> str:
    """What a screen is told by where tries are counted: its account and address. Signing in anew changes neither."""
    from planner.api.tokens import SignInThrottle

    screen = screen_of(request)
    account = screen.account if screen else request.user
    return f"{account.pk} {SignInThrottle().told(request)}"


def hand_over(request: HttpRequest) -> None:
    """From now on the session is the bench's, with nobody chosen; so too where somebody leaves it."""
    request.session[KEY] = {}


def choose(request: HttpRequest, pin: BenchPin) -> None:
    """This person stands at it, whose PIN was right."""
    request.session[KEY] = {"pin": pin.pk, "at": clock.now().timestamp()}
