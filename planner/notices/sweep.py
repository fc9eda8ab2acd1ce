"""The sweep: what is due is told, each stage once.

The truth is in the database: due is what has ``next_at`` in the past, told is what has a telling. A telling is
inserted with ON CONFLICT DO NOTHING, in one transaction with the notice's next instant; mails are rows that wait, and
leave later (``planner.notices.posting``). So a sweep may run twice, at once, or die at any point.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple
from uuid import UUID

from django.db import connection, transaction

from inventory import clock
from inventory.ledger import among
from planner.notices.addressees import Addressees, Person, addressees
from planner.notices.days import next_instant, stage_day
from planner.notices.looking import begin, look_again, morning_is_looked_at
from planner.notices.models import Mail, Notice, Telling
from planner.notices.posting import mail_for
from planner.notices.wanted import Look

CHUNK = 1_000  # notices told in one transaction: on SQLite nobody else writes meanwhile
# So long after its morning a letter waits for the day's look, so that what it finds is in it.
PATIENCE = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many notices were told, and how many letters were begun."""

    notices: int = 0
    letters: int = 0


def sweep(now: datetime | None = None) -> Swept:
    """Tell what is due, chunk by chunk, and begin the morning's letters. Nothing due: two small queries."""
    # In order, so that the index is the cheapest way however many rows the planner thinks it will find.
    if not Notice.objects.filter(next_at__lte=now or clock.now()).order_by("next_at").values_list("pk")[:1]:
        return Swept(0, begin_letters(now))
    look = begin(whole=False, now=now)
    people = addressees(look.today)
    cutoff = morning_is_looked_at(look)
    told = 0
    left: set[str] = set()
    while True:
        looked, some = _tell_some(look, people, cutoff, left)
        told += some
        if not looked:
            break
    return Swept(told, begin_letters(now))


def _tell_some(look: Look, people: Addressees, cutoff: datetime | None, left: set[str]) -> tuple[int, int]:
    """One chunk, in one transaction: how many were looked at, and how many of them told. A fixed number of statements.

    1. Lock what is due; what another worker has locked is theirs.
    2. Look again at the causes: what is gone lapses, what has moved is reckoned anew. What nobody could look at again,
       since another worker is looking at its kind, stays due for the next sweep; ``left`` keeps such kinds.
    3. Insert the tellings of what is still due, and move each notice on to its next instant.
    """
    with transaction.atomic():
        due = Notice.objects.filter(next_at__lte=look.now).exclude(kind__in=left).order_by("next_at")
        held = [
            _Due(*row)
            for row in due.select_for_update(skip_locked=True, no_key=True).values_list(*_Due._fields)[:CHUNK]
        ]
        found = look_again(look, [(notice.kind, notice.cause) for notice in held], texts=False)
        left |= found.left
        still = [notice for notice in held if notice.kind not in found.left]
        if found.changed:
            rows = Notice.objects.filter(pk__in=among(notice.pk for notice in still), next_at__lte=look.now)
            still = [_Due(*row) for row in rows.values_list(*_Due._fields)]
        _Chunk(look, people, cutoff).tell(sorted(still, key=lambda notice: notice.pk))
        return len(held), len(still)


class _Due(NamedTuple):
    """The columns of a notice that telling it takes."""

    pk: int
    uid: UUID
    kind: str
    cause: int
    role: str
    person_id: int | None
    opening: int
    stage_on: date | None
    due_on: date
    overdue_on: date
    escalates_on: date | None
    told_on_days: list[str]
    opened_at: datetime


# Of a telling: notice, opening, stage_on, stage, recipient, channel, letter_on, key of the mail.
_Row = tuple[int, int, str, str, int, str, str | None, str]


