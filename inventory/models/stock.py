"""Lots, their portions, and the ledger: stock events and movements that are only ever added to.

The database itself refuses UPDATE and DELETE of StockEvent, Movement and LotDecision
(inventory/ledger_triggers.py). Balances stand on Portion and are guarded by checks.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Now

from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH, Item
from inventory.models.parties import Party


class Lot(models.Model):
    """One delivery or one making of an item. ``number`` is ours and never used twice for an item."""

    class Status(models.TextChoices):
        QUARANTINE = "quarantine"
        RELEASED = "released"
        REJECTED = "rejected"
        HELD = "held"

    class Origin(models.TextChoices):
        OPENING = "opening"  # was here when the books began: a trace ends here and says so
        RECEIVED = "received"
        MADE = "made"
        DRAWN = "drawn"  # a day's water

    class ReleasedBy(models.TextChoices):
        NOBODY = ""
        DECISION = "by_decision"
        CHECKS = "by_checks"

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="lots")
    number = models.CharField(max_length=CODE_LENGTH)
    origin = models.CharField(max_length=8, choices=Origin)
    status = models.CharField(max_length=10, choices=Status)
    released_by = models.CharField(max_length=11, choices=ReleasedBy, blank=True, default="")
    supplier = models.ForeignKey(Party, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    supplier_lot = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    maker_lot = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    # Every number with case, spaces and dashes folded, for finding a lot by what is written on a jar.
    number_folded = models.CharField(max_length=CODE_LENGTH, db_index=True)
    supplier_lot_folded = models.CharField(max_length=CODE_LENGTH, blank=True, default="", db_index=True)
    maker_lot_folded = models.CharField(max_length=CODE_LENGTH, blank=True, default="", db_index=True)
    received_on = models.DateField(null=True, blank=True)  # received or made day
    made_at = models.DateTimeField(null=True, blank=True)  # for lives kept in hours
    available_on = models.DateField(null=True, blank=True)
    # The given last day, inclusive; blank: received day + the item's life, else never. Made lots have it set.
    expires_on = models.DateField(null=True, blank=True)
    retest_on = models.DateField(null=True, blank=True)
    # Of one kilogram or one piece, in millionths of the workshop's currency.
    unit_cost_e6 = models.BigIntegerField(null=True, blank=True)
    transformation = models.ForeignKey(
        "inventory.Transformation", on_delete=models.PROTECT, null=True, blank=True, related_name="made_lots"
    )
    trial = models.BooleanField(default=False)  # made from a draft: never released, never dispatched
    note = models.CharField(max_length=NAME_LENGTH, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["item", "number"], name="lot_number_once_per_item"),
            models.CheckConstraint(condition=~Q(trial=True, status="released"), name="lot_trial_never_released"),
        ]

    def __str__(self) -> str:
        return self.number


class Portion(models.Model):
    """The part of a lot that is in one place and condition. Balances and reservations sit here."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="portions")
    place = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    container = models.CharField(max_length=CODE_LENGTH, blank=True, default="")
    opened_on = models.DateField(null=True, blank=True)
    set_apart = models.BooleanField(default=False)  # a returned jar, a cracked one: until decided
    on_hand = models.BigIntegerField(default=0)
    reserved = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["lot", "place", "container", "set_apart"], name="portion_once"),
            models.CheckConstraint(
                condition=Q(reserved__gte=0) & Q(reserved__lte=F("on_hand")),
                name="portion_reserved_within_on_hand",
            ),
        ]
        indexes = [models.Index(fields=["lot"], condition=Q(on_hand__gt=0), name="portion_on_hand")]

    def __str__(self) -> str:
        return f"{self.lot_id} {self.place} {self.container}"

    @property
    def free(self) -> int:
        return self.on_hand - self.reserved


