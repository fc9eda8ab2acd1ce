"""What is kept in stock, and how it keeps."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

CODE_LENGTH = 64
NAME_LENGTH = 200
WHY_LENGTH = 500

# Common practice, no source: a word in good time, and samples kept for the shelf life plus a year.
DEFAULT_NOTICE_DAYS = (90, 30, 7)
DEFAULT_KEEP_SAMPLES_DAYS = 365


class Item(models.Model):
    """One thing kept in stock. Quantities are whole base steps: mg for mass, pieces for count."""

    class Kind(models.TextChoices):
        RAW = "raw"
        PACKAGING = "packaging"
        INTERMEDIATE = "intermediate"
        PRODUCT = "product"
        SUPPLY = "supply"

    class Measure(models.TextChoices):
        MASS = "mass"
        COUNT = "count"

    class ReleaseBy(models.TextChoices):
        DECISION = "decision"
        CHECKS = "checks"

    class LifeBasis(models.TextChoices):
        NONE = ""
        STUDY = "study"
        ASSESSOR = "assessor"

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    name = models.CharField(max_length=NAME_LENGTH)
    kind = models.CharField(max_length=12, choices=Kind)
    measure = models.CharField(max_length=5, choices=Measure, default=Measure.MASS)
    inci = models.CharField(max_length=NAME_LENGTH, blank=True, default="")
    cas = models.CharField(max_length=40, blank=True, default="")
    gtin = models.CharField(max_length=14, blank=True, default="")
    density_g_per_ml = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    shelf_life_days = models.PositiveIntegerField(null=True, blank=True)
    shelf_life_hours = models.PositiveIntegerField(null=True, blank=True)
    shelf_life_basis = models.CharField(max_length=8, choices=LifeBasis, blank=True, default="")
    # Whether this item's expiry caps the life of what is made from it.
    caps_life = models.BooleanField()
    opened_life_days = models.PositiveIntegerField(null=True, blank=True)
    min_remaining_days = models.PositiveIntegerField(default=0)
    safety_stock = models.BigIntegerField(default=0)
    lead_time_days = models.PositiveIntegerField(default=0)
    release_by = models.CharField(max_length=8, choices=ReleaseBy, default=ReleaseBy.DECISION)
    release_days = models.PositiveIntegerField(default=0)
    retest_days = models.PositiveIntegerField(null=True, blank=True)
    drawn = models.BooleanField(default=False)
    # Use limits of a line, in ten-thousandths of a percent.
    min_percent = models.PositiveIntegerField(null=True, blank=True)
    max_percent = models.PositiveIntegerField(null=True, blank=True)
    storage = models.CharField(max_length=NAME_LENGTH, blank=True, default="")
    caution = models.TextField(blank=True, default="")
    # Days before a lot's last day on which its coming end is told; blank: DEFAULT_NOTICE_DAYS, empty: never.
    notice_days = models.JSONField(null=True, blank=True)
    # Days beyond a lot's last day for which its retained samples are kept; blank: DEFAULT_KEEP_SAMPLES_DAYS.
    keep_samples_days = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(safety_stock__gte=0), name="item_safety_stock_not_negative"),
            models.CheckConstraint(
                condition=Q(density_g_per_ml__isnull=True) | Q(density_g_per_ml__gt=0),
                name="item_density_above_zero",
            ),
            models.CheckConstraint(
                condition=Q(shelf_life_days__isnull=True) | Q(shelf_life_hours__isnull=True),
                name="item_one_shelf_life",
            ),
            models.CheckConstraint(
                condition=Q(min_percent__isnull=True)
                | Q(max_percent__isnull=True)
                | Q(min_percent__lte=F("max_percent")),
                name="item_use_limits_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.code
