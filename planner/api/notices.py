"""Notices: what is due, for whom; done and put off. And a person's own: letters, being away, the calendar."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib.auth.models import User
from django.urls import path, reverse
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, named, reads, writes
from inventory.api.pages import Listing
from inventory.errors import NotFound
from planner.api.access import roles_of
from planner.api.roles import ROLES
from planner.notices import acts, choices, selectors
from planner.notices.kinds import KINDS, Kind, kinds_now
from planner.notices.models import Mail, Notice, NoticeAct, Telling
from planner.people import find_person

KIND_NAMES = tuple(KINDS)


# --- forms and answers -------------------------------------------------------------------------------------


class NoticeFilters(Form):
    """``state``: open unless asked otherwise. ``mine``: what you are told of today, also as a deputy."""

    state = fields.Choice(*Notice.State.values, required=False)
    kind = fields.Choice(*KIND_NAMES, required=False)
    stage = fields.Choice(*selectors.STAGES, required=False)
    mine = fields.Flag(required=False)
    due_before = fields.Day(required=False)


class NoticeRow(Answer):
    """Something due on a day of the workshop. ``subject`` holds the codes of what it is about, by kind; ``api`` and
    ``page`` are its addresses, "" where there is none. ``role`` and ``person`` are null where it is for the roles of
    its kind. ``lapsed``: its cause is gone, and nobody had done it."""

    notice = fields.Uid()
    kind = fields.Choice(*KIND_NAMES)
    title = fields.Text()
    subject = fields.AnyJson()
    what = fields.Text()
    why = fields.Text(1_000, blank=True)
    facts = fields.AnyJson()
    due_on = fields.Day()
    stage = fields.Choice(*selectors.STAGES)
    state = fields.Choice(*Notice.State.values)
    put_off_until = fields.Day(allow_null=True)
    role = fields.Choice(*ROLES, allow_null=True)
    person = fields.Code(allow_null=True)
    api = fields.Text(500, blank=True)
    page = fields.Text(500, blank=True)
    opened_at = fields.Instant()
    updated_at = fields.Instant()


class ActAnswer(Answer):
    act = fields.Choice(*NoticeAct.Kind.values)
    until = fields.Day(allow_null=True)
    why = fields.Text(500, blank=True)
    who = fields.Code(allow_null=True)
    at = fields.Instant()


class TellingAnswer(Answer):
    """``on`` is the day of the stage; ``told_at`` is null until the mail left; ``mail`` says what became of it,
    ``not_mailed`` why one was only written down."""

    stage = fields.Choice(*selectors.STAGES)
    on = fields.Day()
    to = fields.Code()
    channel = fields.Choice(*Telling.Channel.values)
    told_at = fields.Instant(allow_null=True)
    mail = fields.Choice(*Mail.State.values, allow_null=True)
    not_mailed = fields.Text(500, allow_null=True)


class NoticeAnswer(NoticeRow):
    """One notice with what was done with it and who was told."""

    acts = ActAnswer(many=True)
    tellings = TellingAnswer(many=True)


class WhyForm(Form):
    why = fields.Text(500, required=False, blank=True)


class PutOffForm(Form):
    """``why`` is needed for a day after the one on which it is due."""

    until = fields.Day()
    why = fields.Text(500, required=False, blank=True)


class KindChanges(Form):
    """What is null has its default again."""

    roles = fields.ListOf(fields.Choice(*ROLES), most=len(ROLES), allow_empty=False, required=False, allow_null=True)
    at_once = fields.Flag(required=False, allow_null=True)
    soon_days = fields.ListOf(fields.Days(1), most=10, required=False, allow_null=True)
    escalate_days = fields.Days(required=False, allow_null=True)


class KindAnswer(Answer):
    """For ``roles``, told ``soon_days`` before it is due, when due, when overdue, and the owner ``escalate_days`` later
    (null: never). ``seen_by`` may see it. An item or a job may name other days."""

    kind = fields.Choice(*KIND_NAMES)
    title = fields.Text()
    roles = fields.ListOf(fields.Choice(*ROLES))
    seen_by = fields.ListOf(fields.Choice(*ROLES))
    at_once = fields.Flag()
    soon_days = fields.ListOf(fields.Days(1))
    escalate_days = fields.Days(allow_null=True)


class KindsAnswer(Answer):
    kinds = KindAnswer(many=True)


class LetterChanges(Form):
    """``email`` "" for none: nothing is mailed then."""

    email = fields.Email(required=False, blank=True)
    letter = fields.Flag(required=False)
    at_once = fields.Flag(required=False)


class LetterAnswer(Answer):
    """``letter``: the morning's. ``at_once``: what cannot wait for it. ``mailed``: whether any mail leaves."""

    email = fields.Email(blank=True)
    letter = fields.Flag()
    at_once = fields.Flag()
    mailed = fields.Flag()


