"""Demands: what is wanted, by customers or at markets, and the stock set aside for it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors, trade
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, answer_of, lists, named, quantity_of, writes
from inventory.api.naming import chosen
from inventory.api.pages import Listing
from inventory.errors import Fault, NotFound
from inventory.models import Demand
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.quantities import show_quantity
from inventory.services import dispatching, reserving

MOMENT = "2027-03-01T09:00:00+00:00"


class DemandNamed(Form):
    """A demand has no code: item, day, customer and reference name it. No customer: expected at a market."""

    item = fields.Code(refers_to="items")
    due_on = fields.Day()
    customer = fields.Code(required=False, allow_null=True, refers_to="parties")
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class NewDemand(DemandNamed):
    quantity = fields.Quantity()
    priority = fields.Whole(1, 1_000_000, required=False, allow_null=True)


class DemandChanges(DemandNamed):
    """What is not given stays. Another item, day, customer or reference is another demand."""

    quantity = fields.Quantity(required=False)
    priority = fields.Whole(1, 1_000_000, required=False, allow_null=True)


class DemandClosed(DemandNamed):
    why = fields.Text(NAME_LENGTH, required=False, blank=True)


class DemandReserved(DemandNamed):
    """Without a quantity: all that is wanted beyond what is set aside already."""

    quantity = fields.Quantity(required=False, allow_null=True)


class DemandFilters(Form):
    item = fields.Code(required=False)
    customer = fields.Code(required=False)
    open = fields.Flag(required=False)
    due_before = fields.Day(required=False)


class DemandReservation(Answer):
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    quantity = fields.Quantity()


# ``open`` is what is still wanted: nothing once a demand is closed.
DemandAnswer = answer_of(
    NewDemand,
    "Demand",
    dispatched=fields.Quantity(0),
    open=fields.Quantity(0),
    reserved=fields.Quantity(0),
    reservations=DemandReservation(many=True),
    closed_at=fields.Instant(allow_null=True),
    closed_why=fields.Text(NAME_LENGTH, blank=True),
)


def demand_row(row: Mapping[str, Any], reserved: list[dict[str, Any]]) -> Json:
    """The answer's form of one row of ``trade.DEMAND_COLUMNS`` and what is set aside for it. Pure."""
    measure = row["item__measure"]
    return {
        "item": row["item__code"],
        "due_on": row["due_on"],
        "customer": row["customer__code"],
        "reference": row["reference"],
        "quantity": show_quantity(row["quantity"], measure),
        "priority": row["priority"],
        "dispatched": show_quantity(row["dispatched"], measure),
        "open": show_quantity(trade.open_of(row, "dispatched"), measure),
        "reserved": show_quantity(sum(one["quantity"] for one in reserved), measure),
        "reservations": [
            {
                "lot": one["portion__lot__number"],
                "place": one["portion__place"],
                "container": one["portion__container"],
                "quantity": show_quantity(one["quantity"], measure),
            }
            for one in reserved
        ],
        "closed_at": row["closed_at"],
        "closed_why": row["closed_why"],
    }