class StockEvent(models.Model):
    """One thing that happened to stock. Shaped to map onto GS1 EPCIS 2.0: uid, times, what kind, why."""

    class Kind(models.TextChoices):
        OPENING = "opening"
        RECEIVED = "received"
        MADE = "made"
        USED = "used"
        DISPATCHED = "dispatched"
        RETURNED = "returned"
        SENT_BACK = "sent_back"
        MOVED = "moved"
        OPENED = "opened"
        SAMPLED = "sampled"
        DISCARDED = "discarded"
        COUNTED = "counted"
        CORRECTED = "corrected"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=10, choices=Kind)
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField(db_default=Now())
    who = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    # The event that this one undoes (kind corrected), each at most once.
    corrects = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="corrected_by")
    transformation = models.ForeignKey(
        "inventory.Transformation", on_delete=models.PROTECT, null=True, related_name="stock_events", db_index=False
    )
    dispatch_line = models.ForeignKey(
        "inventory.DispatchLine", on_delete=models.PROTECT, null=True, related_name="stock_events", db_index=False
    )
    purchase_order_line = models.ForeignKey(
        "inventory.PurchaseOrderLine", on_delete=models.PROTECT, null=True, related_name="stock_events", db_index=False
    )
    # The portion spoken of where nothing moved (a container opened where it stands).
    portion = models.ForeignKey(Portion, on_delete=models.PROTECT, null=True, related_name="+", db_index=False)

    class Meta:
        # Indexes of their own, not db_index: altering a field remakes the table on SQLite, and its triggers go.
        # Most events have few of the reasons, and every index is written at every posting: so each holds the events
        # that have it. Those of a trace and of the check of the books hold all that these read of the row.
        indexes = [
            models.Index(fields=["happened_at"], name="stock_event_happened_at"),
            models.Index(
                fields=["transformation", "kind", "corrects", "id"],
                condition=Q(transformation__isnull=False),
                name="stock_event_of_making",
            ),
            models.Index(fields=["id"], condition=Q(kind__in=["moved", "opened"]), name="stock_event_carried"),
            models.Index(
                fields=["dispatch_line", "id"], condition=Q(dispatch_line__isnull=False), name="stock_event_dispatched"
            ),
            models.Index(
                fields=["purchase_order_line", "id"],
                condition=Q(purchase_order_line__isnull=False),
                name="stock_event_ordered",
            ),
            models.Index(fields=["portion"], condition=Q(portion__isnull=False), name="stock_event_of_portion"),
            models.Index(fields=["who"], condition=Q(who__isnull=False), name="stock_event_by_whom"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.uid}"


class Movement(models.Model):
    """One signed quantity of one portion in a stock event.

    Three columns repeat what stands elsewhere, for sums without a join: ``lot`` the portion's, ``making`` the
    event's transformation where the event is a use, a making, or the correction of one, and ``in_pieces`` whether the
    item is counted. So what went into a making is below nothing when all of a lot in it is added up, what came out of
    it above, and a use that was corrected away nothing; masses and pieces are added up apart. The check of the books
    looks at the first; the database itself refuses another value of the others.
    """

    event = models.ForeignKey(StockEvent, on_delete=models.PROTECT, related_name="movements", db_index=False)
    portion = models.ForeignKey(Portion, on_delete=models.PROTECT, related_name="movements")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements", db_index=False)
    quantity = models.BigIntegerField()
    making = models.ForeignKey(
        "inventory.Transformation", on_delete=models.PROTECT, null=True, related_name="movements", db_index=False
    )
    in_pieces = models.BooleanField(default=False, db_default=False)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(quantity=0), name="movement_not_zero")]
        # A trace goes from lots to makings and from makings to lots, balances from lots to events; none of them reads
        # anything else of a movement.
        indexes = [
            models.Index(fields=["event", "lot", "quantity"], name="movement_of_event"),
            models.Index(fields=["lot", "event", "quantity"], name="movement_of_lot"),
            models.Index(
                fields=["lot", "making", "quantity"],
                condition=Q(making__isnull=False),
                name="movement_of_lot_in_making",
            ),
            models.Index(
                fields=["making", "lot", "quantity", "in_pieces"],
                condition=Q(making__isnull=False),
                name="movement_in_making",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.portion_id} {self.quantity:+d}"


class LotDecision(models.Model):
    """One change of a lot's status: who, when, why. Only ever added to."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="decisions")
    from_status = models.CharField(max_length=10, blank=True, default="")
    to_status = models.CharField(max_length=10, choices=Lot.Status)
    how = models.CharField(max_length=11, choices=Lot.ReleasedBy, blank=True, default="")
    decided_at = models.DateTimeField()
    recorded_at = models.DateTimeField(db_default=Now())
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    why = models.CharField(max_length=WHY_LENGTH, blank=True, default="")
    # Decisions taken in one action (a recall holds many lots) carry the same mark.
    action_uid = models.UUIDField(default=uuid.uuid4, db_index=True)

    def __str__(self) -> str:
        return f"{self.lot_id} {self.from_status}->{self.to_status}"
