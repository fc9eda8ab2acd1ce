"""What is written of jobs: asked for, taken up, given back, ended, cancelled, and swept away when old.

Every write of a running job is conditional on its claim, so that of two runs only one can end it. A bell is rung when
the row is committed; where the bell is lost, the sweep rings again.
"""

from __future__ import annotations

import json
import logging
import uuid
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.db.models import F
from kombu.exceptions import KombuError
from redis import RedisError

from inventory import clock
from inventory.errors import Conflict, DomainError, NotFound, WrongState
from inventory.transactions import write
from planner import selectors
from planner.jobs import board
from planner.jobs.models import Job, JobFile

if TYPE_CHECKING:
    from django.contrib.auth.models import User

log = logging.getLogger(__name__)

MOST_WAITING = 50  # jobs that have not ended, of all people together
MOST_AT_ONCE = 2  # heavy work beside which pages and notices still go on
MOST_STARTS = 5  # after so many workers that died at it a job is given up
LEASE = timedelta(seconds=30)  # a running job without a sign of life for so long is taken over
BELL_SECONDS = 60
AGREED = ("added", "updated", "unchanged")  # of a check's report: what somebody agrees to
FILES_KEPT = timedelta(days=7)
JOBS_KEPT = timedelta(days=90)
MOST_SWEPT = 200  # jobs, or files of them, in one go
NOT_ENDED = (Job.State.QUEUED, Job.State.RUNNING)


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that came with the request."""

    name: str
    media_type: str
    content: bytes


# --- asking ------------------------------------------------------------------------------------------------


def ask_for_plan(*, from_day: date, weeks: int, who: User | None) -> Job:
    """A plan of these days, as ``plan --json`` writes it."""
    return _ask(kind=Job.Kind.PLAN, asks={"from": from_day.isoformat(), "weeks": weeks}, who=who)


def ask_for_trace(*, lots: list[str], items: list[str], forward: bool, who: User | None) -> Job:
    """A trace of the lots that bear these numbers. Raises as ``selectors.find_each_lot``; they are found again then."""
    found = selectors.find_each_lot(lots, items)
    named = [[lot.item.code, lot.number] for lot in found]
    return _ask(kind=Job.Kind.TRACE, asks={"lots": named, "direction": "forward" if forward else "backward"}, who=who)


def ask_for_export(*, form: str, who: User | None) -> Job:
    """The workshop's tables: ``form`` is xlsx or zip."""
    return _ask(kind=Job.Kind.EXPORT, asks={"format": form}, who=who)


def ask_for_import(*, brought: Brought, check_only: bool, who: User | None) -> Job:
    """Tables brought in, all or nothing. The file is kept until the job has ended."""
    asks = {"file": brought.name, "bytes": len(brought.content), "check": check_only}
    return _ask(kind=Job.Kind.IMPORT, asks=asks, who=who, brought=brought)


@write
def agree(*, looked_at: Job, who: User | None) -> Job:
    """Bring in the tables of a check, if they still do what it showed. Raises WrongState where that cannot be.

    The file goes over to the new job, so that one look is agreed to once.
    """
    shown = Job.objects.select_for_update().get(pk=looked_at.pk)
    brought = shown.files.filter(part=JobFile.Part.BROUGHT).defer("content").first()
    if not shown.asks.get("check") or shown.state != Job.State.DONE or brought is None:
        raise WrongState("these tables were brought in already, or may not be; choose the file anew")
    report = json.loads(content_of(result_of(shown)))
    asks = shown.asks | {"check": False, "agreed": {name: report[name] for name in AGREED}}
    job = _ask(kind=Job.Kind.IMPORT, asks=asks, who=who)
    JobFile.objects.filter(pk=brought.pk).update(job=job)
    return job


@write
def _ask(*, kind: str, asks: Mapping[str, Any], who: User | None, brought: Brought | None = None) -> Job:
    if Job.objects.filter(state__in=NOT_ENDED).count() >= MOST_WAITING:
        raise Conflict(
            f"{MOST_WAITING} jobs wait already; ask again when some have ended, or cancel some", code="too_many_jobs"
        )
    job = Job.objects.create(kind=kind, asks=asks, asked_by=who)
    if brought is not None:
        JobFile.objects.create(
            job=job,
            part=JobFile.Part.BROUGHT,
            name=brought.name,
            media_type=brought.media_type,
            size=len(brought.content),
            content=brought.content,
        )
    _ring_on_commit(job.uid)
    return job


