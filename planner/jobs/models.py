"""A job, and the files that belong to it."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory import clock

WORD_LENGTH = 30


class Job(models.Model):
    """One piece of heavy work that somebody asked for.

    While it runs, ``claim`` names the one run that may write it, and ``beat_at`` says when that run was last alive: a
    run whose claim was taken away writes nothing any more.
    """

    class Kind(models.TextChoices):
        PLAN = "plan"
        TRACE = "trace"
        EXPORT = "export"
        IMPORT = "import"

    class State(models.TextChoices):
        QUEUED = "queued"
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"
        CANCELLED = "cancelled"

    uid = models.UUIDField(unique=True, default=uuid.uuid4)
    kind = models.CharField(max_length=6, choices=Kind)
    asks = models.JSONField(default=dict)  # what was asked, JSON-ready; the days of a plan are settled when it is asked
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    asked_at = models.DateTimeField(default=clock.now)
    state = models.CharField(max_length=9, choices=State, default=State.QUEUED)
    percent = models.PositiveSmallIntegerField(default=0)
    doing = models.CharField(max_length=WORD_LENGTH, blank=True, default="")
    starts = models.PositiveSmallIntegerField(default=0)  # how often a worker took it up
    claim = models.UUIDField(null=True, blank=True)
    beat_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    refusal = models.JSONField(null=True, blank=True)  # of a failed one: status, code, message, faults, facts

    class Meta:
        indexes = [
            # The sweep looks at what is not ended: few rows of many.
            models.Index(fields=["state", "id"], name="job_not_ended", condition=Q(state__in=("queued", "running"))),
            models.Index(fields=["ended_at"], name="job_ended"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(percent__lte=100), name="job_percent"),
            models.CheckConstraint(
                condition=Q(state="running", claim__isnull=False) | (~Q(state="running") & Q(claim__isnull=True)),
                name="job_claimed_while_running",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.uid}"


class JobFile(models.Model):
    """Bytes of a job: what was brought for it, what came of it, what its page shows.

    ``content`` is packed where ``packed`` says so.
    """

    class Part(models.TextChoices):
        BROUGHT = "brought"
        RESULT = "result"
        SHOWN = "shown"  # of tables that were looked at: the rows that change, or the cells that are wrong

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="files")
    part = models.CharField(max_length=7, choices=Part)
    name = models.CharField(max_length=100)
    media_type = models.CharField(max_length=100)
    size = models.BigIntegerField()  # bytes, unpacked
    packed = models.BooleanField(default=False)
    content = models.BinaryField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["job", "part"], name="job_file_once")]

    def __str__(self) -> str:
        return self.name
