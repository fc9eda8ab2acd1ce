"""Heavy work in the background: asked for, looked at while it runs, its result fetched, cancelled."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpRequest
from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, File, Form, Json, Problem, View, lists, reads, writes
from inventory.api.pages import Listing
from inventory.errors import Fault, NotAllowed, NotFound
from planner.api.access import roles_of
from planner.api.alerts import shown
from planner.api.plans import SPAN, span_of
from planner.api.problems import document
from planner.api.rights.jobs import ASKS
from planner.api.roles import OWNER
from planner.api.tables import (
    MEDIA,
    XLSX,
    ZIP,
    ArchiveParser,
    ArchiveRenderer,
    TablesIn,
    WorkbookParser,
    WorkbookRenderer,
)
from planner.api.trace import TraceOf
from planner.api.wire import Renderer
from planner.jobs import board, services
from planner.jobs.kinds import JSON, MOST_RESULT_BYTES
from planner.jobs.models import WORD_LENGTH, Job, JobFile

KINDS = tuple(Job.Kind.values)
STATES = tuple(Job.State.values)
ASKED_BY = "asked_by__username"
COLUMNS = (
    "pk", "uid", "kind", "asks", "state", "percent", "doing", ASKED_BY, "asked_at", "started_at", "ended_at", "refusal",
    "claim",
)  # fmt: skip

JobPlan = type("JobPlan", (Form,), dict(SPAN))


class JobTrace(TraceOf):
    """As of ``GET /trace``: any number a lot bears; with ``item`` as often as ``lot``, or not at all."""


class JobExport(Form):
    format = fields.Choice("xlsx", "zip")


class JobFilters(Form):
    """``mine``: yes for those that you asked for."""

    kind = fields.Choice(*KINDS, required=False)
    state = fields.Choice(*STATES, required=False)
    mine = fields.Flag(required=False)


class JobResultAnswer(Answer):
    name = fields.Text()
    media_type = fields.Text()
    bytes = fields.Whole(0, MOST_RESULT_BYTES)


class JobRowsAnswer(Answer):
    """``tables``: each with ``name``, ``header`` and ``rows``; a row has its ``number``, ``kind`` (new, changed, wrong)
    and ``cells`` (``text``, ``was``, ``faults``). ``faults`` are those that stand in no cell, a sentence for each."""

    tables = fields.AnyJson()
    faults = fields.ListOf(fields.Text(5_000))
    more_faults = fields.Whole(0, 10**9)


class JobAnswer(Answer):
    """``percent`` is counted, and ``doing`` says what: reading, checking, netting, writing.

    ``problem`` is that of a failed job. ``result`` is null while there is none, and when it was kept long enough.
    """

    job = fields.Uid()
    kind = fields.Choice(*KINDS)
    asks = fields.AnyJson()
    state = fields.Choice(*STATES)
    percent = fields.Whole(0, 100)
    doing = fields.Text(WORD_LENGTH, blank=True)
    asked_by = fields.Text(150, allow_null=True)
    asked_at = fields.Instant()
    started_at = fields.Instant(allow_null=True)
    ended_at = fields.Instant(allow_null=True)
    problem = Problem(allow_null=True)
    result = JobResultAnswer(allow_null=True)


# --- rows --------------------------------------------------------------------------------------------------


def job_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """Jobs as answered, from rows of COLUMNS: one query for the results of all, one look at the signs of life."""
    done = [row["pk"] for row in rows if row["state"] == Job.State.DONE]
    found = JobFile.objects.filter(job__in=done, part=JobFile.Part.RESULT) if done else JobFile.objects.none()
    results = {
        job: {"name": name, "media_type": media_type, "bytes": size}
        for job, name, media_type, size in found.values_list("job", "name", "media_type", "size")
    }
    signs = board.signs_of((row["pk"], row["claim"]) for row in rows)
    return [_job_row(row, results.get(row["pk"]), signs.get(row["pk"])) for row in rows]


def _job_row(row: dict[str, Any], result: Json | None, sign: board.Sign | None) -> Json:
    return {
        "job": str(row["uid"]),
        "kind": row["kind"],
        "asks": row["asks"],
        "state": row["state"],
        "percent": sign.percent if sign else row["percent"],
        "doing": sign.doing if sign else row["doing"],
        "asked_by": row["asked_by__username"],
        **{name: shown(row[name]) for name in ("asked_at", "started_at", "ended_at")},
        "problem": None if row["refusal"] is None else problem_of(row["refusal"]),
        "result": result,
    }


def problem_of(refusal: Json) -> Json:
    """The problem document that the same act would have answered at once."""
    faults = [Fault(**one) for one in refusal["faults"]]
    return document(refusal["status"], refusal["code"], refusal["message"], faults, **refusal["facts"])


def job_row(job: Job) -> Json:
    """The job as it was read: a page that reads it once never tells of two moments."""
    row = {name: getattr(job, name) for name in COLUMNS if name != ASKED_BY}
    return job_rows([row | {ASKED_BY: job.asked_by.get_username() if job.asked_by else None}])[0]


def seen_job(request: Request | HttpRequest, uid: UUID) -> Job:
    """The job, where the person's roles cover its kind. Raises NotFound, NotAllowed."""
    job = services.find_job(uid)
    if not roles_of(request.user) & set(ASKS[job.kind]):
        raise NotAllowed(f"your roles do not cover a job of the kind {job.kind}")
    return job


