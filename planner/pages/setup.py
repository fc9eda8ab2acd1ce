"""The workshop's settings, its places, and its holidays."""

from __future__ import annotations

from functools import cache
from typing import Any
from zoneinfo import available_timezones

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, places, workshop
from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.api.workshop import SettingsChanges, read_settings
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut
from inventory.services.workshop import change_settings
from planner.notices import days

WEEKDAY_WORDS = dict(
    zip(workshop.WEEKDAYS, ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"), strict=True)
)
UNIT_WORDS = {"g kg": "g, from 1000 g on kg", "oz": "oz (avoirdupois)", "fl oz": "fl oz where the density is known"}


@cache
def _zones() -> list[tuple[str, str]]:
    return [(zone, "") for zone in sorted(available_timezones()) if "/" in zone and not zone.startswith("Etc/")]


SettingsForm = type(
    "SettingsForm",
    (Form,),
    {name: one for name, one in SettingsChanges._declared_fields.items() if name != "open_days"}
    | {day: fields.Flag(required=False) for day in workshop.WEEKDAYS},
)


class Settings(FormPage):
    guards = True
    form = SettingsForm
    clears = True
    template_name = "planner/settings.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "settings": read_settings(),
            "week": list(WEEKDAY_WORDS.items()),
            "zones": _zones(),
            "units": [(unit, UNIT_WORDS.get(unit, unit)) for unit in workshop.UNITS],
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        open_days = facts["settings"]["open_days"].split()
        return dict(facts["settings"]) | {day: day in open_days for day in workshop.WEEKDAYS}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        ticked = " ".join(day for day in workshop.WEEKDAYS if asked.pop(day, False))
        wanted = asked | {"open_days": ticked or "none"}
        stands = read_settings()
        change_settings(values={key: text for key, text in wanted.items() if text != stands[key]})
        return Done(reverse("settings"), "The settings are as you wrote them.")


# --- places ------------------------------------------------------------------------------------------------


class Places(Page):
    template_name = "planner/places.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"rows": places.places_in_use(), "most": places.MOST_PLACES, "today": clock.today()}


class PlaceAsked(Form):
    place = fields.Text(64, required=False)


class OnePlace(Page):
    """What stands in a place; without a name, what stands where no place was written down."""

    template_name = "planner/place.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(PlaceAsked, request)
        place = asked.get("place", "")
        listing = Listing(places.standing_in(place), "pk", show=_portion)
        return {"form": form, "place": place, "today": clock.today(), "cut": cut(listing, request)}


def _portion(row: dict[str, Any]) -> dict[str, Any]:
    return {name.removeprefix("lot__").replace("__", "_"): value for name, value in row.items()}


# --- holidays ----------------------------------------------------------------------------------------------


class YearAsked(Form):
    year = fields.Whole(2000, 2100, required=False)


class Holidays(Page):
    """The holidays of the workshop's country in a year."""

    template_name = "planner/holidays.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(YearAsked, request)
        year = asked.get("year", clock.today().year)
        values = workshop.values_of(("country", "open_days"))
        open_weekdays = workshop.read_open_days(values["open_days"])
        return {
            "form": form,
            "year": year,
            "country": values["country"],
            "today": clock.today(),
            "rows": [
                {"day": day, "name": name, "closed_anyway": day.weekday() not in open_weekdays}
                for day, name in days.holidays_of(values["country"], year)
            ],
        }


ROUTES = [
    path("workshop/settings", Settings.as_view(), name="settings"),
    path("workshop/places", Places.as_view(), name="places"),
    path("workshop/place", OnePlace.as_view(), name="place"),
    path("workshop/holidays", Holidays.as_view(), name="holidays"),
]
