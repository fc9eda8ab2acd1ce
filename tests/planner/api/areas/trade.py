"""Purchase orders, receipts, demands, dispatches."""

from __future__ import annotations

from datetime import date

from inventory import selectors
from inventory.models import Demand
from inventory.services.buying import Delivery, OrderLine, place_order, receive
from inventory.services.dispatching import Leaving, dispatch, reserve_demand, want
from inventory.services.market import Carried, take_out
from tests.inventory.builders import KG, make_item, make_lot, make_party, make_stock, portion_in

ORDER_NAMED = {("GET", "purchase-orders"), ("GET", "purchase-order"), ("POST", "purchase-order-close-line")}
DISPATCH_NAMED = {("GET", "dispatches"), ("GET", "dispatch"), ("POST", "dispatch-return")}
MARKET = {("POST", "market-out"), ("POST", "market-back")}
WAX_DUE = date(2027, 3, 4)


def prepare(operation: tuple[str, str]) -> None:
    if operation in ORDER_NAMED | {("GET", "receipts"), ("POST", "receipts")}:
        order_p7()
    if operation == ("GET", "receipts"):
        _w3_came()
    if operation == ("POST", "demand-reserve"):
        tins_filled()
    if operation == ("POST", "demand-free"):
        tins_filled()
        reserve_demand(demand=Demand.objects.get())
    if operation == ("POST", "dispatches"):
        tins_filled()
    if operation in MARKET:
        tins_filled()
        fair_expected()
    if operation == ("POST", "market-back"):
        tins_at_the_stall()
    if operation in DISPATCH_NAMED:
        tins_filled()
        parcel_sent()


def order_p7() -> None:
    """2 kg of wax and 100 tins from the supplier, still to come."""
    wax, tin = selectors.find_item("WAX"), selectors.find_item("TIN")
    lines = [OrderLine(wax, 2 * KG, WAX_DUE), OrderLine(tin, 100, date(2027, 3, 6))]
    place_order(supplier=selectors.find_party("HOLLOW"), lines=lines, code="P-7")


def tins_filled() -> None:
    """80 filled tins stand on the shelf, released: lot R1."""
    tin = selectors.find_item("RUB-50")
    make_lot(tin, 80, number="R1", place="shelf", expires_on=date(2027, 8, 28))


def parcel_sent() -> None:
    """24 tins left for the demand of the shop: dispatch D-5."""
    leaving = Leaving(portion_in(selectors.get_lot("RUB-50", "R1")), 24, Demand.objects.get())
    lane = selectors.find_party("LANE")
    dispatch(lines=[leaving], customer=lane, reference="parcel 7", code="D-5")


def fair_expected() -> None:
    """20 tins are expected at the spring fair."""
    want(item=selectors.find_item("RUB-50"), quantity=20, due_on=date(2027, 3, 6), reference="spring fair")


def tins_at_the_stall() -> None:
    """24 of the tins went there."""
    portion = portion_in(selectors.get_lot("RUB-50", "R1"))
    take_out(lines=[Carried(portion, 24)], place="stall", demands=[Demand.objects.get(reference="spring fair")])


def _w3_came() -> None:
    line = selectors.find_order("P-7").lines.get(due_on=WAX_DUE)
    receive(
        supplier=selectors.find_party("HOLLOW"),
        deliveries=[
            Delivery(
                item=selectors.find_item("WAX"), quantity=1_200_000, number="W3", order_line=line, place="shelf",
                supplier_lot="HH 80", expires_on=date(2028, 6, 30), unit_cost_e6=12_500_000,
            )
        ],
    )  # fmt: skip


def _orders(count: int) -> None:
    for _ in range(count):
        lines = [OrderLine(make_item(), 5, WAX_DUE), OrderLine(make_item(), 5, WAX_DUE)]
        place_order(supplier=make_party(), lines=lines)


def _receipts(count: int) -> None:
    for _ in range(count):
        receive(supplier=make_party(), deliveries=[Delivery(item=make_item(), quantity=5)])


def _demands(count: int) -> None:
    for _ in range(count):
        portion = make_stock(quantity=9)
        reserve_demand(demand=want(item=portion.lot.item, quantity=5, due_on=date(2027, 3, 9), customer=make_party()))


