"""What is wanted, what is on order, and what left."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, NAME_LENGTH, Item
from inventory.models.parties import Party


class Demand(models.Model):
    """So many of an item wanted on a day, by a customer or expected at a market (no customer).

    Open is ``quantity`` less ``dispatched``; a closed demand is wanted no more.
    """

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="demands")
    quantity = models.BigIntegerField()
    dispatched = models.BigIntegerField(default=0)
    due_on = models.DateField()
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, null=True, blank=True, related_name="demands")
    reference = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    priority = models.PositiveIntegerField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_why = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0) & Q(dispatched__gte=0), name="demand_above_zero"),
            models.UniqueConstraint(
                fields=["item", "due_on", "customer", "reference"],
                condition=Q(customer__isnull=False),
                name="demand_once_per_customer",
            ),
            models.UniqueConstraint(
                fields=["item", "due_on", "reference"],
                condition=Q(customer__isnull=True),
                name="demand_once_for_public",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} {self.due_on} {self.reference}"

    @property
    def open_quantity(self) -> int:
        return 0 if self.closed_at else max(0, self.quantity - self.dispatched)


class PurchaseOrder(models.Model):
    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    supplier = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="purchase_orders")
    placed_at = models.DateTimeField(db_default=Now())

    def __str__(self) -> str:
        return self.code


class PurchaseOrderLine(models.Model):
    """Open is ``quantity`` less ``received``, nothing once closed (all here, or the rest will not come)."""

    order = models.ForeignKey(PurchaseOrder, on_delete=models.PROTECT, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="purchase_order_lines")
    quantity = models.BigIntegerField()
    received = models.BigIntegerField(default=0)
    due_on = models.DateField()
    expires_on = models.DateField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_why = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["order", "item", "due_on"], name="purchase_order_line_once"),
            models.CheckConstraint(
                condition=Q(quantity__gt=0) & Q(received__gte=0), name="purchase_order_line_above_zero"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order_id} {self.item_id}"

    @property
    def open_quantity(self) -> int:
        return 0 if self.closed_at else max(0, self.quantity - self.received)


class Dispatch(models.Model):
    """Lots that left together: to a customer, or to the public at a place and day."""

    class Kind(models.TextChoices):
        SALE = "sale"
        TESTER = "tester"
        GIFT = "gift"
        DAMAGED = "damaged"

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    kind = models.CharField(max_length=7, choices=Kind, default=Kind.SALE)
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, null=True, blank=True, related_name="dispatches")
    public_place = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    dispatched_on = models.DateField(db_index=True)
    reference = models.CharField(max_length=CODE_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(customer__isnull=False, public_place="") | (Q(customer__isnull=True) & ~Q(public_place="")),
                name="dispatch_to_customer_or_public",
            )
        ]

    def __str__(self) -> str:
        return self.code


class DispatchLine(models.Model):
    """One lot's part of a dispatch; ``returned`` is what came back of it."""

    dispatch = models.ForeignKey(Dispatch, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="dispatch_lines")
    quantity = models.BigIntegerField()
    returned = models.BigIntegerField(default=0)
    corrected = models.BooleanField(default=False)  # undone by a correction: it never left
    demand = models.ForeignKey(Demand, on_delete=models.PROTECT, null=True, blank=True, related_name="dispatch_lines")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0) & Q(returned__gte=0) & Q(returned__lte=F("quantity")),
                name="dispatch_line_returned_within",
            )
        ]

    def __str__(self) -> str:
        return f"{self.dispatch_id} {self.lot_id}"
