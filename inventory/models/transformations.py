"""What consumes lots and yields lots, and stock set aside for it or for a demand."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, Item
from inventory.models.orders import Demand
from inventory.models.stock import Portion


class Transformation(models.Model):
    """A making seen from the storeroom. A batch (production) is one, one to one, and owns its method and state.

    ``code`` is the batch number. Masses are in mg and set when it ends; ``closed_at`` is then set too.
    """

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="transformations")
    planned_for = models.DateField()
    made_on = models.DateField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    residue_mg = models.BigIntegerField(default=0)  # strained out or scraped away
    evaporated_mg = models.BigIntegerField(default=0)
    left_in_vessel_mg = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(residue_mg__gte=0) & Q(evaporated_mg__gte=0) & Q(left_in_vessel_mg__gte=0),
                name="transformation_losses_not_negative",
            )
        ]

    def __str__(self) -> str:
        return self.code


class Reservation(models.Model):
    """Stock of one portion set aside for one transformation or one demand. Deleted when used or freed."""

    portion = models.ForeignKey(Portion, on_delete=models.PROTECT, related_name="reservations")
    transformation = models.ForeignKey(
        Transformation, on_delete=models.PROTECT, null=True, blank=True, related_name="reservations"
    )
    demand = models.ForeignKey(Demand, on_delete=models.PROTECT, null=True, blank=True, related_name="reservations")
    quantity = models.BigIntegerField()
    reserved_at = models.DateTimeField(db_default=Now())

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="reservation_above_zero"),
            models.CheckConstraint(
                condition=Q(transformation__isnull=False, demand__isnull=True)
                | Q(transformation__isnull=True, demand__isnull=False),
                name="reservation_for_one",
            ),
            models.UniqueConstraint(
                fields=["portion", "transformation"],
                condition=Q(transformation__isnull=False),
                name="reservation_once_per_transformation",
            ),
            models.UniqueConstraint(
                fields=["portion", "demand"],
                condition=Q(demand__isnull=False),
                name="reservation_once_per_demand",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.portion_id} {self.quantity}"