def _ring_on_commit(uid: uuid.UUID) -> None:
    # A broker that is away breaks nothing: the sweep rings for what is still queued.
    transaction.on_commit(lambda: ring(uid), robust=True)


def ring(uid: uuid.UUID) -> None:
    """Tell a worker that this job is due. A bell that nobody carries, or an old one, is no loss: the sweep rings."""
    from planner.jobs import tasks

    try:
        tasks.run_job.apply_async((str(uid),), expires=BELL_SECONDS)
    except (KombuError, RedisError, OSError) as error:
        log.warning("nobody could be told of job %s: %s", uid, error)


def ring_for_next() -> None:
    """Ring for those that have waited longest, when one has ended."""
    for uid in Job.objects.filter(state=Job.State.QUEUED).order_by("pk").values_list("uid", flat=True)[:MOST_AT_ONCE]:
        ring(uid)


# --- looking -----------------------------------------------------------------------------------------------


def find_job(uid: uuid.UUID) -> Job:
    job = Job.objects.select_related("asked_by").filter(uid=uid).first()
    if job is None:
        raise NotFound("there is no such job, or it was long ago")
    return job


def result_of(job: Job) -> JobFile:
    """What came of a job. Raises WrongState while nothing has, NotFound when it was swept away."""
    if job.state != Job.State.DONE:
        raise WrongState(f"the job is {job.state}: there is no result", state=job.state)
    found = job.files.filter(part=JobFile.Part.RESULT).first()
    if found is None:
        raise NotFound(f"the result was kept for {FILES_KEPT.days} days and is gone; ask again", code="result_gone")
    return found


def shown_of(job: Job) -> JobFile | None:
    """What the page of a check shows; None for other jobs, and where it was kept long enough."""
    return job.files.filter(part=JobFile.Part.SHOWN).first()


def may_be_agreed(job: Job) -> bool:
    """Whether the tables of a check are still here to be brought in."""
    is_check = bool(job.asks.get("check")) and job.state == Job.State.DONE
    return is_check and job.files.filter(part=JobFile.Part.BROUGHT).exists()


def content_of(file: JobFile) -> bytes:
    content = bytes(file.content)
    return zlib.decompress(content) if file.packed else content


# --- a run of it -------------------------------------------------------------------------------------------


@write
def take_up(*, uid: uuid.UUID) -> Job | None:
    """Claim a queued job for one run; None where it is not queued any more, or has to wait for others.

    Two imports would wait for each other's locks: the second waits here.
    """
    _lock_queued()
    others = list(Job.objects.filter(state=Job.State.RUNNING).values_list("kind", flat=True))
    if len(others) >= MOST_AT_ONCE:
        return None
    now = clock.now()
    queued = Job.objects.filter(uid=uid, state=Job.State.QUEUED)
    if Job.Kind.IMPORT in others:
        queued = queued.exclude(kind=Job.Kind.IMPORT)
    claimed = queued.update(
        state=Job.State.RUNNING,
        claim=uuid.uuid4(),
        beat_at=now,
        started_at=now,
        starts=F("starts") + 1,
        percent=0,
        doing="",
    )
    return Job.objects.select_related("asked_by").get(uid=uid) if claimed else None


def _lock_queued() -> None:
    """Lock what is queued, in its order, before it is counted what runs.

    Of two that take up at once the later one sees the other's job queued still, waits for it, and counts it then.
    """
    list(Job.objects.filter(state=Job.State.QUEUED).order_by("pk").select_for_update(no_key=True).values_list("pk"))


def _mine(job: Job) -> Any:
    return Job.objects.filter(pk=job.pk, state=Job.State.RUNNING, claim=job.claim)


@write
def end(*, job: Job, result: JobFile) -> bool:
    """Done, with its result; False, and nothing written, where this run does not hold the job any more."""
    ended = _mine(job).update(
        state=Job.State.DONE, claim=None, beat_at=None, ended_at=clock.now(), percent=100, doing=""
    )
    if not ended:
        return False
    if not job.asks.get("check"):  # what was only looked at may be agreed to
        job.files.filter(part=JobFile.Part.BROUGHT).delete()
    result.job, result.part = job, JobFile.Part.RESULT
    result.save(force_insert=True)
    return True


@write
def keep_shown(*, job: Job, shown: JobFile) -> None:
    """Keep what the page of a check shows; of a run that began anew, what it found."""
    if _mine(job).exists():
        job.files.filter(part=JobFile.Part.SHOWN).delete()
        shown.job, shown.part = job, JobFile.Part.SHOWN
        shown.save(force_insert=True)


