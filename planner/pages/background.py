"""Work under way: what was asked for, how far it has come, what came of it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, person_of
from planner.api.access import roles_of
from planner.api.jobs import COLUMNS, KINDS, job_row, job_rows, seen_job
from planner.api.plans import SPAN, span_of
from planner.api.rights.jobs import ASKS
from planner.api.roles import OWNER
from planner.jobs import services
from planner.jobs.models import Job

WORDS = {"plan": "A plan", "trace": "A trace", "export": "Tables taken out", "import": "Tables brought in"}
STATES = {
    "queued": "waits for its turn",
    "running": "under way",
    "done": "done",
    "failed": "failed: nothing was written",
    "cancelled": "cancelled: nothing was written",
}


@dataclass(frozen=True, slots=True)
class Waiting:
    """What the piece ``progress.html`` shows."""

    what: str
    done: int
    total: int
    told: str
    ended: bool


def waiting(job: Job, what: str) -> Waiting:
    row = job_row(job)
    told = STATES[row["state"]]
    if row["state"] == Job.State.RUNNING:
        told = f"{row['percent']} % ({row['doing']})" if row["doing"] else f"{row['percent']} %"
    return Waiting(what, row["percent"], 100, f"{told[0].upper()}{told[1:]}.", row["state"] not in services.NOT_ENDED)


def job_address(job: Job) -> str:
    return reverse("job", kwargs={"job": job.uid})


def _told_of(row: dict[str, Any]) -> str:
    asks = row["asks"]
    if row["kind"] == "import":
        return "only looked at" if asks.get("check") else "all of it, or nothing"
    if row["kind"] == "trace":
        return ", ".join(f"lot {lot} of {item}" for item, lot in asks["lots"][:3])
    return f"{asks['weeks']} weeks from {asks['from']}" if row["kind"] == "plan" else f".{asks['format']}"


def _address_of(row: dict[str, Any]) -> str:
    is_look = row["kind"] == "import" and row["asks"].get("check")
    return reverse("bring-in-look" if is_look else "job", kwargs={"job": row["job"]})


class JobsShown(Form):
    kind = fields.Choice(*KINDS, required=False)


class Jobs(Page):
    """The latest first, of the kinds that the person's roles cover."""

    template_name = "planner/jobs.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(JobsShown, request)
        roles = roles_of(request.user)
        rows = Job.objects.filter(kind__in=[kind for kind, allowed in ASKS.items() if roles & set(allowed)], **asked)

        def shown(page: list[dict[str, Any]]) -> list[dict[str, Any]]:
            return [
                row
                | {
                    "words": WORDS[row["kind"]],
                    "told": _told_of(row),
                    "to": _address_of(row),
                    "state_told": STATES[row["state"]],
                }
                for row in job_rows(page)
            ]

        return {
            "form": form,
            "kinds": list(WORDS.items()),
            "asked": bool(asked),
            "cut": cut(Listing(rows.values(*COLUMNS), "-pk", show_page=shown), request),
        }


JobPlan = type("PlanAsked", (Form,), dict(SPAN))


class AskForPlan(FormPage):
    form = JobPlan
    template_name = "planner/job_plan.html"
    section = "workshop"

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        return {"from": clock.today().isoformat(), "weeks": 8}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        return Done(job_address(services.ask_for_plan(**span_of(asked), who=person_of(request))))


class Nothing(Form):
    """A yes."""


class OneJob(FormPage):
    """A bar that is counted, then what came of it. The form cancels what has not ended."""

    form = Nothing
    template_name = "planner/job.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        job = seen_job(request, where["job"])
        row = job_row(job)
        found: Facts = {
            "job": row,
            "words": WORDS[job.kind],
            "told": _told_of(row),
            "waiting": waiting(job, WORDS[job.kind]),
            "may_cancel": job.state in services.NOT_ENDED
            and (job.asked_by_id == person_of(request).pk or OWNER in roles_of(request.user)),
        }
        if job.kind == Job.Kind.IMPORT and row["result"]:
            report = json.loads(services.content_of(services.result_of(job)))
            found["brought"] = [
                f"{count} {said} in {name.replace('_', ' ')}"
                for said, counts in (("new", report["added"]), ("changed", report["updated"]))
                for name, count in counts.items()
            ] or ["Nothing was new, or other than it is."]
            found["report"] = report["report"]
        return found

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        answer = super().get(request, **where)
        ended = seen_job(request, where["job"]).state not in services.NOT_ENDED
        if request.headers.get("HX-Request") and ended:
            answer["HX-Refresh"] = "true"  # what came of it stands outside the bar
        return answer

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        job = seen_job(request, where["job"])
        may_cancel_all = OWNER in roles_of(request.user)
        ended = services.cancel(job=job, who=person_of(request), may_cancel_all=may_cancel_all)
        return Done(job_address(ended), "Cancelled: nothing of it was written.")


class JobFile(Page):
    """What came of a job, as a file."""

    section = "workshop"

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        found = services.result_of(seen_job(request, where["job"]))
        answer = HttpResponse(services.content_of(found), content_type=found.media_type)
        answer["Content-Disposition"] = f'attachment; filename="{found.name}"'
        return answer


ROUTES = [
    path("workshop/jobs", Jobs.as_view(), name="jobs"),
    path("workshop/jobs/plan", AskForPlan.as_view(), name="job-plan"),
    path("workshop/job/<uuid:job>", OneJob.as_view(), name="job"),
    path("workshop/job/<uuid:job>/file", JobFile.as_view(), name="job-result"),
]
