"""Who did what to master data: one row for each field that changed. It only grows, in the database itself."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models.functions import Now

from inventory.models.items import NAME_LENGTH


class ChangeRecord(models.Model):
    """One field of one record, from what to what. A making is one row with no field, and what was given as ``after``.

    Rows refuse UPDATE and DELETE (inventory/change_triggers.py) but for one thing, once: blanking what a row says of a
    private person, which sets ``blanked_at``.
    """

    class Kind(models.TextChoices):
        ITEM = "item"
        PARTY = "party"
        OFFER = "offer"
        FORMULA = "formula"
        PROTOCOL = "protocol"
        SETTING = "setting"
        PERSON = "person"

    class Act(models.TextChoices):
        MADE = "made"
        CHANGED = "changed"
        WITHDRAWN = "withdrawn"
        BLANKED = "blanked"

    recorded_at = models.DateTimeField(db_default=Now())
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=8, choices=Kind)
    code = models.CharField(max_length=NAME_LENGTH)  # the record's; of an offer, the supplier's
    detail = models.CharField(max_length=NAME_LENGTH, blank=True, default="")  # of an offer, item and pack
    act = models.CharField(max_length=9, choices=Act)
    field = models.CharField(max_length=60, blank=True, default="")
    before = models.TextField(blank=True, default="")
    after = models.TextField(blank=True, default="")
    blanked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["kind", "code", "id"], name="change_of_record")]

    def __str__(self) -> str:
        return f"{self.kind} {self.code} {self.field}"
