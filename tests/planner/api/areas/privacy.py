"""Blanking a private customer, and the change log."""

from __future__ import annotations

from inventory.models import ChangeRecord, Demand


def prepare(operation: tuple[str, str]) -> None:
    if operation == ("POST", "party-blank"):
        Demand.objects.all().delete()  # nothing is left to be sent


def _changes(count: int) -> None:
    ChangeRecord.objects.bulk_create(
        ChangeRecord(kind="setting", code="currency", act="changed", field="value", after=str(number))
        for number in range(count)
    )


FILLERS = {"changes": _changes}
