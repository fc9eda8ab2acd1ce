"""Reads of notices: who may see which, one with its history, how far behind the sweep is."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.contrib.auth.models import User
from django.db.models import Q, QuerySet

from inventory.errors import NotFound
from planner.notices.addressees import addressees, may_see
from planner.notices.kinds import KINDS, seen_with
from planner.notices.links import api_path, page_path
from planner.notices.looking import begin
from planner.notices.models import Mail, Notice, Telling

Row = dict[str, Any]
COLUMNS = (
    "pk", "by_day", "uid", "kind", "subject", "what", "why", "facts", "due_on", "overdue_on", "escalates_on", "state",
    "put_off_until", "role", "person__username", "opened_at", "updated_at", "gone_at",
)  # fmt: skip
STAGES = tuple(Telling.Stage.values)


def visible_to(roles: frozenset[str]) -> QuerySet[Notice]:
    """The notices that somebody with these roles may see."""
    return Notice.objects.filter(kind__in=seen_with(roles))


def find_visible(uid: UUID, roles: frozenset[str]) -> Notice:
    notice = visible_to(roles).filter(uid=uid).first()
    if notice is None:
        raise NotFound(f"no notice {uid}")
    return notice


def told_to(user: User) -> Q:
    """For notices: those that a person is told of today, as a role's holder, by name or as a deputy."""
    look = begin(whole=False)
    people = addressees(look.today)
    person = people.people.get(user.pk)
    return Q(pk__in=[]) if person is None else people.told_to(person, look.kinds)


def at_stage(stage: str, today: date) -> Q:
    """For notices: those that stand at a stage on a day."""
    escalated = Q(escalates_on__lte=today)
    if stage == Telling.Stage.ESCALATED:
        return escalated
    if stage == Telling.Stage.OVERDUE:
        return Q(overdue_on__lte=today) & ~escalated
    if stage == Telling.Stage.DUE:
        return Q(due_on__lte=today, overdue_on__gt=today)
    return Q(due_on__gt=today)


def stage_on(row: Mapping[str, Any], today: date) -> str:
    """The stage at which a row stands on a day."""
    if row["escalates_on"] is not None and row["escalates_on"] <= today:
        return Telling.Stage.ESCALATED.value
    if row["overdue_on"] <= today:
        return Telling.Stage.OVERDUE.value
    return (Telling.Stage.DUE if row["due_on"] <= today else Telling.Stage.DUE_SOON).value


def notice_row(row: Mapping[str, Any], today: date) -> Row:
    """A notice as the API and pages show it."""
    kind = KINDS.get(row["kind"])
    return {
        "notice": str(row["uid"]),
        "kind": row["kind"],
        "title": kind.title if kind else row["kind"],
        "subject": row["subject"],
        "what": row["what"],
        "why": row["why"],
        "facts": row["facts"],
        "due_on": row["due_on"].isoformat(),
        "stage": stage_on(row, today),
        "state": row["state"],
        "put_off_until": row["put_off_until"].isoformat() if row["put_off_until"] else None,
        "role": row["role"] or None,
        "person": row["person__username"],
        "api": api_path(row["kind"], row["subject"]),
        "page": page_path(row["kind"], row["subject"]),
        "opened_at": row["opened_at"].isoformat(),
        "updated_at": row["updated_at"].isoformat(),
    }


def history_of(notice: Notice) -> Row:
    """What was done with a notice, and who was told at which stage. Two queries."""
    acts = notice.acts.order_by("pk").values_list("kind", "until", "why", "who__username", "acted_at")
    tellings = notice.tellings.order_by("pk").values_list(
        "stage", "stage_on", "recipient__username", "channel", "told_at", "mail__state", "mail__trouble"
    )
    return {
        "acts": [
            {"act": kind, "until": until.isoformat() if until else None, "why": why, "who": who, "at": at.isoformat()}
            for kind, until, why, who, at in acts
        ],
        "tellings": [
            {
                "stage": stage,
                "on": on.isoformat(),
                "to": to,
                "channel": channel,
                "told_at": told_at.isoformat() if told_at else None,
                "mail": mail,
                "not_mailed": trouble if mail == Mail.State.RECORDED else None,
            }
            for stage, on, to, channel, told_at, mail, trouble in tellings[:1_000]
        ],
    }


def people_who_may_see(kind: str) -> list[str]:
    """The names of those whose roles see a kind: who can be named or stand in for it."""
    people = addressees(begin(whole=False).today).people.values()
    names = [one.pk for one in people if may_see(KINDS[kind], one)]
    return list(User.objects.filter(pk__in=names).order_by("username").values_list("username", flat=True))


def seconds_behind(now: datetime) -> float:
    """How long the oldest notice that is due waits to be told; 0.0 where none does. One query on a partial index."""
    oldest = Notice.objects.filter(next_at__lte=now).order_by("next_at").values_list("next_at", flat=True).first()
    return (now - oldest).total_seconds() if oldest else 0.0


def mails_in_trouble() -> int:
    """Mails that were tried and did not leave yet."""
    return Mail.objects.filter(state=Mail.State.WAITING).exclude(trouble="").count()
