"""Retained samples: what was taken out of a lot to be kept, until when, and what was taken of it since.

The stock event (kind sampled) holds the movement: what is retained is out of stock, so that nobody plans, counts or
sells it. Here stands where it is kept and what is left of it.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.models.stock import Lot, StockEvent


class RetainedSample(models.Model):
    """So much of one lot kept through ``keep_until``. The event names it; ``left`` at nothing ends it."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="retained_samples")
    event = models.OneToOneField(StockEvent, on_delete=models.PROTECT, related_name="retained_sample")
    quantity = models.BigIntegerField()
    left = models.BigIntegerField()
    place = models.CharField(max_length=CODE_LENGTH, blank=True, default="")  # where it is kept
    container = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    keep_until = models.DateField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0) & Q(left__gte=0) & Q(left__lte=F("quantity")),
                name="retained_sample_left_within_quantity",
            )
        ]
        indexes = [models.Index(fields=["keep_until"], condition=Q(left__gt=0), name="retained_sample_kept")]

    def __str__(self) -> str:
        return f"{self.lot_id} {self.left}/{self.quantity}"


class RetainedTaking(models.Model):
    """What was taken of a retained sample: looked at for a complaint, or thrown away. Only ever added to."""

    sample = models.ForeignKey(RetainedSample, on_delete=models.PROTECT, related_name="takings")
    quantity = models.BigIntegerField()
    taken_on = models.DateField()
    why = models.CharField(max_length=WHY_LENGTH)
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField(db_default=Now())

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(quantity__gt=0), name="retained_taking_above_zero")]

    def __str__(self) -> str:
        return f"{self.sample_id} {self.quantity}"
