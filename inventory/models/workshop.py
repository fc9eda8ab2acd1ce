"""The workshop itself: its settings, its alerts, and the retry keys of its writes."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, NAME_LENGTH

KEY_LENGTH = 100


class Setting(models.Model):
    """One setting as text; ``inventory.workshop`` reads them typed and knows which keys there are."""

    key = models.CharField(max_length=CODE_LENGTH, unique=True)
    value = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    def __str__(self) -> str:
        return self.key


class Alert(models.Model):
    """A condition that holds until mended: reservations that were freed, an item to reorder."""

    kind = models.CharField(max_length=30)
    subject = models.CharField(max_length=NAME_LENGTH)  # a code: the item's, the batch's
    message = models.CharField(max_length=500)
    facts = models.JSONField(default=dict)
    opened_at = models.DateTimeField(db_default=Now())
    updated_at = models.DateTimeField(auto_now=True)
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "subject"], condition=Q(closed_at__isnull=True), name="alert_open_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject}"


class RetryKey(models.Model):
    """A key that a client made for one write, with a digest of what was asked and the answer that was given."""

    key = models.CharField(max_length=KEY_LENGTH, unique=True)
    action = models.CharField(max_length=60)
    digest = models.CharField(max_length=64)
    answer = models.JSONField()
    made_at = models.DateTimeField(db_default=Now())

    def __str__(self) -> str:
        return self.key
