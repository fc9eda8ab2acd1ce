"""Where a running job tells how far it has come, and looks whether it may go on, while its own transaction is open.

On PostgreSQL that is the job's row, written over a connection of its own (each thread has one): seen by everybody at
once, whatever the work's transaction does. On SQLite an import holds the one write lock until it is done, so that no
row can be written beside it: there the sign of life goes to the cache, which all threads of the one process share (or
Redis, where it is given), for as long as a lease. A cache that was emptied is filled again within a beat.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass

from django.core.cache import cache
from django.db import connection

from inventory import clock
from planner.jobs.models import Job

KEPT_SECONDS = 30  # as long as a lease: a sign older than that is none


@dataclass(frozen=True, slots=True)
class Sign:
    """How far a run has come. ``claim`` tells which run: an older one's sign is not ours."""

    claim: str
    percent: int
    doing: str


def _by_cache() -> bool:
    return connection.vendor == "sqlite"


def _sign_key(pk: int) -> str:
    return f"job-sign-{pk}"


def _stop_key(pk: int) -> str:
    return f"job-stop-{pk}"


def put_up(job: Job, percent: int, doing: str) -> bool:
    """Show a sign of life; False where the run does not hold its job any more, or was told to stop."""
    if not _by_cache():
        mine = Job.objects.filter(pk=job.pk, state=Job.State.RUNNING, claim=job.claim)
        return bool(mine.update(beat_at=clock.now(), percent=percent, doing=doing))
    cache.set(_sign_key(job.pk), Sign(str(job.claim), percent, doing), KEPT_SECONDS)
    if cache.get(_stop_key(job.pk)):
        return False
    now = Job.objects.filter(pk=job.pk).values_list("state", "claim").first()  # reading waits for nobody
    return now == (Job.State.RUNNING, job.claim)


def tell_to_stop(pk: int) -> None:
    """A run that holds the one write lock of SQLite cannot be told by its row."""
    if _by_cache():
        cache.set(_stop_key(pk), True, KEPT_SECONDS)


def take_down(pk: int) -> None:
    if _by_cache():
        cache.delete_many([_sign_key(pk), _stop_key(pk)])


def heard_of(runs: Iterable[tuple[int, uuid.UUID | None]]) -> set[int]:
    """Which of these runs, given as job and claim, have shown a sign of life in the cache."""
    return {pk for pk, sign in signs_of(runs).items()} if _by_cache() else set()


def signs_of(runs: Iterable[tuple[int, uuid.UUID | None]]) -> dict[int, Sign]:
    """The signs in the cache, by job; none on PostgreSQL, where they stand in the row."""
    wanted = {pk: str(claim) for pk, claim in runs if claim is not None}
    if not wanted or not _by_cache():
        return {}
    found = cache.get_many([_sign_key(pk) for pk in wanted])
    return {pk: sign for pk, claim in wanted.items() if (sign := found.get(_sign_key(pk))) and sign.claim == claim}