# --- examples ----------------------------------------------------------------------------------------------

UID = "0b6f7a52-3f0e-4c39-9f0a-6f1f6f6d2c11"
QUEUED: Json = {
    "job": UID, "kind": "plan", "asks": {"from": "2027-03-01", "weeks": 8}, "state": "queued", "percent": 0,
    "doing": "", "asked_by": "owner", "asked_at": "2027-03-01T09:00:00+00:00", "started_at": None, "ended_at": None,
    "problem": None, "result": None,
}  # fmt: skip
CHECKED: Json = {"file": "tables.zip", "bytes": 4, "check": True}
AGREED: Json = CHECKED | {"check": False, "agreed": {"added": {"items": 1}, "updated": {}, "unchanged": {}}}
CANCELLED = QUEUED | {"state": "cancelled", "ended_at": "2027-03-01T09:00:00+00:00"}


# --- views -------------------------------------------------------------------------------------------------


class Jobs(View):
    @lists(JobAnswer, filters=JobFilters, summary="List jobs", query={"kind": "plan"}, gives=[QUEUED])
    def get(self, request: Request, asked: Json) -> Listing:
        """Heavy work that was asked for, the latest first, of the kinds that your roles cover."""
        roles = roles_of(request.user)
        rows = Job.objects.filter(kind__in=[kind for kind, allowed in ASKS.items() if roles & set(allowed)])
        if "mine" in asked:
            mine = {"asked_by": request.user}
            rows = rows.filter(**mine) if asked.pop("mine") else rows.exclude(**mine)
        return Listing(rows.filter(**asked).values(*COLUMNS), "-pk", show_page=job_rows)


class PlanJob(View):
    @writes(
        JobPlan,
        JobAnswer,
        status=202,
        summary="Ask for a plan in the background",
        asks={"from": "2027-03-01", "weeks": 8},
        gives=QUEUED,
    )
    def post(self, request: Request, asked: Json) -> Json:
        """The result is the document of ``GET /plan``. Poll the job until its state is done, failed or cancelled."""
        return job_row(services.ask_for_plan(**span_of(asked), who=request.user))


