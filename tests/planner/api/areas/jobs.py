"""Heavy work in the background."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.models import User

from planner.api.jobs import CHECKED, UID
from planner.api.tables import XLSX, ZIP
from planner.exchange.archive import packed
from planner.jobs.models import Job, JobFile
from tests.planner.exchange.workshop import as_csv, as_workbook


def _checked() -> None:
    """Tables that were checked: one item would be new."""
    job = Job.objects.create(
        uid=UID, kind="import", asks=CHECKED, asked_by=User.objects.get(username="owner"), state="done", percent=100
    )
    report = b'{"added": {"items": 1}, "updated": {}, "unchanged": {}}'
    rows = b'{"tables": [], "faults": [], "more_faults": 0}'
    for part, content in (("brought", b"file"), ("result", report), ("shown", rows)):
        JobFile.objects.create(
            job=job, part=part, name=part, media_type="application/json", size=len(content), content=content
        )


def prepare(operation: tuple[str, str]) -> None:
    if operation in {("GET", "job-rows"), ("POST", "job-agree")}:
        _checked()
    if operation not in {("GET", "jobs"), ("GET", "job"), ("GET", "job-result"), ("POST", "job-cancel")}:
        return
    asks = {"from": "2027-03-01", "weeks": 8}
    job = Job.objects.create(uid=UID, kind="plan", asks=asks, asked_by=User.objects.get(username="owner"))
    if operation == ("GET", "job-result"):
        Job.objects.filter(pk=job.pk).update(state="done", percent=100)
        JobFile.objects.create(
            job=job, part="result", name="plan.json", media_type="application/json", size=2, content=b"{}"
        )


def _jobs(count: int) -> None:
    for _ in range(count):
        Job.objects.create(kind="plan", asks={"from": "2027-03-01", "weeks": 8})


FILLERS = {"jobs": _jobs}
CLAY = {"items": [{"item": "CLAY", "name": "White clay", "kind": "raw"}]}
FILES = {("POST", "job-import"): {ZIP: packed(as_csv(CLAY)), XLSX: as_workbook(CLAY)["workshop.xlsx"]}}
WRONG: dict[tuple[str, str, str], list[Any]] = {
    ("POST", "job-trace", "lot"): [[], ["NO-SUCH-LOT"]],
    ("POST", "job-trace", "item"): [["NO-SUCH-ITEM"], ["OIL", "WAX"]],
}
VOLATILE = {"job"}
