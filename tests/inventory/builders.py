"""Plain builders for tests: an item, a party, a lot in stock, a making. Everything has a default; name what matters."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import count
from typing import Any

from inventory import clock
from inventory.models import Item, Lot, Party, Portion, Transformation
from inventory.services.lots import OpeningRow, open_stock
from inventory.services.transforming import open_transformation

_next = count(1)

G = 1000  # mg
KG = 1_000_000


def make_item(code: str = "", **facts: Any) -> Item:
    """A raw material by mass that never spoils, unless told otherwise."""
    code = code or f"ITEM-{next(_next)}"
    defaults: dict[str, Any] = {"name": code.title(), "kind": Item.Kind.RAW, "measure": Item.Measure.MASS}
    facts = defaults | facts
    facts.setdefault("caps_life", facts["kind"] == Item.Kind.RAW)
    return Item.objects.create(code=code, **facts)


def make_party(code: str = "", role: str = Party.Role.BOTH, **facts: Any) -> Party:
    code = code or f"PARTY-{next(_next)}"
    return Party.objects.create(code=code, name=code.title(), role=role, **facts)


def make_lot(
    item: Item | None = None,
    quantity: int = KG,
    *,
    number: str = "",
    status: str = Lot.Status.RELEASED,
    place: str = "",
    container: str = "",
    **facts: Any,
) -> Lot:
    """A lot with one portion on the books as opening stock; ``facts`` are those of an opening row."""
    item = item or make_item()
    row = OpeningRow(
        item=item,
        quantity=quantity,
        number=number or f"L{next(_next)}",
        status=status,
        place=place,
        container=container,
        **facts,
    )
    return open_stock(rows=[row])[0]


def portion_in(lot: Lot, **where: Any) -> Portion:
    """The lot's one portion that holds something (in the place named), read fresh, with lot and item."""
    return Portion.objects.select_related("lot__item").get(lot=lot, on_hand__gt=0, **where)


def make_stock(item: Item | None = None, quantity: int = KG, **facts: Any) -> Portion:
    """A lot's one portion, ready to take from."""
    return portion_in(make_lot(item, quantity, **facts))


def make_transformation(code: str = "", item: Item | None = None, planned_for: date | None = None) -> Transformation:
    return open_transformation(
        code=code or f"B{next(_next)}",
        item=item or make_item(kind=Item.Kind.INTERMEDIATE),
        planned_for=planned_for or clock.today(),
    )


def days(number: int) -> date:
    """Today and so many days."""
    return clock.today() + timedelta(days=number)


def books() -> dict[str, list[tuple[Any, ...]]]:
    """Everything that a refusal must leave as it was: rows of every table that services write."""
    from inventory import models

    tables = (
        models.Lot,
        models.Portion,
        models.StockEvent,
        models.Movement,
        models.LotDecision,
        models.Reservation,
        models.Demand,
        models.Dispatch,
        models.DispatchLine,
        models.PurchaseOrder,
        models.PurchaseOrderLine,
        models.Transformation,
        models.Alert,
    )
    return {table.__name__: list(table.objects.order_by("pk").values_list()) for table in tables}