class TraceJob(View):
    @writes(
        JobTrace,
        JobAnswer,
        status=202,
        summary="Ask for a trace in the background",
        asks={"lot": ["HH 77-a"], "item": ["OIL"], "direction": "forward"},
        gives=QUEUED | {"kind": "trace", "asks": {"lots": [["OIL", "O1"]], "direction": "forward"}},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """The result is the document of ``GET /trace``; lots that are not found are told at once."""
        forward = asked.get("direction") != "backward"
        return job_row(
            services.ask_for_trace(lots=asked["lot"], items=asked.get("item", []), forward=forward, who=request.user)
        )


class ExportJob(View):
    @writes(
        JobExport,
        JobAnswer,
        status=202,
        summary="Ask for the tables in the background",
        asks={"format": "zip"},
        gives=QUEUED | {"kind": "export", "asks": {"format": "zip"}},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """The result is the file of ``GET /tables``, as the workshop is when the job runs."""
        return job_row(services.ask_for_export(form=asked["format"], who=request.user))


class ImportJob(View):
    parser_classes = [WorkbookParser, ArchiveParser]

    @writes(
        None,
        JobAnswer,
        status=202,
        filters=TablesIn,
        takes_media=MEDIA,
        summary="Bring tables in, in the background",
        query={"check": "yes"},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """One workbook, or a ZIP of CSV files, as the content of the request: all of it is loaded, or nothing.

        The result is the answer of ``POST /tables``; a job that failed has its problem, with every fault.
        """
        media_type = (request.content_type or "").partition(";")[0].strip().lower()
        brought = services.Brought(f"tables.{'zip' if media_type == ZIP else 'xlsx'}", media_type, asked["file"])
        return job_row(services.ask_for_import(brought=brought, check_only=asked.get("check", False), who=request.user))


class OneJob(View):
    @reads(JobAnswer, summary="Look at a job", path={"job": UID}, gives=QUEUED)
    def get(self, request: Request, asked: Json, job: UUID) -> Json:
        """How far it has come; look as often as every second."""
        return job_row(seen_job(request, job))


class JobResult(View):
    def get_renderers(self) -> list[Any]:
        return [Renderer(), WorkbookRenderer(), ArchiveRenderer()]

    @reads(
        None,
        summary="Fetch what came of a job",
        path={"job": UID},
        gives_media=(JSON, XLSX, ZIP),
        refuses=[404, 409],
    )
    def get(self, request: Request, asked: Json, job: UUID) -> File:
        """A file of the kind that the job names in ``result``; kept for seven days."""
        found = services.result_of(seen_job(request, job))
        return File(services.content_of(found), found.media_type, found.name)


class JobRows(View):
    @reads(
        JobRowsAnswer,
        summary="See what tables would change",
        path={"job": UID},
        refuses=[404],
        gives={"tables": [], "faults": [], "more_faults": 0},
    )
    def get(self, request: Request, asked: Json, job: UUID) -> Json:
        """Of tables that were only checked: the rows that would be new or changed, or every fault at its cell."""
        found = services.shown_of(seen_job(request, job))
        if found is None:
            raise NotFound("no rows are kept of this job: it checks no tables, has not ended, or was long ago")
        return dict(orjson.loads(services.content_of(found)))


class AgreeJob(View):
    @writes(
        None,
        JobAnswer,
        status=202,
        summary="Agree to tables that were checked",
        path={"job": UID},
        gives=QUEUED | {"kind": "import", "asks": AGREED},
    )
    def post(self, request: Request, asked: Json, job: UUID) -> Json:
        """A job that brings in what was checked, once; it fails where the tables would do something else by now."""
        return job_row(services.agree(looked_at=seen_job(request, job), who=request.user))


class CancelJob(View):
    @writes(None, JobAnswer, summary="Cancel a job", path={"job": UID}, gives=CANCELLED)
    def post(self, request: Request, asked: Json, job: UUID) -> Json:
        """What waits is not begun; what runs stops between two steps, and nothing of it is written."""
        may_cancel_all = OWNER in roles_of(request.user)
        return job_row(services.cancel(job=seen_job(request, job), who=request.user, may_cancel_all=may_cancel_all))


ROUTES = [
    path("jobs", Jobs.as_view(), name="jobs"),
    path("jobs/plan", PlanJob.as_view(), name="job-plan"),
    path("jobs/trace", TraceJob.as_view(), name="job-trace"),
    path("jobs/export", ExportJob.as_view(), name="job-export"),
    path("jobs/import", ImportJob.as_view(), name="job-import"),
    path("jobs/<uuid:job>", OneJob.as_view(), name="job"),
    path("jobs/<uuid:job>/result", JobResult.as_view(), name="job-result"),
    path("jobs/<uuid:job>/rows", JobRows.as_view(), name="job-rows"),
    path("jobs/<uuid:job>/agree", AgreeJob.as_view(), name="job-agree"),
    path("jobs/<uuid:job>/cancel", CancelJob.as_view(), name="job-cancel"),
]
