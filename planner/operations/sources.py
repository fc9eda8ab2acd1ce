"""What the metrics look at in the database when they are asked for: notices, letters, jobs."""

from __future__ import annotations

from inventory import clock
from planner.jobs.models import Job
from planner.notices import selectors as notices


def notice_lag_seconds() -> float:
    """How long the oldest notice that is due has waited to be told; 0 where none is due."""
    return notices.seconds_behind(clock.now())


def mails_in_trouble() -> float:
    return notices.mails_in_trouble()


def jobs_waiting() -> float:
    """Heavy work that was asked for and that nobody has taken up."""
    return Job.objects.filter(state=Job.State.QUEUED).count()
