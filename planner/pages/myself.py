"""One's own page: password, letters, calendar, who stands in while one is away. For everyone who is signed in."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model, update_session_auth_hash
from django.contrib.auth.models import User
from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form, named
from inventory.errors import BadInput, Conflict, Fault
from inventory.pages.frame import Done, Facts, FormPage, Page, person_of
from planner import people, pins
from planner.api.notices import LetterChanges, away_row, letter_row
from planner.api.tokens import seconds_to_wait
from planner.notices import choices
from planner.people import find_person


class Myself(Page):
    template_name = "planner/myself.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        person = person_of(request)
        row = choices.choices_of(person)
        return {
            "letter": letter_row(person),
            "away": away_row(person),
            "calendar_made_at": row.calendar_made_at,
            "pin": pins.pin_of(person),
        }


class PasswordChange(Form):
    now = fields.Secret()
    password = fields.Secret()
    again = fields.Secret()


def whose_password(request: HttpRequest, now: str, accepted: str) -> User:
    """Who is signed in, with their password asked for once more in ``now``. Raises BadInput, and Conflict after too
    many tries."""
    person = person_of(request)
    seconds = seconds_to_wait(request)
    if seconds:
        told = f"{seconds} {'second' if seconds == 1 else 'seconds'}"
        raise Conflict(f"too many tries with a password: wait {told}", code="too_many_tries")
    if not person.check_password(now):
        raise BadInput("that is not your password", faults=[Fault("now", "", accepted)])
    return person


class MyPassword(FormPage):
    """Another password. Tokens and other sessions of the person end; this one goes on."""

    form = PasswordChange
    template_name = "planner/my_password.html"
    section = "workshop"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        person = whose_password(request, asked["now"], "the password that you have now")
        if asked["password"] != asked["again"]:
            raise BadInput("the two differ", faults=[Fault("again", "", "the new password once more, the same")])
        changed = people.change_person(username=person.username, password=asked["password"])
        update_session_auth_hash(request, changed)
        return Done(reverse("myself"), "Your password is another now. Other devices must sign in anew.")


class LettersChosen(LetterChanges):
    """As a form sends it: what is not ticked is not wanted."""


class MyLetters(FormPage):
    form = LettersChosen
    clears = True
    template_name = "planner/my_letters.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"letter": letter_row(person_of(request))}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        row = facts["letter"]
        return {name: row[name] for name in ("email", "letter", "at_once")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        ticks = {name: asked.get(name, False) for name in ("letter", "at_once")}
        choices.choose_letters(person=person_of(request), email=asked.get("email", ""), **ticks)
        return Done(reverse("myself"), "Your letters are as you chose.")


class Away(Form):
    away_from = fields.Day(required=False, allow_null=True)
    away_to = fields.Day(required=False, allow_null=True)
    deputy = fields.Code(required=False, allow_null=True)


class MyAway(FormPage):
    """All left blank: here again."""

    form = Away
    clears = True
    template_name = "planner/my_away.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        others: Any = get_user_model().objects.filter(is_active=True).exclude(pk=person_of(request).pk)
        rows = others.order_by("username").values_list("username", "first_name")[:500]
        deputies = [(username, name or username) for username, name in rows]
        return {"away": away_row(person_of(request)), "deputies": deputies}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return dict(facts["away"])

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        code = asked.get("deputy")
        deputy = None if code is None else named(find_person, code, "deputy")
        days = {name: asked.get(name) for name in ("away_from", "away_to")}
        choices.go_away(person=person_of(request), deputy=deputy, **days)
        return Done(
            reverse("myself"), "You are here." if days["away_from"] is None else "Your absence is written down."
        )


class MyCalendar(Page):
    """The secret address for a calendar program, shown once and kept nowhere."""

    template_name = "planner/my_calendar.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"made_at": choices.choices_of(person_of(request)).calendar_made_at}

    def post(self, request: HttpRequest, **where: Any) -> HttpResponse:
        token = choices.make_calendar(person=person_of(request))
        there = reverse("calendar", kwargs={"token": token})
        address = settings.SITE_URL + there if settings.SITE_URL else request.build_absolute_uri(there)
        answer = self.shown(request, self.facts(request, **where) | {"address": address})
        answer["Cache-Control"] = "no-store"
        return answer


class Nothing(Form):
    """A yes."""


class EndCalendar(FormPage):
    form = Nothing
    template_name = "planner/my_calendar_end.html"
    section = "workshop"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        choices.revoke_calendar(person=person_of(request))
        return Done(reverse("myself"), "The address of your calendar opens nothing any more.")


ROUTES = [
    path("workshop/myself", Myself.as_view(), name="myself"),
    path("workshop/myself/password", MyPassword.as_view(), name="my-password"),
    path("workshop/myself/letters", MyLetters.as_view(), name="my-letters"),
    path("workshop/myself/away", MyAway.as_view(), name="my-away"),
    path("workshop/myself/calendar", MyCalendar.as_view(), name="my-calendar"),
    path("workshop/myself/calendar/end", EndCalendar.as_view(), name="my-calendar-end"),
]
