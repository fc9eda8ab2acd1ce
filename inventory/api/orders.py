"""Purchase orders, and what comes with deliveries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors, trade
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, answer_of, lists, named, reads, refused, writes
from inventory.api.naming import all_named, chosen, one_named, quantities_of
from inventory.api.pages import Listing
from inventory.columns import rows_of
from inventory.errors import Fault, NotFound
from inventory.models import Item, Lot, PurchaseOrder, PurchaseOrderLine
from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services import buying
from inventory.services.buying import Delivery, OrderLine

MICRO = 1_000_000
MOMENT = "2027-03-01T09:00:00+00:00"


# --- purchase orders ---------------------------------------------------------------------------------------


class NewOrderLine(Form):
    item = fields.Code(refers_to="items")
    quantity = fields.Quantity()
    due_on = fields.Day()
    expires_on = fields.Expiry(required=False, allow_null=True)


class NewOrder(Form):
    """Without a code one is given."""

    order = fields.Code(required=False, allow_null=True)
    supplier = fields.Code(refers_to="parties")
    lines = Lines(child=NewOrderLine())


class OrderFilters(Form):
    """Orders with a line that is all of what is asked; ``open`` no: those of which nothing is to come any more."""

    supplier = fields.Code(required=False)
    item = fields.Code(required=False)
    open = fields.Flag(required=False)
    due_before = fields.Day(required=False)


class OrderLineClosed(Form):
    item = fields.Code(refers_to="items")
    due_on = fields.Day()
    why = fields.Text(NAME_LENGTH)


# ``quantity`` is what was ordered, ``open`` what is still to come. A line is closed when all is here, or with a reason.
OrderLineAnswer = answer_of(
    NewOrderLine,
    "PurchaseOrderLine",
    received=fields.Quantity(0),
    open=fields.Quantity(0),
    closed_at=fields.Instant(allow_null=True),
    closed_why=fields.Text(NAME_LENGTH, blank=True),
)


class PurchaseOrderAnswer(Answer):
    order = fields.Code()
    supplier = fields.Code()
    placed_at = fields.Instant()
    lines = OrderLineAnswer(many=True)


def order_line_row(row: Mapping[str, Any]) -> Json:
    """The answer's form of one row of ``trade.ORDER_LINE_COLUMNS``. Pure."""
    measure = row["item__measure"]
    return {
        "item": row["item__code"],
        "quantity": show_quantity(row["quantity"], measure),
        "due_on": row["due_on"],
        "expires_on": row["expires_on"],
        "received": show_quantity(row["received"], measure),
        "open": show_quantity(trade.open_of(row, "received"), measure),
        "closed_at": row["closed_at"],
        "closed_why": row["closed_why"],
    }


def order_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the lines of all of them in one query."""
    lines = trade.lines_of_orders(row["pk"] for row in rows)
    return [
        {
            "order": row["code"],
            "supplier": row["supplier__code"],
            "placed_at": row["placed_at"],
            "lines": [order_line_row(line) for line in lines[row["pk"]]],
        }
        for row in rows
    ]


def read_order(code: str) -> Json:
    row = trade.ORDERS.filter(code=code).first()
    if row is None:
        raise NotFound(f"no purchase order {code!r}")
    return order_rows([dict(row)])[0]


WAX_LINE: Json = {
    "item": "WAX", "quantity": "2000 g", "due_on": "2027-03-04", "expires_on": None, "received": "0 g",
    "open": "2000 g", "closed_at": None, "closed_why": "",
}  # fmt: skip
TIN_LINE: Json = WAX_LINE | {
    "item": "TIN", "quantity": "100 pc", "due_on": "2027-03-06", "received": "0 pc", "open": "100 pc",
}  # fmt: skip
ORDER: Json = {"order": "P-7", "supplier": "HOLLOW", "placed_at": MOMENT, "lines": [WAX_LINE, TIN_LINE]}


def place_asked(asked: Json, who: Any) -> PurchaseOrder:
    """Place what a ``NewOrder`` brought. Raises what the form's codes and the service do."""
    supplier = named(selectors.find_party, asked["supplier"], "supplier")
    lines = asked["lines"]
    items = all_named(selectors.items_by_code, lines, "item", "lines")
    return buying.place_order(
        supplier=supplier,
        lines=[
            OrderLine(items[line["item"]], quantity, line["due_on"], line.get("expires_on"))
            for line, quantity in zip(lines, quantities_of(items, lines, "lines"), strict=True)
        ],
        code=asked.get("order") or "",
        who=who,
    )


