"""Who stands at a shared screen, by name and PIN; handing a screen to the bench; one's own PIN, and its end."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.errors import BadInput, Fault
from inventory.pages.frame import Done, Facts, FormPage, person_of
from planner import people, pins, shared_screen
from planner.api.people import read_person
from planner.pages.myself import whose_password

SHEETS = "/batch-sheets"


def _back(text: str) -> str:
    """Where to go on: a batch sheet of ours, else their list."""
    local = text.startswith(f"{SHEETS}/") and text.isprintable() and not {"\\", " "} & {*text} and "//" not in text
    return text if local else reverse("batch-sheets")


class Chosen(Form):
    person = fields.Text(150)
    pin = fields.Secret()
    to = fields.Text(300, required=False)


class Bench(FormPage):
    """Who is at the bench? The first PIN hands the screen over. Its tries stay counted, so no act is kept or undone."""

    form = Chosen
    kept = False
    template_name = "planner/bench.html"
    section = "batch-sheets"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        wanted = request.POST.get("to") or request.GET.get("to", "")
        return {"people": pins.people_with_a_pin(), "to": _back(wanted)}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        device = shared_screen.device_of(request)
        found = pins.try_pin(username=asked["person"], pin=asked["pin"], device=device)
        shared_screen.choose(request, found)
        name = found.person.first_name or found.person.get_username()
        return Done(_back(asked.get("to", "")), f"At the bench: {name}.")


class To(Form):
    to = fields.Text(300, required=False)


class Leave(FormPage):
    """Nobody is chosen from now on. Of a session of one's own: it is the bench's from now on."""

    form = To
    kept = False
    http_method_names = ["post"]
    template_name = "planner/bench.html"
    section = "batch-sheets"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        was_shared = shared_screen.screen_of(request) is not None
        shared_screen.hand_over(request)
        to = f"{reverse('bench')}?{urlencode({'to': _back(asked.get('to', ''))})}"
        return Done(to, "Nobody is chosen now." if was_shared else "This screen is the bench's now.")


class PinWritten(Form):
    now = fields.Secret()
    pin = fields.Secret()
    again = fields.Secret()


class MyPin(FormPage):
    form = PinWritten
    template_name = "planner/my_pin.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"pin": pins.pin_of(person_of(request))}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        person = whose_password(request, asked["now"], "the password that you sign in with")
        if asked["pin"] != asked["again"]:
            raise BadInput("the two differ", faults=[Fault("again", "", "the PIN once more, the same")])
        pins.set_pin(person=person, pin=asked["pin"])
        return Done(reverse("myself"), "You sign at the bench with this PIN now.")


class Nothing(Form):
    """A yes."""


class EndMyPin(FormPage):
    form = Nothing
    template_name = "planner/pin_end.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"name": "", "pin": pins.pin_of(person_of(request)), "back": reverse("myself"), "word": "Yourself"}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        pins.remove_pin(person=person_of(request))
        return Done(reverse("myself"), "You have no PIN any more.")


class EndPin(FormPage):
    """An owner takes somebody's PIN away. What it is nobody can read."""

    form = Nothing
    template_name = "planner/pin_end.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        row = read_person(where["person"])
        return {
            "name": row["name"] or row["person"],
            "pin": pins.pin_of(people.find_person(where["person"])),
            "back": reverse("person", kwargs={"person": where["person"]}),
            "word": row["person"],
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        person = people.find_person(where["person"])
        pins.remove_pin(person=person)
        return Done(reverse("person", kwargs={"person": where["person"]}), f"{person.username} has no PIN any more.")


ROUTES = [
    path("bench", Bench.as_view(), name="bench"),
    path("bench/leave", Leave.as_view(), name="bench-leave"),
    path("workshop/myself/pin", MyPin.as_view(), name="my-pin"),
    path("workshop/myself/pin/end", EndMyPin.as_view(), name="my-pin-end"),
    path("workshop/person/<code:person>/pin", EndPin.as_view(), name="person-pin-end"),
]
