"""One run of a job, from taking it up to its end, with a sign of life beside it.

1. Take it up by a conditional update: of two workers one gets it.
2. A thread of its own shows a sign of life every second, and looks whether the run still holds the job.
3. The work counts its steps; between two of them it stops where the thread says so.
4. The end is written on the condition that the run still holds the job. An import and its end are one transaction.

Whatever kills the process leaves a row that says running: the sweep gives it to another worker after the lease.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from types import TracebackType

from django.db import DatabaseError, InterfaceError, OperationalError, connection

from inventory.errors import DomainError, LockTimeout
from planner.jobs import board, services
from planner.jobs.kinds import KINDS, Kind
from planner.jobs.models import Job, JobFile
from planner.running import stopping

log = logging.getLogger(__name__)

BEAT_SECONDS = 1.0
LONGEST_SECONDS = 3600


class Stopped(Exception):
    """The run ends without a word: its job was cancelled, or is another's."""


class TooLong(DomainError):
    code = "took_too_long"
    status = 500


class GivenBack(Exception):
    """The worker was told to stop: the job goes back to the queue."""


class Watch:
    """Shows how far one run has come, and stops it between two steps. Called as its ``progress``."""

    def __init__(self, job: Job, kind: Kind) -> None:
        self.job, self.kind = job, kind
        self.percent, self.doing = 0, ""
        self.lost = False
        self.until = time.monotonic() + LONGEST_SECONDS
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._beat, name=f"job-{job.pk}", daemon=True)

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        self._thread.join(timeout=10)

    def __call__(self, doing: str, done: int, of: int) -> None:
        """``done`` of ``of`` steps: raises what ends the run."""
        first, last = self.kind.phases[doing]
        self.percent = max(self.percent, first + (last - first) * done // of if of else last)
        self.doing = doing
        self.check()

    def check(self) -> None:
        if self.lost:
            raise Stopped
        if stopping.is_told():
            raise GivenBack
        if time.monotonic() > self.until:
            raise TooLong(f"it took longer than {LONGEST_SECONDS // 60} minutes; ask for less at once")

    def _beat(self) -> None:
        silent_since = time.monotonic()
        try:
            while not self._over.wait(BEAT_SECONDS):
                try:
                    self.lost = not board.put_up(self.job, self.percent, self.doing)
                    silent_since = time.monotonic()
                except (DatabaseError, InterfaceError, OSError) as error:
                    # The database may come back; until the lease is over nobody else takes the job.
                    log.warning("job %s shows no sign of life: %s", self.job.uid, error)
                    connection.close()
                    self.lost = time.monotonic() - silent_since > services.LEASE.total_seconds()
                if self.lost:
                    return
        finally:
            connection.close()


def run(uid: uuid.UUID) -> str:
    """Do the job if it is due and nobody else does it; answers what came of it, in a word.

    Raises OperationalError where the database is away: the sweep comes back to the job.
    """
    if stopping.is_told():
        return "stopping"
    try:
        job = services.take_up(uid=uid)
    except LockTimeout:  # others take up theirs: the sweep rings again
        job = None
    if job is None:
        return "not due"
    try:
        return _run(job)
    finally:
        board.take_down(job.pk)


def _run(job: Job) -> str:
    kind = KINDS[job.kind]
    try:
        with Watch(job, kind) as watch:

            def end(result: JobFile) -> None:
                watch.check()
                if not services.end(job=job, result=result):
                    raise Stopped

            kind.act(job, watch, end)
    except Stopped:
        return "stopped"
    except GivenBack:
        services.give_back(job=job)
        return "given back"
    except LockTimeout as error:
        if job.starts >= services.MOST_STARTS:
            return _failed(job, error)
        services.give_back(job=job, counted=True)
        return "given back"
    except DomainError as error:
        return _failed(job, error)
    except (OperationalError, InterfaceError):
        log.exception("job %s: the database cannot be used", job.uid)
        raise
    except Exception as error:
        ended = _failed(job, _told())
        if ended == "failed":  # else it is another's, and its file may be gone
            log.error("job %s: a fault of the program", job.uid, exc_info=error)
        return ended
    return "done"


def _failed(job: Job, error: DomainError) -> str:
    return "failed" if services.fail(job=job, error=error) else "stopped"


def _told() -> DomainError:
    told = DomainError("a fault of the program; it is written in its log", code="fault")
    told.status = 500
    return told
