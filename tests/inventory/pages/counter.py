"""A product of the tests' own with two lots, and what a customer and a market want of it."""

from __future__ import annotations

from datetime import date
from urllib.parse import parse_qsl

from inventory import order_book
from inventory.models import Demand, Item, Party, Portion
from inventory.services import dispatching, lots

BAR = "BAR-90"
MARKET_DAY = date(2027, 3, 13)
FAIR = "Fair"


def lay_out(received_on: date = date(2027, 3, 1)) -> None:
    """20 bars that end in a year, 10 that end sooner, both in the store; a customer of their own wants 12."""
    item = Item.objects.create(
        code=BAR, name="Bar", kind="product", measure="count", caps_life=False, caution="Keep out of eyes."
    )
    days = {"received_on": received_on, "status": "released", "place": "store"}
    lots.open_stock(
        rows=[
            lots.OpeningRow(item=item, quantity=20, number="BAR-1", expires_on=date(2028, 3, 1), **days),  # type: ignore[arg-type]
            lots.OpeningRow(item=item, quantity=10, number="BAR-2", expires_on=date(2027, 9, 1), **days),  # type: ignore[arg-type]
        ]
    )
    party = Party.objects.create(code="CORNER", name="Corner Shop", role="customer")
    dispatching.want(item=item, quantity=12, due_on=date(2027, 3, 12), customer=party, reference="N-1")
    dispatching.want(item=item, quantity=8, due_on=MARKET_DAY, reference=FAIR)


def bar() -> Item:
    return Item.objects.get(code=BAR)


def demand(reference: str = "N-1") -> Demand:
    return Demand.objects.select_related("item", "customer").get(item__code=BAR, reference=reference)


def query(reference: str = "N-1") -> str:
    one = demand(reference)
    code = one.customer.code if one.customer is not None else None
    return order_book.demand_address(BAR, one.due_on, code, reference)


def named(reference: str = "N-1") -> dict[str, str]:
    return dict(parse_qsl(query(reference), keep_blank_values=True))


def standing() -> dict[tuple[str, str, bool], int]:
    """How many bars stand where: by lot, place and whether they are set apart."""
    rows = Portion.objects.filter(lot__item__code=BAR, on_hand__gt=0)
    return {
        (lot, place, apart): count
        for lot, place, apart, count in rows.values_list("lot__number", "place", "set_apart", "on_hand")
    }
