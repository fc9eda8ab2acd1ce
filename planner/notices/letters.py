"""What a mail says: the morning's letter and the one at once, as plain text and HTML. Sends nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from email.utils import formataddr
from typing import Any

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.db.models import Q, QuerySet
from django.template.loader import render_to_string

from planner.notices.addressees import Addressees, Person
from planner.notices.kinds import KINDS
from planner.notices.links import page_url
from planner.notices.models import Mail, Notice, NoticeAct, Telling
from planner.notices.wanted import Look, told

MOST_LISTED = 200  # notices in one mail: what is more is counted


@dataclass(frozen=True, slots=True)
class Entry:
    """One notice as a letter shows it."""

    what: str
    why: str
    when: str
    url: str
    new: bool


@dataclass(frozen=True, slots=True)
class Part:
    title: str
    entries: Sequence[Entry]


def one_line(text: str, most: int = 200) -> str:
    """Text as it may stand in a header: one line, nothing that a mail program would not print."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(plain.split())[:most]


def written(mail: Mail, person: Person, look: Look, people: Addressees, notices: Sequence[Notice], more: int) -> Any:
    """The message of a mail with these notices, ``more`` of which it only counts."""
    new = set(Telling.objects.filter(mail=mail).values_list("notice", flat=True)) if notices else set()
    parts = _parts(notices, look, new, _open_again(notices))
    subject = _subject_of(mail, look, notices, more)
    facts = {
        "name": person.name,
        "day": told(look.today),
        "at_once": mail.kind == Mail.Kind.AT_ONCE,
        "parts": parts,
        "more": more,
        "site": settings.SITE_URL,
        "standing_in_for": _away(person, people),
        "subject": subject,
    }
    message = EmailMultiAlternatives(
        subject=subject,
        body=render_to_string("planner/notices/letter.txt", facts),
        from_email=formataddr(("Weighhouse", settings.DEFAULT_FROM_EMAIL)),
        to=[formataddr((one_line(person.name, 100), person.email))],
        headers={"Message-ID": mail.message_id, "Auto-Submitted": "auto-generated"},
    )
    message.attach_alternative(render_to_string("planner/notices/letter.html", facts), "text/html")
    return message


def _subject_of(mail: Mail, look: Look, notices: Sequence[Notice], more: int) -> str:
    if mail.kind == Mail.Kind.AT_ONCE:
        others = len(notices) + more - 1
        return one_line(f"At once: {min(notices, key=_in_a_part).what}" + (f" (and {others} more)" if others else ""))
    overdue = sum(notice.overdue_on <= look.today for notice in notices)
    due = sum(notice.due_on <= look.today < notice.overdue_on for notice in notices)
    counts = [(overdue, "overdue"), (due, "due"), (len(notices) - overdue - due, "coming")]
    shown = ", ".join(f"{count} {word}" for count, word in counts if count)
    return one_line(f"{told(look.today)}: {shown}" + (f", {more} more" if more else ""))


def _open_again(notices: Sequence[Notice]) -> dict[int, str]:
    """Why notices stand open again that nobody took up again: the last that happened to them. One query."""
    acts = NoticeAct.objects.filter(notice__in=[notice.pk for notice in notices]).order_by("pk")
    last = {pk: (kind, who, why) for pk, kind, who, why in acts.values_list("notice", "kind", "who", "why")}
    return {pk: why for pk, (kind, who, why) in last.items() if kind == NoticeAct.Kind.REOPENED and who is None}


def _parts(notices: Sequence[Notice], look: Look, new: set[int], again: Mapping[int, str]) -> list[Part]:
    """Overdue, due, coming; in each the kinds in their order."""
    order = {name: at for at, name in enumerate(KINDS)}
    found: dict[tuple[int, int], list[Notice]] = {}
    for notice in notices:
        stage = 0 if notice.overdue_on <= look.today else 1 if notice.due_on <= look.today else 2
        found.setdefault((stage, order.get(notice.kind, 99)), []).append(notice)
    titles = ("Overdue", "Due now", "Coming")
    return [
        Part(
            f"{titles[stage]}: {_title(rows[0].kind)}",
            [_entry(row, look, row.pk in new, again.get(row.pk, "")) for row in sorted(rows, key=_in_a_part)],
        )
        for (stage, _), rows in sorted(found.items())
    ]


def _in_a_part(notice: Notice) -> tuple[date, str]:
    return notice.due_on, notice.what


def _title(kind: str) -> str:
    title = KINDS[kind].title if kind in KINDS else kind
    return title[0].lower() + title[1:]


def _entry(notice: Notice, look: Look, new: bool, again: str) -> Entry:
    days = (notice.due_on - look.today).days
    if days > 0:
        when = f"due on {told(notice.due_on)}, in {days} day{'s' if days > 1 else ''}"
    else:
        when = f"due on {told(notice.due_on)}" if days else "due today"
    why = f"Open again: {again} {notice.why}".strip() if again else notice.why
    return Entry(notice.what, why, when, page_url(notice.kind, notice.subject), new)


def _away(person: Person, people: Addressees) -> str:
    """Those for whom this person stands in today."""
    names = [
        one.name
        for one in people.people.values()
        if one.away and one.pk != person.pk and any(people.instead_of(one, kind) == person for kind in KINDS.values())
    ]
    return ", ".join(sorted(names))


def standing_for(person: Person, look: Look, people: Addressees) -> QuerySet[Notice]:
    """What a letter lists: all that was told to a person and still stands, the most overdue first."""
    mine = people.told_to(person, look.kinds)
    return Notice.objects.filter(mine, gone_at=None, state=Notice.State.OPEN, stage_on__isnull=False).order_by("by_day")


def of_mail(mail: Mail) -> QuerySet[Notice]:
    """What a mail was begun for and still stands."""
    tellings = Telling.objects.filter(mail=mail).values("notice")
    return Notice.objects.filter(Q(pk__in=tellings), state=Notice.State.OPEN).order_by("by_day")