def _dispatches(count: int) -> None:
    for _ in range(count):
        portion, customer = make_stock(quantity=9), make_party()
        demand = want(item=portion.lot.item, quantity=5, due_on=date(2027, 3, 9), customer=customer)
        dispatch(lines=[Leaving(portion, 2, demand), Leaving(portion, 3)], customer=customer)


FILLERS = {"purchase-orders": _orders, "receipts": _receipts, "demands": _demands, "dispatches": _dispatches}
WRONG = {
    ("POST", "purchase-orders", "supplier"): ["LANE"],
    ("POST", "purchase-orders", "lines.quantity"): ["3 pc", "5 mL"],
    ("POST", "purchase-orders", "lines.expires_on"): ["2027-03-03", "2027-02"],
    ("POST", "purchase-order-close-line", "item"): ["OIL"],
    ("POST", "purchase-order-close-line", "due_on"): ["2027-03-05"],
    ("POST", "receipts", "supplier"): ["LANE"],
    ("POST", "receipts", "received_on"): ["2027-03-02"],
    ("POST", "receipts", "happened_at"): ["2027-03-01T09:00:01Z"],
    ("POST", "receipts", "lots.quantity"): ["3 pc", "5 mL"],
    ("POST", "receipts", "lots.lot"): ["W1", "-"],
    ("POST", "receipts", "lots.due_on"): ["2027-03-05"],
    ("POST", "receipts", "lots.expires_on"): ["2027-02-28", "2027-01"],
    ("POST", "receipts", "lots.unit_cost"): ["-1", "0.0000001"],
    ("POST", "demands", "customer"): ["HOLLOW"],
    ("POST", "demands", "quantity"): ["3 g", "1.5 pc"],
    ("PATCH", "demands", "quantity"): ["3 g", "0 pc", "1.5 pc"],
    ("POST", "demand-reserve", "quantity"): ["3 g", "61 pc"],
    ("POST", "dispatches", "dispatched_on"): ["2027-03-02"],
    ("POST", "dispatches", "happened_at"): ["2027-03-01T09:00:01Z"],
    ("POST", "dispatches", "customer"): ["HOLLOW"],
    ("POST", "dispatches", "public_place"): ["the market"],
    ("POST", "dispatches", "lines.lot"): ["O1"],
    ("POST", "dispatches", "lines.quantity"): ["3 g", "61 pc", "81 pc"],
    ("POST", "dispatches", "lines.place"): ["", "cellar"],
    ("POST", "dispatches", "lines.container"): ["box"],
    ("POST", "dispatches", "lines.demand"): [{}],
    ("POST", "dispatches", "lines.demand.due_on"): ["2027-03-20"],
    ("POST", "dispatches", "lines.demand.reference"): ["L-10", ""],
    ("POST", "dispatch-return", "line"): [2],
    ("POST", "dispatch-return", "quantity"): ["3 g", "25 pc"],
    ("POST", "dispatch-return", "happened_at"): ["2027-02-28T12:00:00Z", "2027-03-01T09:00:01Z"],
    ("POST", "market-out", "market"): [{}],
    ("POST", "market-out", "lines.lot"): ["O1"],
    ("POST", "market-out", "lines.quantity"): ["3 g", "81 pc"],
    ("POST", "market-out", "lines.place"): ["", "cellar"],
    ("POST", "market-out", "lines.container"): ["box"],
    ("POST", "market-back", "market"): [{}],
    ("POST", "market-back", "dispatched_on"): ["2027-03-02"],
    ("POST", "market-back", "lines.lot"): ["O1"],
    ("POST", "market-back", "lines.sold"): ["3 g", "0.5 pc"],
    ("POST", "market-back", "lines.back"): ["3 g", "0.5 pc"],
    ("POST", "market-back", "lines.container"): ["box"],
    ("POST", "market-back", "lines.why"): [""],
}
for _route in ("market-out", "market-back"):
    WRONG |= {
        ("POST", _route, "market.due_on"): ["2027-03-07"],
        ("POST", _route, "market.reference"): ["autumn fair", ""],
    }
for _method, _route in (
    ("PATCH", "demands"), ("POST", "demand-close"), ("POST", "demand-reserve"), ("POST", "demand-free"),
):  # fmt: skip
    WRONG |= {
        (_method, _route, "item"): ["TIN"],
        (_method, _route, "due_on"): ["2027-03-20"],
        (_method, _route, "customer"): ["HOLLOW", None],
        (_method, _route, "reference"): ["L-10", ""],
    }
VOLATILE = {"uid"}
