"""Tables longer than one statement of a database may be: 65,535 values on PostgreSQL, fewer on SQLite."""

from __future__ import annotations

import pytest

from inventory.ledger import verify
from inventory.models import Item, Lot
from planner.exchange import load_tables

pytestmark = pytest.mark.django_db
ROWS = 7_000  # a lot is written with a dozen values and more


def test_seven_thousand_lots_are_loaded_and_loading_them_again_adds_nothing() -> None:
    lots = ["item,lot,quantity,status", *(f"CLAY,L-{at},1 kg,released" for at in range(ROWS))]
    brought = {"items.csv": b"item,name,kind\nCLAY,Clay,raw", "lots.csv": "\n".join(lots).encode()}
    assert load_tables(brought, None).added == {"items": 1, "lots": ROWS}
    assert (Item.objects.count(), Lot.objects.count()) == (1, ROWS)
    assert verify() == []
    assert load_tables(brought, None).unchanged == {"items": 1, "lots": ROWS}


def test_as_many_items_are_changed_together() -> None:
    rows = [f"RAW-{at},Raw material {at},raw" for at in range(ROWS)]
    brought = {"items.csv": "\n".join(["item,name,kind", *rows]).encode()}
    assert load_tables(brought, None).added == {"items": ROWS}
    renamed = {"items.csv": brought["items.csv"].replace(b"Raw material", b"Raw")}
    assert load_tables(renamed, None).updated == {"items": ROWS}
