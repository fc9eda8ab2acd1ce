"""Laying the demo down in an empty database: its tables by the door that people use, then its past, all or nothing."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from django.db import transaction

from inventory import clock
from inventory.errors import Conflict
from inventory.models import Item, Lot, Party, StockEvent
from planner.demo import history, past, present
from planner.demo.days import Days
from planner.demo.materials import ITEMS, PARTIES
from planner.demo.tables import tables, write_folder
from planner.exchange import load_tables
from production.models import Batch
from production.services import batches


@dataclass(frozen=True, slots=True)
class Laid:
    """The demo in the database: the day on which it was laid down, and whether that was just now."""

    on: date
    now: bool


def lay_down() -> Laid:
    """Build the demo where the database is empty; leave it as it is where the demo stands already.

    Raises Conflict, and changes nothing, where the database holds somebody's own workshop.
    """
    with transaction.atomic():
        if is_demo():
            first = StockEvent.objects.order_by("pk").values_list("recorded_at", flat=True).first()
            assert first is not None
            return Laid(clock.day_of(first), now=False)
        if Item.objects.exists() or Party.objects.exists():
            raise Conflict(
                "this database holds a workshop of its own; the demo was not laid down and nothing was changed. "
                "Give the demo another database, for instance DATABASE_URL=sqlite:///demo.sqlite3",
                code="other_workshop",
            )
        build(Days.now())
        return Laid(clock.today(), now=True)


def is_demo() -> bool:
    """Whether every item and party of the demo stands in the database, with the sack that its recall begins at.

    An export of the demo loaded elsewhere has no past: that is a workshop of its own.
    """
    items = {row["item"] for row in ITEMS}
    parties = {row["party"] for row in PARTIES}
    return (
        Item.objects.filter(code__in=items).count() == len(items)
        and Party.objects.filter(code__in=parties).count() == len(parties)
        and Lot.objects.filter(supplier_lot=past.RECALLED, origin=Lot.Origin.RECEIVED).exists()
    )


def build(days: Days) -> None:
    """The tables, through ``load``; the past, through the services; then stock is set aside for one batch."""
    with tempfile.TemporaryDirectory(prefix="weighhouse-demo-") as name:
        folder = Path(name)
        write_folder(folder, tables(days))
        load_tables(folder)
    history.act_out(days)
    planned = next(one for one in present.NEXT_WEEK if one.formula == present.RESERVED)
    code = present.batch_code(days, planned)
    batches.reserve(batch=Batch.objects.select_related("transformation").get(transformation__code=code))
