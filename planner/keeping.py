"""What is old and of use to nobody is swept away once a day: kept answers to retries, letters, notices long gone.

Never the ledger, the change log, batches, or anything else by which a trace or an audit goes: what was decided, weighed
or sent stands in its own records, and a notice only reminded of it. Jobs and their files go by themselves
(``planner.jobs.services.sweep_away``), sessions and tokens too (``planner.operations.tasks``).
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet

from inventory import clock
from inventory.ledger import among
from inventory.models import RetryKey
from planner.notices.looking import the_wall
from planner.notices.models import Mail, Notice, SourceLook, Telling

log = logging.getLogger(__name__)

# A program or a tablet that was away over a long weekend still sends the same write again, and is answered the same.
RETRY_KEYS_KEPT = timedelta(days=7)
# Who was told what by which letter: over a year, so that the same season can be compared. Common practice, no source.
LETTERS_KEPT = timedelta(days=400)
# What a notice was about, and who saw to it: three years after its cause has gone. Common practice, no source.
NOTICES_KEPT = timedelta(days=3 * 366)

CHUNK = 1_000  # rows deleted in one transaction: others write between two
MOST_CHUNKS = 300  # in one go; what is left over goes on the next day
NAME = "keeping"  # its row among those of looks
A_DAY = timedelta(days=1)


def sweep_when_due(now: datetime | None = None) -> int:
    """Sweep once a day; answers how many rows went, nothing where it is not due or another worker does it.

    Before the workshop's morning; where nobody was there then, since the machine is off at night, a day after the last.
    """
    now = now or clock.now()
    wall = the_wall()
    today = wall.day_of(now)
    SourceLook.objects.get_or_create(name=NAME)
    due = SourceLook.objects.filter(name=NAME).exclude(looked_on__gte=today)
    if now >= wall.morning_of(today):
        due = due.filter(Q(looked_at=None) | Q(looked_at__lte=now - A_DAY))
    if not due.update(looked_on=today, looked_at=now):
        return 0
    return sweep(now)


def sweep(now: datetime) -> int:
    """Delete what is past its keeping, chunk by chunk; answers how many rows."""
    swept: dict[str, int] = {}
    chunks = MOST_CHUNKS
    for rows in _past_keeping(now):
        while chunks and (gone := _delete_some(rows)):
            chunks -= 1
            name = rows.model.__name__
            swept[name] = swept.get(name, 0) + gone
    if swept:
        log.info("swept away: %s", ", ".join(f"{count} {name}" for name, count in swept.items()))
    return sum(swept.values())


def _past_keeping(now: datetime) -> Iterator[QuerySet[Any]]:
    """In this order: a letter goes once nothing tells of it any more. What stands keeps all that was told of it."""
    yield RetryKey.objects.filter(made_at__lt=now - RETRY_KEYS_KEPT)
    yield Notice.objects.filter(gone_at__lt=now - NOTICES_KEPT)
    yield Telling.objects.filter(claimed_at__lt=now - LETTERS_KEPT, notice__gone_at__lt=now - LETTERS_KEPT)
    told_of = Telling.objects.filter(mail=OuterRef("pk"))
    yield Mail.objects.filter(~Exists(told_of), settled_at__lt=now - LETTERS_KEPT)


def _delete_some(rows: QuerySet[Any]) -> int:
    """Delete the first of these rows, with what belongs to them; answers how many of them there were."""
    with transaction.atomic():
        pks = list(rows.order_by("pk").values_list("pk", flat=True)[:CHUNK])
        if pks:
            rows.model._default_manager.filter(pk__in=among(pks)).delete()
    return len(pks)
