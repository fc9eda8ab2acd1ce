"""What planning itself keeps: which proposals were accepted, on which day the plan was last reviewed, notices, and the
PINs by which people sign at the bench."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models.functions import Now

from planner.jobs.models import Job, JobFile
from planner.notices.models import (
    Addressee,
    Mail,
    Notice,
    NoticeAct,
    NoticeRule,
    SourceLook,
    Telling,
    Upkeep,
    UpkeepDone,
)

__all__ = [
    "AcceptedProposal",
    "Addressee",
    "BenchPin",
    "Job",
    "JobFile",
    "Mail",
    "Notice",
    "NoticeAct",
    "NoticeRule",
    "PinTries",
    "Review",
    "SourceLook",
    "Telling",
    "Upkeep",
    "UpkeepDone",
]


class AcceptedProposal(models.Model):
    """A proposal of a plan that became firm. ``result`` is the batch number or purchase order it made, ``order_line``
    its line of that order, which may answer other proposals too."""

    class Kind(models.TextChoices):
        MAKE = "make"
        BUY = "buy"

    proposal = models.CharField(max_length=64, unique=True)
    kind = models.CharField(max_length=4, choices=Kind)
    result = models.CharField(max_length=64)
    order_line = models.ForeignKey(
        "inventory.PurchaseOrderLine", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_at = models.DateTimeField(db_default=Now())
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    def __str__(self) -> str:
        return self.proposal


class Review(models.Model):
    """One daily look at the plan, claimed by its unique day: two workers make it once."""

    reviewed_on = models.DateField(unique=True)
    started_at = models.DateTimeField(db_default=Now())
    finished_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return str(self.reviewed_on)


class BenchPin(models.Model):
    """By what a person signs at a screen that others use too. Another PIN is another row, so that a screen at which the
    old one was typed knows its person no more."""

    person = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    pin = models.CharField(max_length=200)  # hashed: planner.pins
    made_at = models.DateTimeField(db_default=Now())

    def __str__(self) -> str:
        return str(self.person)


class PinTries(models.Model):
    """Wrong PINs of one person, or at one device: here and not in a cache, so that all processes count together."""

    about = models.CharField(max_length=80, unique=True)
    wrong = models.PositiveSmallIntegerField(default=0)
    since = models.DateTimeField()  # of the first of these
    locks = models.PositiveSmallIntegerField(default=0)  # one after the other, each longer than the last
    locked_until = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.about
