"""What is kept of notices: the notice, what was told to whom, the mails, people's choices, upkeep.

A notice is recorded once for its ``key``. It is told on certain local days (``told_on_days``); ``next_at`` is the
instant of the next of them, and the only thing that the sweep looks for. A telling is unique for notice, opening,
stage day, person and channel: that row is the claim, whoever inserts it.

Conditions of partial indexes say IS NULL and no values: a prepared statement cannot prove that its parameter is one.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH

KIND_LENGTH = 30
KEY_LENGTH = 400  # of a portion: kind, item, lot, place and container
ROLE_LENGTH = 12


class Notice(models.Model):
    """Something due on a day of the workshop, for someone. Its cause is looked at again before anybody is told."""

    class State(models.TextChoices):
        OPEN = "open"
        PUT_OFF = "put_off"
        DONE = "done"
        LAPSED = "lapsed"  # its cause is gone, and nobody had done it

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    key = models.CharField(max_length=KEY_LENGTH, unique=True)
    by_day = models.CharField(max_length=48, unique=True, null=True)  # due day and uid: the order of lists
    kind = models.CharField(max_length=KIND_LENGTH)
    cause = models.BigIntegerField()  # primary key of what it is about, by which its source looks again
    subject = models.JSONField(default=dict)  # the codes of what it is about: {"item": "WAX", "lot": "W1"}
    what = models.CharField(max_length=NAME_LENGTH)
    why = models.CharField(max_length=1_000, blank=True, default="")
    facts = models.JSONField(default=dict)
    due_on = models.DateField()
    overdue_on = models.DateField()  # the first day on which it is overdue
    escalates_on = models.DateField(null=True, blank=True)  # from this day on the owner is told too
    told_on_days = models.JSONField(default=list)  # ISO days at whose morning it is told, in order
    # Of this role or this person; neither: of the roles of its kind.
    role = models.CharField(max_length=ROLE_LENGTH, blank=True, default="")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    state = models.CharField(max_length=7, choices=State, default=State.OPEN)
    put_off_until = models.DateField(null=True, blank=True)
    opening = models.PositiveIntegerField(default=1)  # which time it stands open: a cause that comes back is told anew
    stage_on = models.DateField(null=True, blank=True)  # the last of its days that was told in this opening
    next_at = models.DateTimeField(null=True, blank=True)
    opened_at = models.DateTimeField()
    updated_at = models.DateTimeField()
    gone_at = models.DateTimeField(null=True, blank=True)  # since when its cause is gone

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(next_at__isnull=True) | Q(state__in=["open", "put_off"]), name="notice_next_while_open"
            ),
            models.CheckConstraint(
                condition=Q(state="lapsed", gone_at__isnull=False)
                | Q(state="done")
                | Q(state__in=["open", "put_off"], gone_at__isnull=True),
                name="notice_state_follows_cause",
            ),
        ]
        indexes = [
            models.Index(fields=["next_at"], condition=Q(next_at__isnull=False), name="notice_due"),
            models.Index(fields=["kind", "cause"], condition=Q(gone_at__isnull=True), name="notice_standing"),
            models.Index(fields=["by_day"], condition=Q(gone_at__isnull=True), name="notice_open_in_order"),
        ]

    def __str__(self) -> str:
        return self.key


class NoticeAct(models.Model):
    """What a person did with a notice: done, put off, taken up again. Only ever added to."""

    class Kind(models.TextChoices):
        DONE = "done"
        PUT_OFF = "put_off"
        REOPENED = "reopened"

    notice = models.ForeignKey(Notice, on_delete=models.CASCADE, related_name="acts")
    kind = models.CharField(max_length=8, choices=Kind)
    until = models.DateField(null=True, blank=True)
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    acted_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.notice_id} {self.kind}"


class Mail(models.Model):
    """One e-mail to one person. Waiting until it left; a repeat bears the same ``message_id``."""

    class Kind(models.TextChoices):
        LETTER = "letter"  # the morning's, one for a day
        AT_ONCE = "at_once"

    class State(models.TextChoices):
        WAITING = "waiting"
        SENT = "sent"
        RECORDED = "recorded"  # not mailed: no e-mail is set up, or the person has no address
        DROPPED = "dropped"  # nothing in it mattered any more

    key = models.CharField(max_length=120, unique=True)
    kind = models.CharField(max_length=7, choices=Kind)
    recipient = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    day = models.DateField()
    message_id = models.CharField(max_length=200)
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    made_at = models.DateTimeField()
    try_at = models.DateTimeField()  # not before: while somebody sends it, and after a try that failed
    tries = models.PositiveIntegerField(default=0)
    settled_at = models.DateTimeField(null=True, blank=True)
    trouble = models.CharField(max_length=WHY_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state="waiting", settled_at__isnull=True)
                | (~Q(state="waiting") & Q(settled_at__isnull=False)),
                name="mail_settled_has_its_moment",
            )
        ]
        indexes = [models.Index(fields=["try_at"], condition=Q(settled_at__isnull=True), name="mail_waiting")]

    def __str__(self) -> str:
        return self.key


class Telling(models.Model):
    """One stage of one notice for one person by one channel: recorded once, whoever claims it first."""

    class Stage(models.TextChoices):
        DUE_SOON = "due_soon"
        DUE = "due"
        OVERDUE = "overdue"
        ESCALATED = "escalated"  # overdue for so long that the owner is told

    class Channel(models.TextChoices):
        PAGE = "page"  # told by the list itself
        LETTER = "letter"
        AT_ONCE = "at_once"

    notice = models.ForeignKey(Notice, on_delete=models.CASCADE, related_name="tellings", db_index=False)
    opening = models.PositiveIntegerField()
    stage_on = models.DateField()
    stage = models.CharField(max_length=9, choices=Stage)
    recipient = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", db_index=False)
    channel = models.CharField(max_length=7, choices=Channel)
    claimed_at = models.DateTimeField()
    letter_on = models.DateField(null=True, blank=True)  # the first morning whose letter may carry it
    mail = models.ForeignKey(Mail, on_delete=models.PROTECT, null=True, related_name="tellings", db_index=False)
    told_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["notice", "opening", "stage_on", "recipient", "channel"], name="telling_once"
            )
        ]
        indexes = [
            models.Index(
                fields=["letter_on", "recipient"],
                condition=Q(mail__isnull=True, told_at__isnull=True),
                name="telling_waits_for_letter",
            ),
            models.Index(fields=["mail"], condition=Q(mail__isnull=False), name="telling_of_mail"),
        ]

    def __str__(self) -> str:
        return f"{self.notice_id} {self.stage_on} {self.channel}"


class NoticeRule(models.Model):
    """What the owner changed of a kind's defaults (``planner.notices.kinds``); blank: as it stands there."""

    kind = models.CharField(max_length=KIND_LENGTH, unique=True)
    roles = models.JSONField(null=True, blank=True)
    at_once = models.BooleanField(null=True, blank=True)
    soon_days = models.JSONField(null=True, blank=True)
    escalate_days = models.PositiveIntegerField(null=True, blank=True)

    def __str__(self) -> str:
        return self.kind


