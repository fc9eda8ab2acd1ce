"""The bells of jobs. Run twice, or for a job that is done, they do nothing."""

from __future__ import annotations

import uuid

from planner.celery import app
from planner.jobs import running, services

# A run stops itself between two steps; this is for one that hangs within a step.
HARD_LIMIT_SECONDS = running.LONGEST_SECONDS + 600


@app.task(time_limit=HARD_LIMIT_SECONDS, soft_time_limit=HARD_LIMIT_SECONDS - 60)
def run_job(uid: str) -> None:
    """Do one job if it is due; then ring for the next, which may have waited for room."""
    if running.run(uuid.UUID(uid)) in ("done", "failed"):
        services.ring_for_next()


@app.task
def sweep_jobs() -> None:
    """Ring again for what is queued, and take over what died."""
    services.sweep()


@app.task
def sweep_jobs_away() -> None:
    services.sweep_away()
