"""Upkeep: dated jobs that come again, such as checking a scale with its weight, and when each was done."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import get_user_model
from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.pages.conventions import show_day
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, person_of
from planner.api.roles import ROLES
from planner.api.upkeep import COLUMNS, UpkeepChanges, UpkeepDoneForm, UpkeepForm, job_row, read_job, values_of
from planner.notices import upkeep as services
from planner.notices.models import Upkeep

UNIT_WORDS = [("day", "days"), ("week", "weeks"), ("month", "months")]


class UpkeepShown(Form):
    retired = fields.Flag(required=False)


class UpkeepList(Page):
    """What comes again, by code; with ``retired`` those that do not any more."""

    template_name = "planner/upkeep.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, _ = chosen(UpkeepShown, request)
        retired = asked.get("retired", False)
        rows = Upkeep.objects.filter(retired=retired).values(*COLUMNS)
        return {
            "cut": cut(Listing(rows, "code", _row), request),
            "retired": retired,
            "today": clock.today().isoformat(),
        }


def _row(row: dict[str, Any]) -> dict[str, Any]:
    return job_row(row) | {"rhythm": _rhythm(row["every"], row["unit"])}


def _rhythm(every: int | None, unit: str) -> str:
    if every is None:
        return "once"
    return f"every {unit}" if every == 1 else f"every {every} {unit}s"


class OneUpkeep(Page):
    template_name = "planner/upkeep_job.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        job = read_job(where["upkeep"])
        return {"job": job, "rhythm": _rhythm(job["every"], job["unit"]), "today": clock.today().isoformat()}


class Writing(FormPage):
    template_name = "planner/upkeep_form.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        people: Any = get_user_model().objects.filter(is_active=True).order_by("username")
        rows = people.values_list("username", "first_name")[:500]
        return {
            "units": UNIT_WORDS,
            "roles": [(role, role) for role in ROLES],
            "people": [(username, name or username) for username, name in rows],
        }


class AddUpkeep(Writing):
    form = UpkeepForm

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return {"every": 1, "unit": "month", "first_on": clock.today().isoformat(), "soon_days": 3}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        job = services.make_job(code=asked.pop("upkeep"), values=values_of(asked))
        return Done(reverse("upkeep-job", kwargs={"upkeep": job.code}), f"{job.name}: written down.")


class ChangeUpkeep(Writing):
    guards = True
    form = UpkeepChanges
    clears = True

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return super().facts(request, **where) | {"job": read_job(where["upkeep"])}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return {name: facts["job"][name] for name in UpkeepChanges._declared_fields}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        values = values_of({"retired": False} | asked)
        job = services.change_job(job=services.find_job(where["upkeep"]), values=values)
        return Done(reverse("upkeep-job", kwargs={"upkeep": job.code}), f"{job.name}: changed.")


class UpkeepDone(FormPage):
    form = UpkeepDoneForm
    template_name = "planner/upkeep_done.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"job": read_job(where["upkeep"])}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return {"done_on": clock.today().isoformat()}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        done_on = asked.pop("done_on", None) or clock.today()
        job = services.find_job(where["upkeep"])
        services.record_done(job=job, done_on=done_on, who=person_of(request), **asked)
        job.refresh_from_db()
        again = f" The next time is {show_day(job.next_on, weekday=True)}." if job.next_on else ""
        return Done(reverse("upkeep-job", kwargs={"upkeep": job.code}), f"{job.name}: done.{again}")


ROUTES = [
    path("workshop/upkeep", UpkeepList.as_view(), name="upkeep"),
    path("workshop/upkeep/new", AddUpkeep.as_view(), name="upkeep-add"),
    path("workshop/upkeep/job/<code:upkeep>", OneUpkeep.as_view(), name="upkeep-job"),
    path("workshop/upkeep/job/<code:upkeep>/change", ChangeUpkeep.as_view(), name="upkeep-change"),
    path("workshop/upkeep/job/<code:upkeep>/done", UpkeepDone.as_view(), name="upkeep-done"),
]
