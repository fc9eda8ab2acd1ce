"""The demo's workshop, as for every page; and two items with numbers that a scanner types."""

from __future__ import annotations

import pytest
from django.test import Client

from inventory.models import Item
from tests.planner.pages.conftest import laid_down, workshop

__all__ = ["laid_down", "workshop"]
GTIN = "09506000134352"


@pytest.fixture
def numbered(workshop: dict[str, Client]) -> dict[str, Client]:
    """White clay bears a GTIN, written down with 13 digits; jars bear another."""
    Item.objects.filter(code="KAOLIN").update(gtin=GTIN[1:])
    Item.objects.filter(code="JAR-100").update(gtin="6291041500213")
    return workshop
