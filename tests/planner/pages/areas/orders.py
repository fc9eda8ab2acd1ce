"""The pages of orders in the demo's workshop."""

from __future__ import annotations

from datetime import date
from typing import Any

from inventory import order_book
from inventory.models import Demand, Dispatch, DispatchLine, Item, Offer, Party, Portion, PurchaseOrderLine
from inventory.quantities import show_quantity
from inventory.services import buying, dispatching, parties
from inventory.services.buying import OrderLine


def _line() -> PurchaseOrderLine:
    return PurchaseOrderLine.objects.select_related("order", "item").filter(closed_at=None).order_by("pk")[0]


def of_an_order() -> dict[str, Any]:
    return {"order": _line().order.code}


def of_a_line() -> str:
    return f"item={_line().item.code}&due_on={_line().due_on}"


def of_a_demand() -> str:
    demand = Demand.objects.select_related("item", "customer").exclude(customer=None).filter(closed_at=None)
    one = demand.order_by("pk")[0]
    assert one.customer is not None
    return order_book.demand_address(one.item.code, one.due_on, one.customer.code, one.reference)


def _left() -> DispatchLine:
    found = DispatchLine.objects.select_related("dispatch", "lot").filter(corrected=False).order_by("pk").first()
    assert found is not None
    return found


def of_a_dispatch() -> dict[str, Any]:
    return {"dispatch": _left().dispatch.code}


def _offer() -> Offer:
    return Offer.objects.select_related("supplier", "item").order_by("pk")[0]


def of_a_supplier() -> dict[str, Any]:
    return {"party": _offer().supplier.code}


def of_an_offer() -> str:
    return f"item={_offer().item.code}&pack={show_quantity(_offer().pack, _offer().item.measure)}"


def of_a_place() -> str:
    return f"place={order_book.places_with_products()[0]['place']}"


WHERE = {
    **dict.fromkeys(("purchase-order", "order-sheet", "order-send", "purchase-order-close-line"), of_an_order),
    **dict.fromkeys(("dispatch", "packing-list", "dispatch-return"), of_a_dispatch),
    **dict.fromkeys(("party", "party-change", "offer-add", "offer-change", "offer-withdraw"), of_a_supplier),
}
QUERY = {
    "purchase-order-close-line": of_a_line,
    **dict.fromkeys(("demand-change", "demand-close", "demand-reserve", "demand-free"), of_a_demand),
    "dispatch-return": "line=1",
    **dict.fromkeys(("offer-change", "offer-withdraw"), of_an_offer),
    "market-back": of_a_place,
}


# --- more rows ---------------------------------------------------------------------------------------------


def more_orders(count: int) -> None:
    supplier = Party.objects.get(code=_offer().supplier.code)
    items = list(Item.objects.filter(drawn=False).order_by("pk")[:3])
    for _ in range(count):
        buying.place_order(supplier=supplier, lines=[OrderLine(item, 1000, date(2027, 6, 1)) for item in items])


def more_order_lines(count: int) -> None:
    """Of the order that is looked at."""
    order, start = _line().order, PurchaseOrderLine.objects.count()
    items = list(Item.objects.filter(drawn=False).order_by("pk")[:20])
    PurchaseOrderLine.objects.bulk_create(
        PurchaseOrderLine(
            order=order, item=items[at % 20], quantity=1000, due_on=date.fromordinal(740_500 + start + at)
        )
        for at in range(count)
    )


def more_demands(count: int) -> None:
    customer, start = Party.objects.exclude(role="supplier").order_by("pk")[0], Demand.objects.count()
    items = list(Item.objects.filter(kind="product").order_by("pk")[:4])
    for at in range(count):
        dispatching.want(
            item=items[at % 4], quantity=5, due_on=date(2027, 6, 1), customer=customer, reference=f"R{start + at}"
        )


def more_dispatches(count: int) -> None:
    lot = _left().lot
    start = Dispatch.objects.count()
    for at in range(count):
        sent = Dispatch.objects.create(code=f"X-{start + at}", public_place="fair", dispatched_on=date(2027, 3, 1))
        DispatchLine.objects.create(dispatch=sent, lot=lot, quantity=1)


def more_dispatch_lines(count: int) -> None:
    line = _left()
    DispatchLine.objects.bulk_create(
        DispatchLine(dispatch=line.dispatch, lot=line.lot, quantity=1) for _ in range(count)
    )


def more_parties(count: int) -> None:
    start = Party.objects.count()
    for at in range(count):
        parties.make_party(code=f"X{start + at:04d}", facts={"name": f"Extra {at}", "role": "both"})


def more_offers(count: int) -> None:
    offer, start = _offer(), Offer.objects.count()
    Offer.objects.bulk_create(
        Offer(supplier=offer.supplier, item=offer.item, pack=7_000_000 + start + at, lead_time_days=3)
        for at in range(count)
    )


def more_markets(count: int) -> None:
    start, item = Demand.objects.count(), Item.objects.filter(kind="product").order_by("pk")[0]
    for at in range(count):
        dispatching.want(item=item, quantity=5, due_on=date(2027, 6, 1), reference=f"Fair {start + at}")


def more_at_the_place(count: int) -> None:
    place = order_book.places_with_products()[0]["place"]
    lot, start = order_book.standing_at(place)[0].lot, Portion.objects.count()
    Portion.objects.bulk_create(
        Portion(lot=lot, place=place, container=f"box {start + at}", on_hand=1) for at in range(count)
    )


FILLERS = {
    "orders": more_orders,
    "purchase-order": more_order_lines,
    "order-sheet": more_order_lines,
    "demands": more_demands,
    "dispatches": more_dispatches,
    "dispatch": more_dispatch_lines,
    "packing-list": more_dispatch_lines,
    "parties": more_parties,
    "party": more_offers,
    "market": more_markets,
    "market-back": more_at_the_place,
}
