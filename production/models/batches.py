"""Batches: planned, reserved, started, finished; and what was really weighed."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from inventory.models import Item, Lot, StockEvent, Transformation
from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH
from production.models.formulas import Check, FormulaVersion, Step


class Batch(models.Model):
    """One making. Its number, day and losses stand on the transformation (inventory), one to one."""

    class Status(models.TextChoices):
        PLANNED = "planned"
        RESERVED = "reserved"
        STARTED = "started"
        FINISHED = "finished"
        CANCELLED = "cancelled"
        ABANDONED = "abandoned"

    transformation = models.OneToOneField(
        Transformation, on_delete=models.PROTECT, primary_key=True, related_name="batch"
    )
    version = models.ForeignKey(FormulaVersion, on_delete=models.PROTECT, related_name="batches")
    charge = models.BigIntegerField()  # mg for percent, units begun for per_unit
    status = models.CharField(max_length=9, choices=Status, default=Status.PLANNED)
    priority = models.PositiveIntegerField(null=True, blank=True)
    trial = models.BooleanField(default=False)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(charge__gt=0), name="batch_charge_above_zero")]
        indexes = [
            models.Index(
                fields=["status"],
                condition=Q(status__in=["planned", "reserved", "started"]),
                name="batch_firm",
            )
        ]

    def __str__(self) -> str:
        return str(self.pk)


class BatchLine(models.Model):
    """One line of the weighing sheet, written when the batch starts, or for an addition outside the formula."""

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveIntegerField()
    phase = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    required = models.BigIntegerField()  # as the sheet says, rounded to a scale; 0 on additions
    tolerance = models.BigIntegerField(default=0)  # plus and minus, base steps
    scale = models.CharField(max_length=CODE_LENGTH, blank=True, default="")  # of the workshop's scales
    flag = models.CharField(max_length=NAME_LENGTH, blank=True, default="")  # "scale too coarse ..."
    single_lot = models.BooleanField(default=False)
    is_addition = models.BooleanField(default=False)
    done = models.BooleanField(default=False)  # nothing more is needed for it

    class Meta:
        constraints = [models.UniqueConstraint(fields=["batch", "position"], name="batch_line_position_once")]

    def __str__(self) -> str:
        return f"{self.batch_id}/{self.position}"


class Weighing(models.Model):
    """One reading: so much of one lot went in. The stock event holds the movement."""

    line = models.ForeignKey(BatchLine, on_delete=models.PROTECT, related_name="weighings")
    event = models.OneToOneField(StockEvent, on_delete=models.PROTECT, related_name="weighing")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="+")
    quantity = models.BigIntegerField()
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")  # another lot, or outside tolerance
    corrected = models.BooleanField(default=False)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(quantity__gt=0), name="weighing_above_zero")]

    def __str__(self) -> str:
        return f"{self.line_id} {self.quantity}"


class CheckResult(models.Model):
    """What a check showed for a batch. A check looked at again is a new row; the last one counts."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="check_results")
    check_of = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="results")
    value = models.CharField(max_length=NAME_LENGTH)
    passed = models.BooleanField()
    looked_at = models.DateTimeField()
    recorded_at = models.DateTimeField(db_default=Now())
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    def __str__(self) -> str:
        return f"{self.batch_id} {self.check_of_id} {self.value}"


class StepSignature(models.Model):
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="step_signatures")
    step = models.ForeignKey(Step, on_delete=models.PROTECT, related_name="signatures")
    signed_at = models.DateTimeField()
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["batch", "step"], name="step_signed_once")]

    def __str__(self) -> str:
        return f"{self.batch_id} {self.step_id}"
