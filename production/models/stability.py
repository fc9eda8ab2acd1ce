"""Stability: protocols that say when to look and at what, studies of one lot, and their dated pulls.

A study holds its own conditions, tests and pulls from its start on: changing a protocol changes no study.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from inventory.models import Lot, StockEvent
from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH
from production.models.formulas import Check, FormulaVersion


class Unit(models.TextChoices):
    """What a pull time is counted in. Cycles are of the conditions that go back and forth, such as freeze and thaw."""

    WEEK = "week"
    MONTH = "month"
    CYCLE = "cycle"


class Condition(models.Model):
    """How samples stand: at a temperature, or going back and forth between two, one cycle in ``cycle_days``."""

    position = models.PositiveIntegerField()
    name = models.CharField(max_length=CODE_LENGTH)
    temperature_c = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    humidity_percent = models.PositiveIntegerField(null=True, blank=True)  # relative, whole percent
    cycle_to_c = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    cycle_days = models.PositiveIntegerField(null=True, blank=True)  # blank: steady

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return self.name


class Test(models.Model):
    """One thing looked at on a pull: within limits, by an expected answer, or only written down where neither is."""

    position = models.PositiveIntegerField()
    name = models.CharField(max_length=NAME_LENGTH)
    unit = models.CharField(max_length=40, blank=True, default="")
    low = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    expected = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return self.name


class Protocol(models.Model):
    """When the samples of a study are looked at, how they stand until then, and what is looked at."""

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    name = models.CharField(max_length=NAME_LENGTH)
    samples_per_pull = models.PositiveIntegerField(default=1)  # of each condition
    retired = models.BooleanField(default=False)  # no study starts by it any more

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(samples_per_pull__gt=0), name="protocol_samples_above_zero"),
        ]

    def __str__(self) -> str:
        return self.code


class ProtocolCondition(Condition):
    protocol = models.ForeignKey(Protocol, on_delete=models.CASCADE, related_name="conditions")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["protocol", "name"], name="protocol_condition_once"),
            models.UniqueConstraint(fields=["protocol", "position"], name="protocol_condition_position_once"),
        ]


class ProtocolTest(Test):
    protocol = models.ForeignKey(Protocol, on_delete=models.CASCADE, related_name="tests")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["protocol", "name"], name="protocol_test_once"),
            models.UniqueConstraint(fields=["protocol", "position"], name="protocol_test_position_once"),
        ]


class PullTime(models.Model):
    """So many weeks or months after the start, or after so many cycles; with the days of its window."""

    protocol = models.ForeignKey(Protocol, on_delete=models.CASCADE, related_name="pull_times")
    unit = models.CharField(max_length=5, choices=Unit)
    count = models.PositiveIntegerField()
    days_before = models.PositiveIntegerField(default=0)
    days_after = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["protocol", "unit", "count"], name="pull_time_once"),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.count}"


class Study(models.Model):
    """A stability study of one lot. What it concludes is for the assessor: it changes no item's life."""

    class Status(models.TextChoices):
        UNDER_WAY = "under_way"
        CLOSED = "closed"

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="studies")
    protocol = models.ForeignKey(Protocol, on_delete=models.PROTECT, related_name="studies")
    # Whose checks of stage stability it looks at; blank where the lot was not made by a formula.
    version = models.ForeignKey(FormulaVersion, on_delete=models.PROTECT, null=True, blank=True, related_name="studies")
    started_on = models.DateField()
    status = models.CharField(max_length=9, choices=Status, default=Status.UNDER_WAY)
    samples_per_pull = models.PositiveIntegerField()
    sample_quantity = models.BigIntegerField()  # of one sample, in base steps of the lot's item
    # What took the samples out of stock; blank where they were taken before the books began.
    event = models.OneToOneField(StockEvent, on_delete=models.PROTECT, null=True, blank=True, related_name="study")
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField(db_default=Now())
    closed_on = models.DateField(null=True, blank=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    conclusion = models.TextField(blank=True, default="")
    proposed_life_days = models.PositiveIntegerField(null=True, blank=True)
    life_basis = models.CharField(max_length=WHY_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(sample_quantity__gt=0) & Q(samples_per_pull__gt=0), name="study_samples_above_zero"
            ),
            models.CheckConstraint(
                condition=Q(status="closed", closed_on__isnull=False) | Q(status="under_way", closed_on__isnull=True),
                name="study_closed_has_its_day",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class StudyCondition(Condition):
    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="conditions")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["study", "name"], name="study_condition_once")]


class StudyTest(Test):
    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="tests")
    # The formula's check that it looks at; blank for a test of the protocol.
    check_of = models.ForeignKey(Check, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["study", "name"], name="study_test_once")]


class Pull(models.Model):
    """One dated look at a study's samples of one condition.

    Planned while it is neither done nor missed. It keeps its day on a holiday; ``done_on`` is the real day, and
    after ``window_to`` it was late. Closing a study leaves no pull planned.
    """

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="pulls")
    number = models.PositiveIntegerField()  # within the study, by due day; names the pull
    condition = models.ForeignKey(StudyCondition, on_delete=models.PROTECT, related_name="pulls")
    unit = models.CharField(max_length=5, choices=Unit)
    count = models.PositiveIntegerField()
    due_on = models.DateField()
    window_from = models.DateField()
    window_to = models.DateField()
    samples = models.PositiveIntegerField()
    done_on = models.DateField(null=True, blank=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    missed_on = models.DateField(null=True, blank=True)  # the day on which it was said to be missed
    missed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    missed_why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="pull_number_once"),
            models.UniqueConstraint(fields=["study", "condition", "unit", "count"], name="pull_once"),
            models.CheckConstraint(
                condition=Q(done_on__isnull=True) | Q(missed_on__isnull=True), name="pull_done_or_missed"
            ),
            models.CheckConstraint(
                condition=Q(window_from__lte=models.F("due_on")) & Q(window_to__gte=models.F("due_on")),
                name="pull_due_within_window",
            ),
        ]
        indexes = [
            models.Index(
                fields=["due_on", "id"], condition=Q(done_on__isnull=True, missed_on__isnull=True), name="pull_planned"
            )
        ]

    def __str__(self) -> str:
        return f"{self.study_id}/{self.number}"


class PullRecord(models.Model):
    """What was said of a pull, one after the other: done, missed, opened again. Only ever added to."""

    class Kind(models.TextChoices):
        DONE = "done"
        MISSED = "missed"
        REOPENED = "reopened"

    pull = models.ForeignKey(Pull, on_delete=models.PROTECT, related_name="records")
    kind = models.CharField(max_length=8, choices=Kind)
    on = models.DateField()
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField(db_default=Now())

    def __str__(self) -> str:
        return f"{self.pull_id} {self.kind}"


class Reading(models.Model):
    """What a test showed on one sample of a pull. A sample looked at again is a new row; the last one counts."""

    pull = models.ForeignKey(Pull, on_delete=models.PROTECT, related_name="readings")
    test = models.ForeignKey(StudyTest, on_delete=models.PROTECT, related_name="readings")
    sample = models.PositiveIntegerField(default=1)  # which of the pull's samples
    value = models.CharField(max_length=NAME_LENGTH)
    passed = models.BooleanField(null=True)  # blank: the test has neither limits nor an expected answer
    withdrawn = models.BooleanField(default=False)  # its pull was opened again: it does not count
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField(db_default=Now())

    class Meta:
        indexes = [
            models.Index(fields=["pull"], condition=Q(passed=False, withdrawn=False), name="reading_out_of_limits")
        ]

    def __str__(self) -> str:
        return f"{self.pull_id} {self.test_id} {self.value}"
