"""The stock on a day: every portion with quantity, unit cost and value."""

from __future__ import annotations

from django.urls import path
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, reads
from inventory.models import Lot
from inventory.models.items import CODE_LENGTH
from planner import selectors


class StockDay(Form):
    on = fields.Day(required=False)


class StockRow(Answer):
    """``expires_on`` is the last day, inclusive. ``unit_cost`` is of one kilogram or one piece, as ``unit`` says."""

    item = fields.Code()
    lot = fields.Code()
    status = fields.Choice(*Lot.Status.values)
    expires_on = fields.Day(allow_null=True)
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    set_apart = fields.Flag()
    quantity = fields.Quantity()
    unit_cost = fields.Money(6, allow_null=True)
    unit = fields.Choice("kg", "pc")
    value = fields.Money(2, allow_null=True)


class StockAnswer(Answer):
    """``value`` is the sum of what has a cost; ``unvalued`` counts the portions that have none."""

    on = fields.Day()
    currency = fields.Text(blank=True)
    value = fields.Money(2)
    unvalued = fields.Whole(0, 10**12)
    portions = StockRow(many=True)


OIL: Json = {
    "item": "OIL", "lot": "O1", "status": "released", "expires_on": "2028-01-31", "place": "", "container": "",
    "set_apart": False, "quantity": "2400 g", "unit_cost": "8.00", "unit": "kg", "value": "19.20",
}  # fmt: skip
WAX: Json = OIL | {
    "item": "WAX", "lot": "W1", "expires_on": "2028-06-30", "quantity": "200 g", "unit_cost": None, "value": None,
}  # fmt: skip


class Stock(View):
    @reads(
        StockAnswer,
        filters=StockDay,
        summary="Read the stock on a day",
        query={"on": "2027-03-01"},
        gives={
            "on": "2027-03-01",
            "currency": "",
            "value": "19.20",
            "unvalued": 2,
            "portions": [
                OIL,
                WAX,
                WAX | {"lot": "W2", "status": "quarantine", "expires_on": None, "quantity": "5000 g"},
            ],
        },
    )
    def get(self, request: Request, asked: Json) -> Json:
        """Every portion that held something at the end of the day (without one: of today), by when things happened,
        in the order of item, lot and place."""
        return selectors.stock_document(asked.get("on") or clock.today())


ROUTES = [path("stock", Stock.as_view(), name="stock")]
