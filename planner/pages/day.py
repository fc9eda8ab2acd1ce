"""The Day sheet, and what a person does with a notice: done, or put off until a day."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form
from inventory.pages.conventions import show_day
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, person_of
from planner import day
from planner.api.access import roles_of
from planner.api.notices import PutOffForm, WhyForm
from planner.notices import acts, selectors


class DayShown(Form):
    everything = fields.Flag(required=False)


class DaySheet(Page):
    template_name = "planner/day.html"
    section = "day-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, _ = chosen(DayShown, request)
        everything = asked.get("everything", False)
        person, roles = person_of(request), roles_of(request.user)
        return {"sheet": day.day_sheet(person, roles, everything=everything), "everything": everything}


class OfANotice(FormPage):
    section = "day-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        notice = selectors.find_visible(where["notice"], roles_of(request.user))
        row = selectors.visible_to(roles_of(request.user)).filter(pk=notice.pk).values(*selectors.COLUMNS)[0]
        return {"notice": selectors.notice_row(row, clock.today()), "history": selectors.history_of(notice)}


class PutOff(OfANotice):
    """One notice with what was done with it; the form puts it off."""

    form = PutOffForm
    template_name = "planner/notice.html"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        notice = selectors.find_visible(where["notice"], roles_of(request.user))
        acts.put_off(notice=notice, who=person_of(request), **asked)
        return Done(reverse("day-sheet"), f"Put off until {show_day(asked['until'])}: {notice.what}.")


class SeenTo(OfANotice):
    form = WhyForm
    template_name = "planner/notice_done.html"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        notice = selectors.find_visible(where["notice"], roles_of(request.user))
        acts.mark_done(notice=notice, who=person_of(request), **asked)
        return Done(reverse("day-sheet"), f"Done: {notice.what}.")


ROUTES = [
    path("day", DaySheet.as_view(), name="day-sheet"),
    path("day/notice/<uuid:notice>", PutOff.as_view(), name="notice-put-off"),
    path("day/notice/<uuid:notice>/done", SeenTo.as_view(), name="notice-done"),
]
