"""The Workshop's pages in the demo's workshop."""

from __future__ import annotations

import time
from typing import Any

from django.contrib.auth.models import User
from django.utils import timezone

from planner.jobs.models import Job, JobFile
from planner.jobs.running import run
from planner.jobs.services import Brought, ask_for_import

CSV = b"item,name,kind\nNEW-CLAY,A clay,raw\nKAOLIN,White clay of another hill,raw\n"


def looked_at(content: bytes = CSV, name: str = "items.csv") -> Job:
    """Tables that were looked at: one item is new, one has another name."""
    from planner.exchange.archive import packed

    brought = Brought("tables.zip", "application/zip", packed({name: content}))
    job = ask_for_import(brought=brought, check_only=True, who=User.objects.get(username="owner"))
    run(job.uid)
    until = time.monotonic() + 10  # where the workshop is served, its own worker may have been the first
    while job.state in ("queued", "running") and time.monotonic() < until:
        job.refresh_from_db()
    assert job.state in ("done", "failed")
    return job


def a_result() -> dict[str, Any]:
    job = Job.objects.create(
        kind=Job.Kind.PLAN,
        asks={"from": "2027-03-10", "weeks": 8},
        state=Job.State.DONE,
        percent=100,
        ended_at=timezone.now(),
    )
    content = b"{}"
    JobFile.objects.create(
        job=job, part="result", name="plan.json", media_type="application/json", size=len(content), content=content
    )
    return {"job": job.uid}


WHERE = {
    "bring-in-look": lambda: {"job": looked_at().uid},
    "job": a_result,
    "job-result": a_result,
}


def more_jobs(count: int) -> None:
    for _ in range(count):
        a_result()


FILLERS = {"jobs": more_jobs}
