"""Tables longer than one statement of a database may be: 65,535 values on PostgreSQL, fewer on SQLite."""

from __future__ import annotations

import pytest

from inventory.ledger import verify
from inventory.models import Item, Lot
from planner.exchange import load_tables

pytestmark = pytest.mark.django_db
ROWS = 3_000  # items have some thirty columns


def test_three_thousand_items_and_lots_are_loaded_and_loading_them_again_adds_nothing() -> None:
    items = ["item,name,kind", *(f"RAW-{at},Raw material {at},raw" for at in range(ROWS))]
    lots = ["item,lot,quantity,status", *(f"RAW-{at},L-{at},1 kg,released" for at in range(ROWS))]
    brought = {"items.csv": "\n".join(items).encode(), "lots.csv": "\n".join(lots).encode()}
    report = load_tables(brought, None)
    assert report.added == {"items": ROWS, "lots": ROWS}
    assert (Item.objects.count(), Lot.objects.count()) == (ROWS, ROWS)
    assert verify() == []
    assert load_tables(brought, None).added == {}
    renamed = {"items.csv": brought["items.csv"].replace(b"Raw material", b"Raw"), "lots.csv": brought["lots.csv"]}
    assert load_tables(renamed, None).updated == {"items": ROWS}