class _Chunk:
    """The tellings of one chunk. What many notices have in common is reckoned once."""

    def __init__(self, look: Look, people: Addressees, cutoff: datetime | None) -> None:
        self.look, self.people, self.cutoff = look, people, cutoff
        self.tomorrow = (look.today + timedelta(days=1)).isoformat()
        self.mails: dict[str, Mail] = {}
        self._first: dict[int, str] = {}
        self._steps: dict[tuple[tuple[str, ...], date | None], tuple[date | None, datetime | None]] = {}
        self._ways: dict[tuple[str, str, int | None, bool, bool], list[tuple[Person, str]]] = {}

    def tell(self, notices: Sequence[_Due]) -> None:
        rows: list[_Row] = []
        moved: dict[tuple[date | None, datetime | None], list[int]] = {}
        for notice in notices:
            day, following = self._step(notice)
            if day is not None:
                rows += self._rows(notice, day)
            moved.setdefault((day or notice.stage_on, following), []).append(notice.pk)
        if self.mails:
            Mail.objects.bulk_create(self.mails.values(), ignore_conflicts=True)
        kept = dict(Mail.objects.filter(key__in=list(self.mails)).values_list("key", "pk")) if self.mails else {}
        _insert(rows, kept, self.look.now)
        for (stage_on, following), pks in moved.items():
            # What was put off until now is open again.
            Notice.objects.filter(pk__in=among(pks)).update(
                state=Notice.State.OPEN, stage_on=stage_on, next_at=following
            )

    def _step(self, notice: _Due) -> tuple[date | None, datetime | None]:
        """The day that is told now, and the next instant."""
        key = (tuple(notice.told_on_days), notice.stage_on)
        if key not in self._steps:
            days = [date.fromisoformat(day) for day in notice.told_on_days]
            day = stage_day(days, notice.stage_on, self.look.now, self.look.wall)
            following = next_instant(days, day or notice.stage_on, self.look.now, self.look.wall)
            self._steps[key] = day, following
        return self._steps[key]

    def _rows(self, notice: _Due, day: date) -> Iterator[_Row]:
        stage, stage_on, letter_on = stage_of(notice, self.look.today), day.isoformat(), self._letter_on(notice)
        for person, channel in self._channels(notice, day):
            mail = self._at_once(person, notice, day) if channel == Telling.Channel.AT_ONCE else ""
            letter = letter_on if channel == Telling.Channel.LETTER else None
            yield notice.pk, notice.opening, stage_on, stage, person.pk, channel, letter, mail

    def _channels(self, notice: _Due, day: date) -> list[tuple[Person, str]]:
        """Who is told, and how: on the page always; the first time at once where the kind is pressing; else by letter.

        Of a kind that is not known any more nobody is told.
        """
        kind = self.look.kinds.get(notice.kind)
        if kind is None:
            return []
        escalated = notice.escalates_on is not None and day >= notice.escalates_on
        key = (notice.kind, notice.role, notice.person_id, escalated, notice.stage_on is None)
        if key not in self._ways:
            found: list[tuple[Person, str]] = []
            for person in self.people.of(kind, role=notice.role, person=notice.person_id, escalated=escalated):
                found.append((person, Telling.Channel.PAGE.value))
                if kind.at_once and notice.stage_on is None and person.at_once:
                    found.append((person, Telling.Channel.AT_ONCE.value))
                elif person.letter:
                    found.append((person, Telling.Channel.LETTER.value))
            self._ways[key] = found
        return self._ways[key]

    def _letter_on(self, notice: _Due) -> str:
        # What came up after the day's look is for the next morning's letter, not for one in the middle of the day.
        later = self.cutoff is not None and notice.opened_at > self.cutoff and notice.stage_on is None
        return self.tomorrow if later else self.look.today.isoformat()

    def _at_once(self, person: Person, notice: _Due, day: date) -> str:
        """The key of the mail that carries what is pressing to one person, named by the first notice in it."""
        key = self._first.setdefault(person.pk, f"at-once/{person.pk}/{notice.uid}/{notice.opening}/{day}")
        if key not in self.mails:
            self.mails[key] = mail_for(key, Mail.Kind.AT_ONCE, person.pk, self.look)
        return key


def stage_of(notice: _Due, day: date) -> str:
    """The stage at which a notice stands on a day."""
    if notice.escalates_on is not None and day >= notice.escalates_on:
        return Telling.Stage.ESCALATED.value
    if day >= notice.overdue_on:
        return Telling.Stage.OVERDUE.value
    return (Telling.Stage.DUE if day >= notice.due_on else Telling.Stage.DUE_SOON).value


_COLUMNS = "notice_id, opening, stage_on, stage, recipient_id, channel, letter_on, mail_id, told_at, claimed_at"


def _insert(rows: Sequence[_Row], mails: Mapping[str, int], now: datetime) -> None:
    """Insert tellings, those that are there already left as they are: one statement.

    What is told on the page is told by standing there; the others when their mail has left.
    """
    if not rows:
        return
    instant = connection.ops.adapt_datetimefield_value(now)
    told = [(*row[:7], mails.get(row[7])) for row in rows]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            kinds = ("bigint", "int", "date", "text", "bigint", "text", "date", "bigint")
            columns = ", ".join(f"%s::{kind}[]" for kind in kinds)
            cursor.execute(
                f"INSERT INTO planner_telling ({_COLUMNS}) "
                "SELECT a, b, c, d, e, f, g, h, CASE WHEN f = 'page' THEN %s::timestamptz END, %s::timestamptz "
                f"FROM unnest({columns}) AS t (a, b, c, d, e, f, g, h) ON CONFLICT DO NOTHING",
                [instant, instant, *(list(column) for column in zip(*told, strict=True))],
            )
        else:
            columns = ", ".join(f"json_extract(value, '$[{at}]')" for at in range(8))
            cursor.execute(
                f"INSERT INTO planner_telling ({_COLUMNS}) "
                f"SELECT {columns}, CASE WHEN json_extract(value, '$[5]') = 'page' THEN %s END, %s "
                "FROM json_each(%s) WHERE true ON CONFLICT DO NOTHING",  # WHERE: ON would be read as a join's
                [instant, instant, json.dumps(told)],
            )


def begin_letters(now: datetime | None = None) -> int:
    """Begin the letters of this morning: one for each person with something new, whoever is the first to do so.

    A letter that was tried already is left as it is; what came after it waits for the next morning.
    """
    # What is told on the page is told already, and what is told at once has its mail: these are the letters'.
    waiting = Telling.objects.filter(mail=None, told_at=None)
    if not waiting.order_by("letter_on").values_list("pk")[:1]:
        return 0
    look = begin(whole=False, now=now)
    morning = look.wall.morning_of(look.today)
    if look.now < morning or (look.now < morning + PATIENCE and morning_is_looked_at(look) is None):
        return 0
    waiting = waiting.filter(letter_on__lte=look.today)
    begun = 0
    for recipient in waiting.order_by("recipient").values_list("recipient", flat=True).distinct():
        with transaction.atomic():
            key = f"letter/{recipient}/{look.today}"
            Mail.objects.bulk_create([mail_for(key, Mail.Kind.LETTER, recipient, look)], ignore_conflicts=True)
            mail = Mail.objects.select_for_update(no_key=True).get(key=key)
            if mail.state == Mail.State.WAITING and mail.tries == 0:
                begun += bool(waiting.filter(recipient=recipient).update(mail=mail))
    return begun