class Orders(View):
    @lists(
        PurchaseOrderAnswer,
        filters=OrderFilters,
        summary="List purchase orders",
        query={"item": "WAX", "open": "yes", "due_before": "2027-03-10"},
        gives=[ORDER],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """What was ordered, by code, with the lines of each order."""
        orders = trade.orders(**chosen(asked, supplier=selectors.find_party, item=selectors.find_item))
        return Listing(orders, "code", show_page=order_rows)

    @writes(
        NewOrder,
        PurchaseOrderAnswer,
        status=201,
        summary="Place a purchase order",
        asks={
            "supplier": "HOLLOW",
            "lines": [
                {"item": "WAX", "quantity": "2 kg", "due_on": "2027-03-04"},
                {"item": "TIN", "quantity": "100 pc", "due_on": "2027-03-06"},
            ],
        },
        gives=ORDER | {"order": "P20270301-1"},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Write down what was ordered: plans count on it from the day on which it is due. An item stands once for a
        day. ``expires_on`` is a date that the supplier promised."""
        order = place_asked(asked, request.user)
        return read_order(order.code)


class OneOrder(View):
    @reads(PurchaseOrderAnswer, summary="Read a purchase order", path={"order": "P-7"}, gives=ORDER)
    def get(self, request: Request, asked: Json, order: str) -> Json:
        """One order with its lines: what was ordered, what has come, and what is still to come."""
        return read_order(order)


class CloseLine(View):
    @writes(
        OrderLineClosed,
        PurchaseOrderAnswer,
        summary="Close a line of a purchase order",
        path={"order": "P-7"},
        asks={"item": "TIN", "due_on": "2027-03-06", "why": "the mould broke"},
        gives=ORDER
        | {"lines": [WAX_LINE, TIN_LINE | {"open": "0 pc", "closed_at": MOMENT, "closed_why": "the mould broke"}]},
    )
    def post(self, request: Request, asked: Json, order: str) -> Json:
        """The rest of the line that item and day name will not come: no plan counts on it any more."""
        line = order_line_named(selectors.find_order(order), asked["item"], asked["due_on"])
        buying.close_order_line(line=line, why=asked["why"], who=request.user)
        return read_order(order)


def order_line_named(order: PurchaseOrder, item: str, due_on: date) -> PurchaseOrderLine:
    """The line of an order that item and day name. Raises NotFound naming the field."""
    lines = trade.lines_of_orders([order.pk])[order.pk]
    days = [str(line["due_on"]) for line in lines if line["item__code"] == item]
    if days:
        fault = Fault("due_on", str(due_on), f"the day of a line for {item}: {', '.join(days)}")
    else:
        fault = Fault("item", item, f"an item of order {order.code}")
    name = (order.code, item, due_on)
    return one_named(trade.order_lines_named([name]), name, [fault], f"order {order.code} has no such line of {item}")


# --- receipts ----------------------------------------------------------------------------------------------


class NewReceiptLot(Form):
    """One lot that came. ``order`` and ``due_on`` name the order line that it answers, where it was ordered."""

    item = fields.Code(refers_to="items")
    quantity = fields.Quantity()
    lot = fields.Code(required=False, allow_null=True)
    order = fields.Code(required=False, allow_null=True, refers_to="purchase-orders")
    due_on = fields.Day(required=False, allow_null=True)
    status = fields.Choice("quarantine", "released", required=False)
    supplier_lot = fields.Text(CODE_LENGTH, required=False, blank=True)
    maker_lot = fields.Text(CODE_LENGTH, required=False, blank=True)
    available_on = fields.Day(required=False, allow_null=True)
    expires_on = fields.Expiry(required=False, allow_null=True)
    retest_on = fields.Day(required=False, allow_null=True)
    unit_cost = fields.Money(6, required=False, allow_null=True)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    note = fields.Text(NAME_LENGTH, required=False, blank=True)


class NewReceipt(Form):
    supplier = fields.Code(refers_to="parties")
    received_on = fields.Day(required=False, allow_null=True)
    happened_at = fields.Instant(required=False, allow_null=True)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lots = Lines(child=NewReceiptLot())


# "from" is a word of Python, so that the form cannot be written as a class.
ReceiptFilters = type(
    "ReceiptFilters",
    (Form,),
    {
        "supplier": fields.Code(required=False),
        "item": fields.Code(required=False),
        "order": fields.Code(required=False),
        "from": fields.Day(required=False),
        "to": fields.Day(required=False),
    },
)


class ReceiptRow(Answer):
    """One lot that came. ``uid`` names its stock event; ``corrected``: that was undone, it never came.

    ``status`` and the days are what the lot says now. ``unit_cost`` is of one kilogram or one piece.
    """

    uid = fields.Uid()
    supplier = fields.Code()
    item = fields.Code()
    lot = fields.Code()
    quantity = fields.Quantity()
    order = fields.Code(allow_null=True)
    due_on = fields.Day(allow_null=True)
    received_on = fields.Day()
    happened_at = fields.Instant()
    status = fields.Choice(*Lot.Status.values)
    supplier_lot = fields.Text(CODE_LENGTH, blank=True)
    maker_lot = fields.Text(CODE_LENGTH, blank=True)
    available_on = fields.Day(allow_null=True)
    expires_on = fields.Day(allow_null=True)
    retest_on = fields.Day(allow_null=True)
    unit_cost = fields.Money(6, allow_null=True)
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    note = fields.Text(NAME_LENGTH, blank=True)
    why = fields.Text(WHY_LENGTH, blank=True)
    corrected = fields.Flag()


class ReceiptAnswer(Answer):
    lots = ReceiptRow(many=True)


def receipt_row(row: Mapping[str, Any]) -> Json:
    """The answer's form of one row of ``trade.RECEIPT_COLUMNS``. Pure."""
    of_lot = ("supplier_lot", "maker_lot", "received_on", "available_on", "expires_on", "retest_on", "status", "note")
    return {
        "uid": row["event__uid"],
        "supplier": row["lot__supplier__code"],
        "item": row["lot__item__code"],
        "lot": row["lot__number"],
        "quantity": show_quantity(row["quantity"], row["lot__item__measure"]),
        "order": row["event__purchase_order_line__order__code"],
        "due_on": row["event__purchase_order_line__due_on"],
        "happened_at": row["event__happened_at"],
        "unit_cost": fields.show_money(row["lot__unit_cost_e6"], 6),
        "place": row["portion__place"],
        "container": row["portion__container"],
        "why": row["event__why"],
        "corrected": row["event__corrected_by__pk"] is not None,
    } | {name: row[f"lot__{name}"] for name in of_lot}


def read_receipts(lots: Iterable[Lot]) -> list[Json]:
    """What came, in the order of these lots: one query."""
    order = [lot.pk for lot in lots]
    rows = {row["lot_id"]: row for row in rows_of(trade.RECEIPTS.filter(lot__one_of=set(order)))}
    return [receipt_row(rows[pk]) for pk in order]


def _order_lines(lots: list[Json]) -> list[PurchaseOrderLine | None]:
    """The order line that each lot names, or None. Raises BadInput for half a name, NotFound for none such."""
    names: list[trade.OrderLineName | None] = []
    for at, lot in enumerate(lots):
        code, due_on = lot.get("order"), lot.get("due_on")
        if code is None and due_on is None:
            names.append(None)
        elif due_on is None:
            raise refused(f"lots[{at}].due_on", due_on, "the day on which the order line is due")
        elif code is None:
            raise refused(f"lots[{at}].order", code, "the order of the line that is due on that day")
        else:
            names.append((code, lot["item"], due_on))
    found = trade.order_lines_named(name for name in names if name is not None)
    lines: list[PurchaseOrderLine | None] = []
    for at, name in enumerate(names):
        if name is None:
            lines.append(None)
            continue
        code, item, due_on = name
        known = any(code == one for one, _, _ in found) or PurchaseOrder.objects.filter(code=code).exists()
        accepted = f"the day of a line of order {code} for {item}" if known else "a code that is known"
        fault = Fault(f"lots[{at}].{'due_on' if known else 'order'}", str(due_on) if known else code, accepted)
        lines.append(one_named(found, name, [fault], f"no line of order {code!r} for {item} on {due_on}"))
    return lines


def _delivery(lot: Json, item: Item, quantity: int, line: PurchaseOrderLine | None) -> Delivery:
    facts = dict(lot)
    for name in ("order", "due_on"):
        facts.pop(name, None)
    number, cost = facts.pop("lot", None), facts.pop("unit_cost", None)
    cost_e6 = None if cost is None else int(cost * MICRO)
    given = {"item": item, "quantity": quantity, "number": number or "", "order_line": line, "unit_cost_e6": cost_e6}
    return Delivery(**facts | given)


def receive_asked(asked: Json, who: Any) -> list[Lot]:
    """Receive what a ``NewReceipt`` brought: the lots in its order. Raises what the form's codes and the service do."""
    supplier = named(selectors.find_party, asked["supplier"], "supplier")
    lots = asked["lots"]
    items = all_named(selectors.items_by_code, lots, "item", "lots")
    each = zip(lots, quantities_of(items, lots, "lots"), _order_lines(lots), strict=True)
    return buying.receive(
        supplier=supplier,
        deliveries=[_delivery(lot, items[lot["item"]], quantity, line) for lot, quantity, line in each],
        received_on=asked.get("received_on"),
        happened_at=asked.get("happened_at"),
        why=asked.get("why", ""),
        who=who,
    )


CAME: Json = {
    "uid": "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10", "supplier": "HOLLOW", "item": "WAX", "lot": "W3",
    "quantity": "1200 g", "order": "P-7", "due_on": "2027-03-04", "happened_at": MOMENT, "unit_cost": "12.50",
    "place": "shelf", "container": "", "why": "", "corrected": False, "supplier_lot": "HH 80", "maker_lot": "",
    "received_on": "2027-03-01", "available_on": "2027-03-01", "expires_on": "2028-06-30", "retest_on": None,
    "status": "quarantine", "note": "",
}  # fmt: skip


class Receipts(View):
    @lists(
        ReceiptRow,
        filters=ReceiptFilters,
        summary="List what was received",
        query={"order": "P-7", "from": "2027-03-01", "to": "2027-03-01"},
        gives=[CAME],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every lot that came with a delivery, in the order in which they were written down. The days are those on
        which the lots were received, both included."""
        found = chosen(asked, supplier=selectors.find_party, item=selectors.find_item, order=selectors.find_order)
        return Listing(trade.receipts(**found), "pk", receipt_row)

    @writes(
        NewReceipt,
        ReceiptAnswer,
        status=201,
        summary="Receive a delivery",
        asks={
            "supplier": "HOLLOW",
            "lots": [
                {"item": "WAX", "quantity": "1.2 kg", "lot": "W3", "order": "P-7", "due_on": "2027-03-04",
                 "supplier_lot": "HH 80", "expires_on": "2028-06", "unit_cost": "12.5", "place": "shelf"},
                {"item": "WAX", "quantity": "0.8 kg", "lot": "W4", "order": "P-7", "due_on": "2027-03-04",
                 "supplier_lot": "HH 81", "expires_on": "2028-09", "unit_cost": "12.5", "place": "shelf"},
                {"item": "TIN", "quantity": "10 pc", "status": "released", "note": "a gift"},
            ],
        },
        gives={
            "lots": [
                CAME,
                CAME | {"lot": "W4", "quantity": "800 g", "supplier_lot": "HH 81", "expires_on": "2028-09-30"},
                CAME
                | {"item": "TIN", "lot": "20270301-1", "quantity": "10 pc", "order": None, "due_on": None,
                   "unit_cost": None, "place": "", "supplier_lot": "", "available_on": None, "expires_on": None,
                   "status": "released", "note": "a gift"},
            ]
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """Put a delivery on the books, a lot for each entry, in quarantine unless it says otherwise. Several lots may
        answer one order line, which is closed when all or more of it has come; a lot that names no order was not
        ordered. Without a number one is given. ``available_on`` is, unless given, the received day and the item's
        ``release_days``; ``received_on`` is today."""
        received = receive_asked(asked, request.user)
        return {"lots": read_receipts(received)}


ROUTES = [
    path("purchase-orders", Orders.as_view(), name="purchase-orders"),
    path("purchase-orders/<code:order>", OneOrder.as_view(), name="purchase-order"),
    path("purchase-orders/<code:order>/close-line", CloseLine.as_view(), name="purchase-order-close-line"),
    path("receipts", Receipts.as_view(), name="receipts"),
]