@write
def fail(*, job: Job, error: DomainError) -> bool:
    """Failed, with the reason; False where this run does not hold the job any more. Nothing of the job was written."""
    return _end_without_result(_mine(job), Job.State.FAILED, refusal_of(error))


@write
def give_back(*, job: Job, counted: bool = False) -> None:
    """Queued again: the worker was told to stop, or (``counted``, as a start) somebody else held what the job needs."""
    starts = F("starts") if counted else F("starts") - 1
    if _mine(job).update(state=Job.State.QUEUED, claim=None, beat_at=None, percent=0, doing="", starts=starts):
        log.info("job %s was given back", job.uid)


def _end_without_result(rows: Any, state: str, refusal: dict[str, Any] | None = None) -> bool:
    pks = list(rows.select_for_update().values_list("pk", flat=True))
    Job.objects.filter(pk__in=pks).update(
        state=state, claim=None, beat_at=None, ended_at=clock.now(), doing="", refusal=refusal
    )
    # A check that found faults keeps nothing either: what is mended is brought anew.
    JobFile.objects.filter(job__in=pks, part=JobFile.Part.BROUGHT).delete()
    return bool(pks)


def refusal_of(error: DomainError) -> dict[str, Any]:
    """What a problem document is made of."""
    return {
        "status": error.status,
        "code": error.code,
        "message": error.message,
        "faults": [
            {"field": one.field, "value": one.value, "accepted": one.accepted, "row": one.row, "file": one.file}
            for one in error.faults
        ],
        "facts": error.facts,
    }


# --- cancelling --------------------------------------------------------------------------------------------


def cancel(*, job: Job, who: User, may_cancel_all: bool) -> Job:
    """End a job before it has done anything. Raises Conflict for somebody else's, WrongState where it has ended.

    Between two steps the run looks whether it still holds its job, and stops where not: nothing of it is written.
    """
    if not may_cancel_all and job.asked_by_id != who.pk:
        raise Conflict("this job was asked for by somebody else; an owner may cancel it", code="not_yours")
    # Told first, then written: on SQLite the run may hold the one write lock, and lets go of it when it is told.
    if job.state in NOT_ENDED:
        board.tell_to_stop(job.pk)
    return _cancel(job)


@write
def _cancel(job: Job) -> Job:
    if not _end_without_result(Job.objects.filter(pk=job.pk, state__in=NOT_ENDED), Job.State.CANCELLED):
        job.refresh_from_db()
        raise WrongState(f"the job is {job.state} already", state=job.state)
    job.refresh_from_db()
    return job


# --- sweeping ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Swept:
    rung: int
    taken_over: int
    given_up: int


def sweep() -> Swept:
    """Ring for every queued job; take back those whose run shows no sign of life, give up those that killed many."""
    taken_over, given_up = _take_back(clock.now())
    queued = list(Job.objects.filter(state=Job.State.QUEUED).order_by("pk").values_list("uid", flat=True))
    for uid in queued:
        ring(uid)
    return Swept(len(queued), taken_over, given_up)


@write
def _take_back(now: Any) -> tuple[int, int]:
    silent = Job.objects.filter(state=Job.State.RUNNING, beat_at__lt=now - LEASE).order_by("pk")
    heard = board.heard_of([(row.pk, row.claim) for row in silent])
    taken_over = given_up = 0
    for row in silent:
        if row.pk in heard:
            continue
        if row.starts >= MOST_STARTS:
            error = DomainError(f"{row.starts} workers ended without a word while they did this", code="given_up")
            error.status = 500
            given_up += _end_without_result(_mine(row), Job.State.FAILED, refusal_of(error))
        else:
            taken_over += (
                _mine(row)
                .filter(beat_at=row.beat_at)
                .update(state=Job.State.QUEUED, claim=None, beat_at=None, percent=0, doing="")
            )
    return taken_over, given_up


@write
def sweep_away() -> int:
    """Delete results past their keeping, and jobs long ended, so many at a time; answers how many files went.

    What is left over goes with the next bell.
    """
    now = clock.now()
    old = JobFile.objects.filter(job__ended_at__lt=now - FILES_KEPT).order_by("pk").values_list("pk", flat=True)
    files, _ = JobFile.objects.filter(pk__in=list(old[:MOST_SWEPT])).delete()
    ended = Job.objects.filter(ended_at__lt=now - JOBS_KEPT, files=None).order_by("pk").values_list("pk", flat=True)
    Job.objects.filter(pk__in=list(ended[:MOST_SWEPT])).delete()
    return files
