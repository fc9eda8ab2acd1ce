"""Tasks: bells that are rung often. What is due stands in the database; running twice does no harm."""

from __future__ import annotations

from planner import keeping
from planner.celery import app
from planner.notices import looking, posting, sweep


@app.task
def look_at_causes() -> None:
    """In the morning the plan and every source of notices; some sources more often."""
    looking.look_when_due()


@app.task
def sweep_notices() -> None:
    """Tell what is due, begin the morning's letters, and send the mails that wait."""
    sweep.sweep()
    posting.send_waiting()


@app.task
def sweep_old_away() -> None:
    """Once a day, at night where the service runs then: what is old and of use to nobody."""
    keeping.sweep_when_due()
