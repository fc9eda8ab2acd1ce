"""Tables brought in, looked at before anything is written, and taken out. Both run in the background, with a bar."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.errors import BadInput, Fault, NotFound, TooLarge
from inventory.pages.frame import Done, Facts, FormPage, person_of
from planner.api.jobs import seen_job
from planner.api.tables import XLSX, ZIP
from planner.exchange.archive import packed
from planner.exchange.limits import MAX_FILE_BYTES
from planner.jobs import services
from planner.jobs.models import Job
from planner.pages.background import job_address, waiting

MOST_FILES = 50
SHOWN_AS = {"formula_lines": "lines of formulas", "purchase_orders": "purchase orders"}


class Nothing(Form):
    """A form whose only content is a file, or a yes."""


class BringIn(FormPage):
    """Choose a workbook or CSV files. What they would do is looked at in the background; nothing is written yet."""

    form = Nothing
    template_name = "planner/bring_in.html"
    section = "workshop"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        job = services.ask_for_import(brought=_brought(request), check_only=True, who=person_of(request))
        return Done(reverse("bring-in-look", kwargs={"job": job.uid}))


def _brought(request: HttpRequest) -> services.Brought:
    """The chosen file; several CSV files, or one, as a ZIP. Raises BadInput, TooLarge."""
    files = request.FILES.getlist("file")
    accepted = "one workbook (.xlsx), one .zip, or files .csv named as their tables, such as items.csv"
    names = [str(file.name) for file in files]
    if not files or len(files) > MOST_FILES:
        raise BadInput("choose a file first", faults=[Fault("file", "", accepted)])
    if sum(int(file.size or 0) for file in files) > MAX_FILE_BYTES:
        raise TooLarge(f"a file of tables holds at most {MAX_FILE_BYTES // 1024**2} MiB")
    endings = {name.rpartition(".")[2].lower() for name in names}
    if endings == {"csv"} and len(set(names)) == len(names):
        content = {name: file.read() for name, file in zip(names, files, strict=True)}
        return services.Brought("tables.zip", ZIP, packed(content))
    if len(files) == 1 and endings <= {"xlsx", "zip"}:
        kind = next(iter(endings))
        return services.Brought(f"tables.{kind}", ZIP if kind == "zip" else XLSX, files[0].read())
    raise BadInput("this cannot be read as tables", faults=[Fault("file", ", ".join(names)[:100], accepted)])


class Look(FormPage):
    """What a check found: every row that would change, or every fault in its cell. The form agrees to it."""

    form = Nothing
    template_name = "planner/bring_in_look.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        job = _look(request, where["job"])
        found: Facts = {"job": job, "waiting": waiting(job, "Looking at the tables")}
        shown = services.shown_of(job)
        if shown is not None:
            found |= {"shown": _with_words(json.loads(services.content_of(shown)))}
        if job.state == Job.State.DONE:
            found |= {
                "report": json.loads(services.content_of(services.result_of(job)))["report"],
                "may_agree": services.may_be_agreed(job),
            }
        return found

    def get(self, request: HttpRequest, **where: Any) -> Any:
        answer = super().get(request, **where)
        job = _look(request, where["job"])
        if request.headers.get("HX-Request") and job.state not in services.NOT_ENDED:
            answer["HX-Refresh"] = "true"
        return answer

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        job = services.agree(looked_at=_look(request, where["job"]), who=person_of(request))
        return Done(job_address(job))


def _look(request: HttpRequest, uid: UUID) -> Job:
    job = seen_job(request, uid)
    if job.kind != Job.Kind.IMPORT or not job.asks.get("check"):
        raise NotFound("no tables were looked at under this address")
    return job


def _with_words(shown: dict[str, Any]) -> dict[str, Any]:
    for table in shown["tables"]:
        table["words"] = SHOWN_AS.get(table["name"], table["name"].replace("_", " "))
        table["has_faults_of_row"] = any(row["faults"] for row in table["rows"])
        table["width"] = len(table["header"]) + 1
    return shown


class Format(Form):
    format = fields.Choice("xlsx", "zip")


class TakeOut(FormPage):
    """The workshop's tables as a file, made in the background."""

    form = Format
    template_name = "planner/take_out.html"
    section = "workshop"

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        return {"format": "xlsx"}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"formats": [("xlsx", "one workbook (.xlsx)"), ("zip", "CSV files in one ZIP")]}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        return Done(job_address(services.ask_for_export(form=asked["format"], who=person_of(request))))


ROUTES = [
    path("workshop/bring-in", BringIn.as_view(), name="bring-in"),
    path("workshop/bring-in/<uuid:job>", Look.as_view(), name="bring-in-look"),
    path("workshop/take-out", TakeOut.as_view(), name="take-out"),
]
