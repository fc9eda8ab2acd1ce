"""Suppliers, customers and what suppliers offer."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from inventory.models.items import CODE_LENGTH, NAME_LENGTH, Item


class Party(models.Model):
    class Role(models.TextChoices):
        SUPPLIER = "supplier"
        CUSTOMER = "customer"
        BOTH = "both"

    code = models.CharField(max_length=CODE_LENGTH, unique=True)
    name = models.CharField(max_length=NAME_LENGTH)
    role = models.CharField(max_length=8, choices=Role)
    email = models.CharField(max_length=NAME_LENGTH, blank=True, default="")
    phone = models.CharField(max_length=60, blank=True, default="")
    address = models.TextField(blank=True, default="")
    # What this customer wants left of the life of what it gets; blank: the item's own.
    min_remaining_days = models.PositiveIntegerField(null=True, blank=True)

    def __str__(self) -> str:
        return self.code

    @property
    def supplies(self) -> bool:
        return self.role in (self.Role.SUPPLIER, self.Role.BOTH)

    @property
    def buys(self) -> bool:
        return self.role in (self.Role.CUSTOMER, self.Role.BOTH)


class Offer(models.Model):
    """One supplier's pack of one item."""

    supplier = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="offers")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="offers")
    pack = models.BigIntegerField()  # base steps in one pack
    pack_written = models.CharField(max_length=40, blank=True, default="")  # where the pack had to be converted
    price_e4 = models.BigIntegerField(null=True, blank=True)  # of one pack, ten-thousandths of the currency
    lead_time_days = models.PositiveIntegerField()
    min_packs = models.PositiveIntegerField(default=1)
    supplier_code = models.CharField(max_length=CODE_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["supplier", "item", "pack"], name="offer_once"),
            models.CheckConstraint(condition=Q(pack__gt=0), name="offer_pack_above_zero"),
            models.CheckConstraint(condition=Q(min_packs__gt=0), name="offer_min_packs_above_zero"),
            models.CheckConstraint(
                condition=Q(price_e4__isnull=True) | Q(price_e4__gte=0), name="offer_price_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.supplier_id} {self.item_id} {self.pack}"
