"""The written method: a formula, its versions, their lines, steps and checks."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory.models import Item
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.quantities import WHOLE


class Formula(models.Model):
    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="formulas")

    def __str__(self) -> str:
        return self.code


class FormulaVersion(models.Model):
    """One version. Once used or approved its content is never edited: a change is a new version.

    Percentages are ten-thousandths of a percent; sizes (min_batch, batch_multiple, max_batch) are charges
    in the basis' step: mg for percent, units begun for per_unit.
    """

    class Basis(models.TextChoices):
        PERCENT = "percent"
        PER_UNIT = "per_unit"

    class Status(models.TextChoices):
        DRAFT = "draft"
        APPROVED = "approved"
        RETIRED = "retired"

    formula = models.ForeignKey(Formula, on_delete=models.PROTECT, related_name="versions")
    version = models.PositiveIntegerField()
    basis = models.CharField(max_length=8, choices=Basis)
    yield_percent = models.PositiveIntegerField(default=WHOLE)
    loss_mg = models.BigIntegerField(default=0)
    status = models.CharField(max_length=8, choices=Status, default=Status.DRAFT)
    preferred = models.BooleanField(default=False)
    min_batch = models.BigIntegerField(default=0)
    batch_multiple = models.BigIntegerField(default=1)
    max_batch = models.BigIntegerField(null=True, blank=True)
    approved_at = models.DateTimeField(null=True, blank=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["formula", "version"], name="formula_version_once"),
            models.UniqueConstraint(
                fields=["formula"], condition=Q(status="approved"), name="formula_one_approved_version"
            ),
            models.CheckConstraint(
                condition=Q(yield_percent__gt=0) & Q(yield_percent__lte=WHOLE), name="formula_version_yield"
            ),
            models.CheckConstraint(
                condition=Q(loss_mg__gte=0) & Q(min_batch__gte=0) & Q(batch_multiple__gt=0),
                name="formula_version_sizes",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.formula_id} v{self.version}"


class Line(models.Model):
    """One line: a percentage, the rest (`qs`), or an amount for one unit begun.

    per_unit amounts are exact fractions numerator/denominator of base steps, or of microlitres where
    ``is_volume`` (microlitres x density in g/mL are mg, rounded half up after multiplying by the units).
    """

    version = models.ForeignKey(FormulaVersion, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveIntegerField()
    phase = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="lines")
    percent = models.PositiveIntegerField(null=True, blank=True)  # null on per_unit and for qs
    qs = models.BooleanField(default=False)
    numerator = models.BigIntegerField(null=True, blank=True)
    denominator = models.BigIntegerField(null=True, blank=True)
    is_volume = models.BooleanField(default=False)
    amount_written = models.CharField(max_length=40)  # as the maker wrote it
    tolerance_percent = models.PositiveIntegerField(null=True, blank=True)  # blank: by the scale's custom
    single_lot = models.BooleanField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "position"], name="line_position_once"),
            models.CheckConstraint(
                condition=Q(qs=True, percent__isnull=True, numerator__isnull=True)
                | Q(qs=False, percent__gt=0, numerator__isnull=True)
                | Q(qs=False, percent__isnull=True, numerator__gt=0, denominator__gt=0),
                name="line_has_one_amount",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.version_id}/{self.position}"


class LineSubstitute(models.Model):
    """An item that may stand in for a line's: ``ratio`` of the substitute for one of the line's."""

    line = models.ForeignKey(Line, on_delete=models.CASCADE, related_name="substitutes")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    ratio = models.DecimalField(max_digits=12, decimal_places=6)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["line", "item"], name="substitute_once"),
            models.CheckConstraint(condition=Q(ratio__gt=0), name="substitute_ratio_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.line_id} {self.item_id}"


class Step(models.Model):
    version = models.ForeignKey(FormulaVersion, on_delete=models.CASCADE, related_name="steps")
    position = models.PositiveIntegerField()
    phase = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    text = models.TextField()
    temperature_c = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    minutes = models.PositiveIntegerField(null=True, blank=True)
    hands_on = models.BooleanField(default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["version", "position"], name="step_position_once")]

    def __str__(self) -> str:
        return f"{self.version_id}/{self.position}"


class Check(models.Model):
    """One thing looked at: limits (low, high), or an expected answer in words or yes/no."""

    class Stage(models.TextChoices):
        IN_PROCESS = "in_process"
        RELEASE = "release"
        STABILITY = "stability"

    version = models.ForeignKey(FormulaVersion, on_delete=models.CASCADE, related_name="checks")
    name = models.CharField(max_length=NAME_LENGTH)
    stage = models.CharField(max_length=10, choices=Stage)
    unit = models.CharField(max_length=40, blank=True, default="")
    low = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    expected = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["version", "name", "stage"], name="check_once")]

    def __str__(self) -> str:
        return self.name