class Addressee(models.Model):
    """How a person wants to be told, who stands in while they are away, and the digest of their calendar's address."""

    person = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, primary_key=True, related_name="addressee"
    )
    letter = models.BooleanField(default=True)
    at_once = models.BooleanField(default=True)
    away_from = models.DateField(null=True, blank=True)
    away_to = models.DateField(null=True, blank=True)  # inclusive; blank: until further notice
    deputy = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, related_name="+")
    calendar_digest = models.CharField(max_length=64, unique=True, null=True, blank=True)
    calendar_made_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(away_to__isnull=True) | Q(away_from__isnull=False, away_to__gte=models.F("away_from")),
                name="addressee_away_in_order",
            )
        ]

    def __str__(self) -> str:
        return str(self.person_id)


class SourceLook(models.Model):
    """When a source was last looked at. Its row is locked meanwhile, so that two looks never cross."""

    name = models.CharField(max_length=KIND_LENGTH, unique=True)
    looked_at = models.DateTimeField(null=True, blank=True)
    looked_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    def __str__(self) -> str:
        return self.name


class Upkeep(models.Model):
    """A dated job that comes again: ``next_on`` is the first day plus so many times ``every``, clamped to the month."""

    class Unit(models.TextChoices):
        DAY = "day"
        WEEK = "week"
        MONTH = "month"

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    name = models.CharField(max_length=NAME_LENGTH)
    note = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    every = models.PositiveIntegerField(null=True, blank=True)  # blank: once
    unit = models.CharField(max_length=5, choices=Unit, default=Unit.MONTH)
    first_on = models.DateField()
    turn = models.PositiveIntegerField(default=0)  # how many times ``every`` after the first day
    next_on = models.DateField(null=True, blank=True)  # blank: nothing more to come
    soon_days = models.PositiveIntegerField(default=3)
    role = models.CharField(max_length=ROLE_LENGTH, blank=True, default="")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    retired = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(every__isnull=True) | Q(every__gt=0), name="upkeep_every_above_zero")
        ]

    def __str__(self) -> str:
        return self.code


class UpkeepDone(models.Model):
    """One time that a job was done: what it was due for, on which day it was really done, by whom."""

    upkeep = models.ForeignKey(Upkeep, on_delete=models.PROTECT, related_name="done")
    due_on = models.DateField()
    done_on = models.DateField()
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    recorded_at = models.DateTimeField(db_default=Now())

    class Meta:
        constraints = [models.UniqueConstraint(fields=["upkeep", "due_on"], name="upkeep_done_once")]

    def __str__(self) -> str:
        return f"{self.upkeep_id} {self.done_on}"
