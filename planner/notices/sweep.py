"""The sweep: what is due is told, each stage once.

The truth is in the database: due is what has ``next_at`` in the past, told is what has a telling. A telling is
inserted with ON CONFLICT DO NOTHING, in one transaction with the notice's next instant; mails are rows that wait, and
leave later (``planner.notices.posting``). So a sweep may run twice, at once, or die at any point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction

from inventory import clock
from planner.notices.addressees import Addressees, Person, addressees
from planner.notices.days import next_instant, stage_day
from planner.notices.kinds import Kind
from planner.notices.looking import begin, look_again, morning_is_looked_at
from planner.notices.models import Mail, Notice, Telling
from planner.notices.posting import mail_for
from planner.notices.wanted import Look

CHUNK = 2_000  # notices told in one transaction
# So long after its morning a letter waits for the day's look, so that what it finds is in it.
PATIENCE = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many notices were told, and how many letters were begun."""

    notices: int = 0
    letters: int = 0


def sweep(now: datetime | None = None) -> Swept:
    """Tell what is due, chunk by chunk, and begin the morning's letters. Nothing due: two small queries."""
    if not Notice.objects.filter(next_at__lte=now or clock.now()).exists():
        return Swept(0, begin_letters(now))
    look = begin(whole=False, now=now)
    people = addressees(look.today)
    cutoff = morning_is_looked_at(look)
    told = 0
    while True:
        looked, some = _tell_some(look, people, cutoff)
        told += some
        if not looked:
            break
    return Swept(told, begin_letters(now))


def _tell_some(look: Look, people: Addressees, cutoff: datetime | None) -> tuple[int, int]:
    """One chunk, in one transaction: how many were looked at, and how many of them told.

    1. Lock what is due; what another worker has locked is theirs.
    2. Look again at the causes: what is gone lapses, what has moved is reckoned anew.
    3. Insert the tellings of what is still due, and move each notice on to its next instant.
    """
    with transaction.atomic():
        due = Notice.objects.filter(next_at__lte=look.now).order_by("next_at", "pk")
        held = list(due.select_for_update(skip_locked=True, no_key=True).values_list("pk", "kind", "cause")[:CHUNK])
        look_again(look, [(kind, cause) for _, kind, cause in held])
        rows = Notice.objects.filter(pk__in=[pk for pk, _, _ in held], next_at__lte=look.now)
        found = list(rows.defer("facts", "subject", "why"))
        _tell(look, people, cutoff, found)
        return len(held), len(found)


def _tell(look: Look, people: Addressees, cutoff: datetime | None, notices: Sequence[Notice]) -> None:
    tellings: list[Telling] = []
    mails: dict[str, Mail] = {}
    of_mail: list[tuple[Telling, str]] = []
    moved: dict[tuple[str, date | None, datetime | None], list[int]] = {}
    first_of: dict[int, Notice] = {}
    for notice in notices:
        notice.state = Notice.State.OPEN  # what was put off until now is open again
        days = [date.fromisoformat(day) for day in notice.told_on_days]
        day = stage_day(days, notice.stage_on, look.now, look.wall)
        if day is not None:
            kind = look.kinds[notice.kind]
            for person, channel in _channels(notice, kind, people, day):
                telling = _telling(notice, day, person, channel, look, cutoff)
                tellings.append(telling)
                if channel == Telling.Channel.AT_ONCE:
                    first = first_of.setdefault(person.pk, notice)
                    mail = _at_once(person, first, day, look)
                    mails.setdefault(mail.key, mail)
                    of_mail.append((telling, mail.key))
            notice.stage_on = day
        following = next_instant(days, notice.stage_on, look.now, look.wall)
        moved.setdefault((notice.state, notice.stage_on, following), []).append(notice.pk)
    if mails:
        Mail.objects.bulk_create(mails.values(), ignore_conflicts=True)
        kept = dict(Mail.objects.filter(key__in=list(mails)).values_list("key", "pk"))
        for telling, key in of_mail:
            telling.mail_id = kept[key]
    Telling.objects.bulk_create(tellings, ignore_conflicts=True, batch_size=5_000)
    for (state, stage_on, following), pks in moved.items():
        Notice.objects.filter(pk__in=pks).update(state=state, stage_on=stage_on, next_at=following)


def _channels(notice: Notice, kind: Kind, people: Addressees, day: date) -> list[tuple[Person, str]]:
    """Who is told, and how: on the page always; the first time at once where the kind is pressing; else by letter."""
    escalated = notice.escalates_on is not None and day >= notice.escalates_on
    found: list[tuple[Person, str]] = []
    for person in people.of(kind, role=notice.role, person=notice.person_id, escalated=escalated):
        found.append((person, Telling.Channel.PAGE))
        if kind.at_once and notice.stage_on is None and person.at_once:
            found.append((person, Telling.Channel.AT_ONCE))
        elif person.letter:
            found.append((person, Telling.Channel.LETTER))
    return found


def stage_of(notice: Notice, day: date) -> str:
    """The stage at which a notice stands on a day."""
    if notice.escalates_on is not None and day >= notice.escalates_on:
        return Telling.Stage.ESCALATED
    if day >= notice.overdue_on:
        return Telling.Stage.OVERDUE
    return Telling.Stage.DUE if day >= notice.due_on else Telling.Stage.DUE_SOON


def _telling(notice: Notice, day: date, person: Person, channel: str, look: Look, cutoff: datetime | None) -> Telling:
    # What came up after the day's look is for the next morning's letter, not for one in the middle of the day.
    later = cutoff is not None and notice.opened_at > cutoff and notice.stage_on is None
    letter_on = look.today + timedelta(days=1) if later else look.today
    return Telling(
        notice_id=notice.pk,
        opening=notice.opening,
        stage_on=day,
        stage=stage_of(notice, look.today),
        recipient_id=person.pk,
        channel=channel,
        claimed_at=look.now,
        letter_on=letter_on if channel == Telling.Channel.LETTER else None,
        told_at=look.now if channel == Telling.Channel.PAGE else None,
    )


def _at_once(person: Person, first: Notice, day: date, look: Look) -> Mail:
    """The mail that carries what is pressing to one person, named by the first notice in it."""
    key = f"at-once/{person.pk}/{first.uid}/{first.opening}/{day}"
    return mail_for(key, Mail.Kind.AT_ONCE, person.pk, look)


def begin_letters(now: datetime | None = None) -> int:
    """Begin the letters of this morning: one for each person with something new, whoever is the first to do so.

    A letter that was tried already is left as it is; what came after it waits for the next morning.
    """
    waiting = Telling.objects.filter(channel=Telling.Channel.LETTER, mail=None, told_at=None)
    if not waiting.exists():
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