def demand_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with what is set aside for all of them in one query."""
    reserved = trade.reserved_for_demands(row["pk"] for row in rows)
    return [demand_row(row, reserved[row["pk"]]) for row in rows]


def read_demand(demand: Demand) -> Json:
    return demand_rows([trade.DEMANDS.get(pk=demand.pk)])[0]


def demand_named(asked: Json) -> Demand:
    """The demand that a request names. Raises NotFound naming the field."""
    item = named(selectors.find_item, asked["item"], "item")
    customer = asked.get("customer")
    party = None if customer is None else named(selectors.find_party, customer, "customer")
    reference, due_on = asked.get("reference", ""), asked["due_on"]
    try:
        return selectors.find_demand(item=item, due_on=due_on, customer=party, reference=reference)
    except NotFound as error:
        told = f"what names a demand of {item.code} with customer {customer or 'none'}"
        given = {"item": item.code, "due_on": str(due_on), "customer": customer or "", "reference": reference}
        raise NotFound(error.message, faults=[Fault(name, value, told) for name, value in given.items()]) from None


NAMED: Json = {"item": "RUB-50", "due_on": "2027-03-19", "customer": "LANE", "reference": "L-9"}
L9: Json = NAMED | {
    "quantity": "60 pc", "priority": None, "dispatched": "0 pc", "open": "60 pc", "reserved": "0 pc",
    "reservations": [], "closed_at": None, "closed_why": "",
}  # fmt: skip
SET_ASIDE: Json = {"lot": "R1", "place": "shelf", "container": "", "quantity": "60 pc"}


class Demands(View):
    @lists(
        DemandAnswer,
        filters=DemandFilters,
        summary="List demands",
        query={"customer": "LANE", "open": "yes", "due_before": "2027-03-20"},
        gives=[L9],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """What is wanted, in the order in which it was written down, with what is set aside for each."""
        demands = trade.demands(**chosen(asked, item=selectors.find_item, customer=selectors.find_party))
        return Listing(demands, "pk", show_page=demand_rows)

    @writes(
        NewDemand,
        DemandAnswer,
        status=201,
        summary="Write down a demand",
        asks={"item": "RUB-50", "quantity": "24 pc", "due_on": "2027-04-03", "reference": "spring market"},
        gives=L9
        | {
            "due_on": "2027-04-03",
            "customer": None,
            "reference": "spring market",
            "quantity": "24 pc",
            "open": "24 pc",
        },
    )
    def post(self, request: Request, asked: Json) -> Json:
        """So much of an item is wanted on a day, by a customer or, without one, at a market. Plans make or buy it."""
        item = named(selectors.find_item, asked["item"], "item")
        customer = asked.get("customer")
        demand = dispatching.want(
            item=item,
            quantity=quantity_of(item, asked["quantity"]).steps,
            due_on=asked["due_on"],
            customer=None if customer is None else named(selectors.find_party, customer, "customer"),
            reference=asked.get("reference", ""),
            priority=asked.get("priority"),
            who=request.user,
        )
        return read_demand(demand)

    @writes(
        DemandChanges,
        DemandAnswer,
        summary="Change a demand",
        asks=NAMED | {"quantity": "72 pc", "priority": 1},
        gives=L9 | {"quantity": "72 pc", "open": "72 pc", "priority": 1},
    )
    def patch(self, request: Request, asked: Json) -> Json:
        """Another quantity in all, with what has left already, or another rank. What is set aside beyond it is
        freed."""
        demand, changes = demand_named(asked), {}
        if "quantity" in asked:
            changes["quantity"] = quantity_of(demand.item, asked["quantity"]).steps
        if "priority" in asked:
            changes["priority"] = asked["priority"]
        dispatching.change_demand(demand=demand, changes=changes, who=request.user)
        return read_demand(demand)


class Close(View):
    @writes(
        DemandClosed,
        DemandAnswer,
        summary="Close a demand",
        asks=NAMED | {"why": "the customer buys elsewhere"},
        gives=L9 | {"open": "0 pc", "closed_at": MOMENT, "closed_why": "the customer buys elsewhere"},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Nothing more is wanted of it: what is set aside for it is freed, and no plan counts on it."""
        demand = demand_named(asked)
        dispatching.close_demand(demand=demand, why=asked.get("why", ""), who=request.user)
        return read_demand(demand)


class Reserve(View):
    @writes(
        DemandReserved,
        DemandAnswer,
        summary="Set stock aside for a demand",
        asks=NAMED,
        gives=L9 | {"reserved": "60 pc", "reservations": [SET_ASIDE]},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Set aside stock that is usable on the demand's day and lives as long after it as the customer wants, first
        expiry first: all of the quantity or nothing."""
        demand, quantity = demand_named(asked), asked.get("quantity")
        steps = None if quantity is None else quantity_of(demand.item, quantity).steps
        dispatching.reserve_demand(demand=demand, quantity=steps, who=request.user)
        return read_demand(demand)


class Free(View):
    @writes(DemandNamed, DemandAnswer, summary="Free what is set aside for a demand", asks=NAMED, gives=L9)
    def post(self, request: Request, asked: Json) -> Json:
        """Everything that is set aside for the demand is free again."""
        demand = demand_named(asked)
        reserving.free(demand=demand, who=request.user)
        return read_demand(demand)


ROUTES = [
    path("demands", Demands.as_view(), name="demands"),
    path("demands/close", Close.as_view(), name="demand-close"),
    path("demands/reserve", Reserve.as_view(), name="demand-reserve"),
    path("demands/free", Free.as_view(), name="demand-free"),
]
