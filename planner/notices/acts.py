"""What people do with notices: done, put off until a day, taken up again. Who and when is kept."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING
from uuid import UUID

from inventory.errors import BadInput, Conflict, Fault, NotFound, WrongState
from inventory.services.ledger import check_why
from inventory.transactions import write
from planner.api.roles import OWNER
from planner.notices.addressees import addressees, may_see
from planner.notices.looking import begin, next_of
from planner.notices.models import Mail, Notice, NoticeAct, Telling, Upkeep
from planner.notices.wanted import Look

if TYPE_CHECKING:
    from django.contrib.auth.models import User

STANDING = (Notice.State.OPEN, Notice.State.PUT_OFF)


def find_notice(uid: UUID) -> Notice:
    notice = Notice.objects.filter(uid=uid).first()
    if notice is None:
        raise NotFound(f"no notice {uid}")
    return notice


@write
def mark_done(*, notice: Notice, why: str = "", who: User | None = None) -> Notice:
    """Somebody saw to it: nobody is told again while its cause stands.

    A job of upkeep counts as done today, and comes again when its time comes. Raises WrongState for what does not
    stand open, Conflict ``for_others`` for who is not told of it.
    """
    check_why(why)
    look, notice = begin(), _locked(notice)
    _check(notice, look, who)
    _end(notice, look, who, why)
    if notice.kind == "upkeep":
        from planner.notices import upkeep  # late: upkeep ends its notices by this module

        job = Upkeep.objects.get(pk=notice.cause)
        if job.next_on == notice.due_on:
            upkeep.record_done(job=job, done_on=look.today, why=why, who=who)
    notice.refresh_from_db()
    return notice


def _end(notice: Notice, look: Look, who: User | None, why: str) -> None:
    notice.state, notice.next_at, notice.updated_at = Notice.State.DONE, None, look.now
    notice.save(update_fields=["state", "next_at", "updated_at"])
    _record(notice, NoticeAct.Kind.DONE, look, who, why)


@write
def put_off(*, notice: Notice, until: date, why: str = "", who: User | None = None) -> Notice:
    """Nobody is told before the morning of a day; then it is told again. Beyond its due day a reason is needed.

    Raises BadInput for a day that is not to come or a reason that is missing, WrongState, Conflict ``for_others``.
    """
    check_why(why)
    look, notice = begin(), _locked(notice)
    _check(notice, look, who)
    if until <= look.today:
        fault = Fault("until", until.isoformat(), f"a day after {look.today}")
        raise BadInput("it can be put off to a day that is to come", faults=[fault])
    if until > notice.due_on and not why.strip():
        fault = Fault("why", why, f"the reason for a day after {notice.due_on}, when it is due")
        raise BadInput("say why it is put off beyond its day", code="why_needed", faults=[fault])
    notice.state, notice.put_off_until, notice.updated_at = Notice.State.PUT_OFF, until, look.now
    notice.told_on_days = sorted({*notice.told_on_days, until.isoformat()})
    notice.next_at = next_of(notice, look)
    notice.save(update_fields=["state", "put_off_until", "told_on_days", "next_at", "updated_at"])
    _record(notice, NoticeAct.Kind.PUT_OFF, look, who, why, until)
    return notice


@write
def reopen(*, notice: Notice, why: str = "", who: User | None = None) -> Notice:
    """What was done or put off by mistake stands open again. Raises WrongState where its cause is gone, Conflict
    ``for_others``."""
    check_why(why)
    look, notice = begin(), _locked(notice)
    if notice.gone_at is not None or notice.state == Notice.State.OPEN:
        told = "its cause is gone" if notice.gone_at is not None else "it stands open"
        raise WrongState(f"{notice.what}: {told}")
    _check_right(notice, look, who)
    notice.state, notice.updated_at = Notice.State.OPEN, look.now
    notice.next_at = next_of(notice, look)
    notice.save(update_fields=["state", "next_at", "updated_at"])
    # Where a mail left without it meanwhile, or not at all: the next morning's letter tells it.
    morning = look.today if look.now < look.wall.morning_of(look.today) else look.today + timedelta(days=1)
    gone = Mail.objects.filter(settled_at__isnull=False).values("pk")
    untold = Telling.objects.filter(notice=notice, opening=notice.opening, told_at=None, mail__in=gone)
    untold.update(mail=None, letter_on=morning)
    _record(notice, NoticeAct.Kind.REOPENED, look, who, why)
    return notice


def _locked(notice: Notice) -> Notice:
    return Notice.objects.select_for_update(no_key=True).get(pk=notice.pk)


def _record(notice: Notice, kind: str, look: Look, who: User | None, why: str, until: date | None = None) -> None:
    NoticeAct.objects.create(notice=notice, kind=kind, until=until, why=why, who=who, acted_at=look.now)


def _check(notice: Notice, look: Look, who: User | None) -> None:
    if notice.state not in STANDING:
        told = "is done" if notice.state == Notice.State.DONE else "is not there any more"
        raise WrongState(f"{notice.what}: this {told}")
    _check_right(notice, look, who)


def _check_right(notice: Notice, look: Look, who: User | None) -> None:
    """An owner may, and who has the role that it is for, is named, or stands in."""
    if who is None:
        return
    people = addressees(look.today)
    person, kind = people.people.get(who.pk), look.kinds[notice.kind]
    roles = {notice.role} if notice.role else set() if notice.person_id else set(kind.roles)
    if person is not None and may_see(kind, person):
        if OWNER in person.rights or person.rights & roles:
            return
        if person in people.of(kind, role=notice.role, person=notice.person_id):
            return
    told = "this notice is for others: who is told of it sees to it, or an owner"
    raise Conflict(told, code="for_others", roles=sorted(roles))


def end_for_upkeep(*, job: Upkeep, due_on: date, why: str, who: User | None) -> None:
    """A job was done: its notice is done too, where one stands."""
    look = begin()
    standing = Notice.objects.select_for_update(no_key=True).filter(kind="upkeep", cause=job.pk, due_on=due_on)
    for notice in standing.filter(state__in=STANDING):
        _end(notice, look, who, why)