class AwayForm(Form):
    """Both days included; without ``away_to`` until further notice; ``away_from`` null: here again."""

    away_from = fields.Day(allow_null=True)
    away_to = fields.Day(required=False, allow_null=True)
    deputy = fields.Code(required=False, allow_null=True)


class AwayAnswer(Answer):
    away_from = fields.Day(allow_null=True)
    away_to = fields.Day(allow_null=True)
    deputy = fields.Code(allow_null=True)


class CalendarAnswer(Answer):
    """Whether there is a secret address, and since when. The address itself is told once, when it is made."""

    made_at = fields.Instant(allow_null=True)


class NewCalendarAnswer(Answer):
    """The secret address: whoever knows it reads the calendar. It is not told again."""

    address = fields.Text(500)
    made_at = fields.Instant()


# --- examples ----------------------------------------------------------------------------------------------

UID = "3a2f1b5e-6f2b-4a53-9d51-3c1f9a7f0b10"
OF_WAX = {"notice": UID}
WAX: Json = {
    "notice": UID,
    "kind": "lot_held",
    "title": "Held lots",
    "subject": {"item": "WAX", "lot": "W1"},
    "what": "WAX lot W1 is held",
    "why": "200 g is here and may not be used until it is decided: the supplier doubts its purity",
    "facts": {},
    "due_on": "2027-03-01",
    "stage": "due",
    "state": "open",
    "put_off_until": None,
    "role": None,
    "person": None,
    "api": "/api/v1/lots/WAX/W1",
    "page": "/shelf/lot/WAX/W1",
    "opened_at": "2027-03-01T09:00:00+00:00",
    "updated_at": "2027-03-01T09:00:00+00:00",
}
AT = "2027-03-01T09:00:00+00:00"
ACT: Json = {"act": "done", "until": None, "why": "asked the supplier for a paper", "who": "owner", "at": AT}
HELD: Json = {
    "kind": "lot_held",
    "title": "Held lots",
    "roles": ["maker", "quality"],
    "seen_by": list(KINDS["lot_held"].seen_by),
    "at_once": True,
    "soon_days": [],
    "escalate_days": 7,
}


# --- rows --------------------------------------------------------------------------------------------------


def read_notice(uid: UUID, user: Any) -> Json:
    notice = selectors.find_visible(uid, roles_of(user))
    row = Notice.objects.filter(pk=notice.pk).values(*selectors.COLUMNS).get()
    return selectors.notice_row(row, clock.today()) | selectors.history_of(notice)


def kind_row(kind: Kind) -> Json:
    return {
        "kind": kind.name,
        "title": kind.title,
        "roles": [role for role in ROLES if role in kind.roles],
        "seen_by": list(kind.seen_by),
        "at_once": kind.at_once,
        "soon_days": list(kind.soon_days),
        "escalate_days": kind.escalate_days,
    }


def letter_row(person: User) -> Json:
    from planner.notices.posting import is_set_up

    row = choices.choices_of(person)
    return {"email": person.email, "letter": row.letter, "at_once": row.at_once, "mailed": is_set_up()}


def away_row(person: User) -> Json:
    row = choices.choices_of(person)
    return {
        "away_from": row.away_from.isoformat() if row.away_from else None,
        "away_to": row.away_to.isoformat() if row.away_to else None,
        "deputy": row.deputy.username if row.deputy else None,
    }


