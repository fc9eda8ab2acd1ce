"""Upkeep: dated jobs that come again, such as calibrating a scale or sanitising."""

from __future__ import annotations

from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, answer_of, changes_of, lists, named, reads, writes
from inventory.api.pages import Listing
from planner.api.roles import ROLES
from planner.notices import upkeep as services
from planner.notices.models import Upkeep
from planner.people import find_person

COLUMNS = (
    "code", "name", "note", "every", "unit", "first_on", "next_on", "soon_days", "role", "person__username", "retired",
)  # fmt: skip
UNITS = tuple(Upkeep.Unit.values)


class UpkeepFilters(Form):
    """``due_before``: whose next day is before this one."""

    retired = fields.Flag(required=False)
    due_before = fields.Day(required=False)


class UpkeepForm(Form):
    """Every so many days, weeks or months from the first day on; ``every`` null: once. For a role or for a person;
    for neither, for those who see to upkeep. Told ``soon_days`` before."""

    upkeep = fields.Code()
    name = fields.Text()
    note = fields.Text(500, required=False, blank=True)
    every = fields.Whole(1, 1_000, required=False, allow_null=True)
    unit = fields.Choice(*UNITS, required=False)
    first_on = fields.Day()
    soon_days = fields.Days(required=False)
    role = fields.Choice(*ROLES, required=False, allow_null=True)
    person = fields.Code(required=False, allow_null=True, refers_to="people")
    retired = fields.Flag(required=False)


UpkeepChanges = changes_of(UpkeepForm, "UpkeepChanges", without=("upkeep",))


class UpkeepDoneForm(Form):
    """``done_on``: today unless said otherwise."""

    done_on = fields.Day(required=False)
    why = fields.Text(500, required=False, blank=True)


class UpkeepDoneRow(Answer):
    due_on = fields.Day()
    done_on = fields.Day()
    who = fields.Code(allow_null=True)
    why = fields.Text(500, blank=True)


UpkeepRow = answer_of(UpkeepForm, "UpkeepRow", next_on=fields.Day(allow_null=True))
UpkeepRow.__doc__ = "``next_on`` is null where nothing more is to come."
UpkeepAnswer = answer_of(UpkeepForm, "UpkeepAnswer", next_on=fields.Day(allow_null=True), done=UpkeepDoneRow(many=True))
UpkeepAnswer.__doc__ = "``done``: the times that it was done, the latest first, at most a hundred."


SCALE: Json = {
    "upkeep": "SCALE-1",
    "name": "Check the small scale with its weight",
    "note": "20 g, twice",
    "every": 1,
    "unit": "month",
    "first_on": "2027-03-01",
    "soon_days": 3,
    "role": "maker",
    "person": None,
    "retired": False,
    "next_on": "2027-03-01",
}
OF_SCALE = {"upkeep": "SCALE-1"}


def job_row(row: dict[str, Any]) -> Json:
    return {
        "upkeep": row["code"],
        "name": row["name"],
        "note": row["note"],
        "every": row["every"],
        "unit": row["unit"],
        "first_on": row["first_on"].isoformat(),
        "soon_days": row["soon_days"],
        "role": row["role"] or None,
        "person": row["person__username"],
        "retired": row["retired"],
        "next_on": row["next_on"].isoformat() if row["next_on"] else None,
    }


def read_job(code: str) -> Json:
    job = services.find_job(code)
    row = Upkeep.objects.filter(pk=job.pk).values(*COLUMNS).get()
    done = job.done.order_by("-due_on").values_list("due_on", "done_on", "who__username", "why")[:100]
    told = [
        {"due_on": due_on.isoformat(), "done_on": done_on.isoformat(), "who": who, "why": why}
        for due_on, done_on, who, why in done
    ]
    return job_row(dict(row)) | {"done": told}


def values_of(asked: Json) -> Json:
    values = dict(asked)
    if values.get("person") is not None:
        values["person"] = named(find_person, values["person"], "person")
    if "role" in values:
        values["role"] = values["role"] or ""
    return values


class UpkeepList(View):
    @lists(UpkeepRow, filters=UpkeepFilters, summary="List upkeep", query={"retired": "no"}, gives=[SCALE])
    def get(self, request: Request, asked: Json) -> Listing:
        """Every job, by code."""
        rows = Upkeep.objects.all()
        if "retired" in asked:
            rows = rows.filter(retired=asked["retired"])
        if "due_before" in asked:
            rows = rows.filter(next_on__lt=asked["due_before"])
        return Listing(rows.values(*COLUMNS), "code", job_row)

    @writes(
        UpkeepForm,
        UpkeepAnswer,
        status=201,
        summary="Make a job of upkeep",
        asks={
            "upkeep": "SCALE-1", "name": "Check the small scale with its weight", "note": "20 g, twice", "every": 1,
            "unit": "month", "first_on": "2027-03-01", "role": "maker",
        },
        gives=SCALE | {"done": []},
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """A job that comes again, or once. The 31st is the last day of a shorter month, and the 31st again after it."""
        code = asked.pop("upkeep")
        services.make_job(code=code, values=values_of(asked))
        return read_job(code)


class OneUpkeep(View):
    @reads(UpkeepAnswer, summary="Read a job of upkeep", path=OF_SCALE, gives=SCALE | {"done": []})
    def get(self, request: Request, asked: Json, upkeep: str) -> Json:
        """One job, with the times that it was done."""
        return read_job(upkeep)

    @writes(
        UpkeepChanges,
        UpkeepAnswer,
        summary="Change a job of upkeep",
        path=OF_SCALE,
        asks={"every": 2, "unit": "week", "first_on": "2027-03-08"},
        gives=SCALE | {"every": 2, "unit": "week", "first_on": "2027-03-08", "next_on": "2027-03-08", "done": []},
    )
    def patch(self, request: Request, asked: Json, upkeep: str) -> Json:
        """Change what is given. A retired job is not told any more; nothing is deleted."""
        services.change_job(job=services.find_job(upkeep), values=values_of(asked))
        return read_job(upkeep)


class UpkeepDone(View):
    @writes(
        UpkeepDoneForm,
        UpkeepAnswer,
        summary="A job of upkeep is done",
        path=OF_SCALE,
        asks={"why": "reads 20.00 g"},
        gives=SCALE
        | {
            "next_on": "2027-04-01",
            "done": [{"due_on": "2027-03-01", "done_on": "2027-03-01", "who": "owner", "why": "reads 20.00 g"}],
        },
    )
    def post(self, request: Request, asked: Json, upkeep: str) -> Json:
        """The next day is the first of its days after the one on which it was done."""
        done_on = asked.pop("done_on", None) or clock.today()
        services.record_done(job=services.find_job(upkeep), done_on=done_on, who=request.user, **asked)
        return read_job(upkeep)


ROUTES = [
    path("upkeep", UpkeepList.as_view(), name="upkeep"),
    path("upkeep/<code:upkeep>", OneUpkeep.as_view(), name="upkeep-job"),
    path("upkeep/<code:upkeep>/done", UpkeepDone.as_view(), name="upkeep-done"),
]
