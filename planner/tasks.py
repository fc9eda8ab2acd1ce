"""Tasks: a bell that is rung often. Whether anything is due stands in the database; running twice does no harm."""

from __future__ import annotations

from inventory import clock
from planner import services
from planner.celery import app


@app.task
def review_when_due() -> None:
    """Look at the plan once per workshop day, and bring the reorder alerts up to date."""
    services.review(day=clock.today())