# --- views -------------------------------------------------------------------------------------------------


class Notices(View):
    @lists(NoticeRow, filters=NoticeFilters, summary="List notices", query={"kind": "lot_held"}, gives=[WAX])
    def get(self, request: Request, asked: Json) -> Listing:
        """What stands open, of what your roles may see, by the day on which it is due."""
        today = clock.today()
        state = asked.get("state", Notice.State.OPEN)
        rows = selectors.visible_to(roles_of(request.user)).filter(state=state)
        if state in acts.STANDING:
            rows = rows.filter(gone_at=None)  # true of all of them, and the condition of their index
        if "kind" in asked:
            rows = rows.filter(kind=asked["kind"])
        if "stage" in asked:
            rows = rows.filter(selectors.at_stage(asked["stage"], today))
        if "due_before" in asked:
            rows = rows.filter(due_on__lt=asked["due_before"])
        if asked.get("mine"):
            rows = rows.filter(selectors.told_to(request.user))
        return Listing(rows.values(*selectors.COLUMNS), "by_day", lambda row: selectors.notice_row(row, today))


class OneNotice(View):
    @reads(
        NoticeAnswer,
        summary="Read a notice",
        path=OF_WAX,
        gives=WAX | {"acts": [], "tellings": []},
    )
    def get(self, request: Request, asked: Json, notice: UUID) -> Json:
        """One notice, with what was done with it and who was told."""
        return read_notice(notice, request.user)


class Done(View):
    @writes(
        WhyForm,
        NoticeAnswer,
        summary="A notice is seen to",
        path=OF_WAX,
        asks={"why": "asked the supplier for a paper"},
        gives=WAX | {"state": "done", "acts": [ACT], "tellings": []},
    )
    def post(self, request: Request, asked: Json, notice: UUID) -> Json:
        """Nobody is told again while its cause stands. A job of upkeep counts as done today. Those it is for may do
        this, and owners."""
        found = selectors.find_visible(notice, roles_of(request.user))
        acts.mark_done(notice=found, who=request.user, **asked)
        return read_notice(notice, request.user)


class PutOff(View):
    @writes(
        PutOffForm,
        NoticeAnswer,
        summary="Put a notice off until a day",
        path=OF_WAX,
        asks={"until": "2027-03-04", "why": "the paper comes on Thursday"},
        gives=WAX
        | {
            "state": "put_off",
            "put_off_until": "2027-03-04",
            "acts": [ACT | {"act": "put_off", "until": "2027-03-04", "why": "the paper comes on Thursday"}],
            "tellings": [],
        },
    )
    def post(self, request: Request, asked: Json, notice: UUID) -> Json:
        """Nobody is told before the morning of that day; then it is told again."""
        found = selectors.find_visible(notice, roles_of(request.user))
        acts.put_off(notice=found, who=request.user, **asked)
        return read_notice(notice, request.user)


class Reopen(View):
    @writes(
        WhyForm,
        NoticeAnswer,
        summary="Open a notice again",
        path=OF_WAX,
        asks={"why": "the paper is of another lot"},
        gives=WAX | {"acts": [ACT, ACT | {"act": "reopened", "why": "the paper is of another lot"}], "tellings": []},
    )
    def post(self, request: Request, asked: Json, notice: UUID) -> Json:
        """What was done or put off by mistake stands open again, while its cause is there."""
        found = selectors.find_visible(notice, roles_of(request.user))
        acts.reopen(notice=found, who=request.user, **asked)
        return read_notice(notice, request.user)


class Kinds(View):
    @reads(KindsAnswer, summary="List the kinds of notices")
    def get(self, request: Request, asked: Json) -> Json:
        """Every kind: for whom, and when it is told."""
        return {"kinds": [kind_row(kind) for kind in kinds_now().values()]}


class OneKind(View):
    @writes(
        KindChanges,
        KindAnswer,
        summary="Change a kind of notices",
        path={"kind": "lot_held"},
        asks={"roles": ["quality"], "escalate_days": 3},
        gives=HELD | {"roles": ["quality"], "escalate_days": 3},
    )
    def patch(self, request: Request, asked: Json, kind: str) -> Json:
        """Change for whom a kind is and when it is told; null gives the default again."""
        if kind not in KINDS:
            raise NotFound(f"no kind {kind!r}")
        return kind_row(choices.change_rule(kind=kind, **asked))


