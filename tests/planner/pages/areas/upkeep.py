"""Upkeep in the demo's workshop."""

from __future__ import annotations

from datetime import date

from planner.notices.models import Upkeep
from planner.notices.upkeep import make_job


def a_job() -> dict[str, str]:
    job = Upkeep.objects.filter(code="SCALE-OF-TESTS").first() or make_job(
        code="SCALE-OF-TESTS",
        values={"name": "Check the small scale", "every": 1, "unit": "month", "first_on": date(2027, 3, 1)},
    )
    return {"upkeep": job.code}


def more_jobs(count: int) -> None:
    first = Upkeep.objects.count()
    Upkeep.objects.bulk_create(
        Upkeep(code=f"JOB-{first + at}", name="a job", first_on=date(2027, 3, 1), next_on=date(2027, 3, 1))
        for at in range(count)
    )


WHERE = dict.fromkeys(("upkeep-job", "upkeep-change", "upkeep-done"), a_job)
FILLERS = {"upkeep": more_jobs}