class MyLetter(View):
    @reads(
        LetterAnswer,
        summary="Which mails I get",
        gives={"email": "", "letter": True, "at_once": True, "mailed": True},
    )
    def get(self, request: Request, asked: Json) -> Json:
        """Your e-mail address and which mails you get."""
        return letter_row(request.user)

    @writes(
        LetterChanges,
        LetterAnswer,
        summary="Choose which mails I get",
        asks={"email": "owner@example.org", "at_once": False},
        gives={"email": "owner@example.org", "letter": True, "at_once": False, "mailed": True},
    )
    def patch(self, request: Request, asked: Json) -> Json:
        """The morning's letter holds everything that is due; at once comes what cannot wait."""
        choices.choose_letters(person=request.user, **asked)
        return letter_row(request.user)


class MyAway(View):
    @reads(
        AwayAnswer,
        summary="When I am away",
        gives={"away_from": None, "away_to": None, "deputy": None},
    )
    def get(self, request: Request, asked: Json) -> Json:
        """From when to when you are away, and who stands in."""
        return away_row(request.user)

    @writes(
        AwayForm,
        AwayAnswer,
        summary="Say when I am away",
        asks={"away_from": "2027-03-08", "away_to": "2027-03-19", "deputy": "maker"},
        gives={"away_from": "2027-03-08", "away_to": "2027-03-19", "deputy": "maker"},
    )
    def put(self, request: Request, asked: Json) -> Json:
        """Who stands in is told what you would be told, as far as their roles may see it."""
        deputy = asked.pop("deputy", None)
        person = None if deputy is None else named(find_person, deputy, "deputy")
        choices.go_away(person=request.user, deputy=person, **asked)
        return away_row(request.user)


class MyCalendar(View):
    @reads(CalendarAnswer, summary="Whether my calendar has an address", gives={"made_at": None})
    def get(self, request: Request, asked: Json) -> Json:
        """Since when your calendar has its secret address; null: it has none."""
        made_at = choices.choices_of(request.user).calendar_made_at
        return {"made_at": made_at.isoformat() if made_at else None}

    @writes(
        None,
        NewCalendarAnswer,
        status=201,
        retry=False,
        summary="Make a new address of my calendar",
        gives={"address": "http://testserver/calendar/k0-ODB0WDmXFAMvTE1wJIDk3E5Sq2RZRbTWp7xpFDsc.ics", "made_at": AT},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """An address for a calendar program, which asks nobody to sign in: keep it secret. An earlier one ends."""
        token = choices.make_calendar(person=request.user)
        made_at = choices.choices_of(request.user).calendar_made_at
        assert made_at is not None
        where = reverse("calendar", kwargs={"token": token})
        address = settings.SITE_URL + where if settings.SITE_URL else request.build_absolute_uri(where)
        return {"address": address, "made_at": made_at.isoformat()}

    @writes(None, None, status=204, summary="Revoke the address of my calendar")
    def delete(self, request: Request, asked: Json) -> None:
        """The address opens nothing any more."""
        choices.revoke_calendar(person=request.user)


ROUTES = [
    path("notices", Notices.as_view(), name="notices"),
    path("notices/<uuid:notice>", OneNotice.as_view(), name="notice"),
    path("notices/<uuid:notice>/done", Done.as_view(), name="notice-done"),
    path("notices/<uuid:notice>/put-off", PutOff.as_view(), name="notice-put-off"),
    path("notices/<uuid:notice>/reopen", Reopen.as_view(), name="notice-reopen"),
    path("notice-kinds", Kinds.as_view(), name="notice-kinds"),
    path("notice-kinds/<code:kind>", OneKind.as_view(), name="notice-kind"),
    path("me/letter", MyLetter.as_view(), name="me-letter"),
    path("me/away", MyAway.as_view(), name="me-away"),
    path("me/calendar", MyCalendar.as_view(), name="me-calendar"),
]
