"""What is wanted: by customers, and expected at markets. Written down, set aside for, changed, closed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, selectors
from inventory.api import fields
from inventory.api.demands import DemandClosed, DemandNamed, DemandReserved, NewDemand, demand_named
from inventory.api.frame import Form, named, quantity_of, read_form
from inventory.api.pages import Listing
from inventory.errors import NotFound
from inventory.models import Demand
from inventory.pages.conventions import show_day, show_quantity
from inventory.pages.frame import Done, Facts, Page, chosen, cut, given_by, person_of
from inventory.pages.orders import TradeAct
from inventory.quantities import MASS
from inventory.quantities import show_quantity as plain_quantity
from inventory.services import dispatching, reserving


class DemandsShown(Form):
    customer = fields.Code(required=False)
    item = fields.Code(required=False)
    showing = fields.Choice("every", required=False)


class Demands(Page):
    """What is still wanted, the first due first, with what is set aside and what is free; or all that ever was."""

    template_name = "inventory/demands.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, sheet = chosen(DemandsShown, request)
        today, customer, item = clock.today(), asked.get("customer"), asked.get("item")
        found: Facts = {"form": sheet, "today": today, "customers": order_book.names_of_customers()}
        found |= {
            "items": order_book.names_of_leaving(),
            "narrowed": bool(asked),
            "showings": [("every", "all that ever was")],
        }
        if asked.get("showing") == "every":
            narrow = {"customer__code": customer, "item__code": item}
            rows = order_book.DEMANDS.filter(**{name: value for name, value in narrow.items() if value})
            page = cut(Listing(rows, "-pk", show_page=order_book.demand_rows), request)
            return found | {"cut": page, "demands": page.rows, "every": True}
        demands = order_book.with_free(order_book.demands_open(customer=customer, item=item), today)
        return found | {"demands": demands, "more": len(demands) == order_book.MOST_OPEN}


class DemandAct(TradeAct):
    """One act on a demand, which item, day, customer and reference name: its address bears them."""

    named: ClassVar = ("item", "due_on", "customer", "reference")

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        demand = self.demand(texts)
        return {
            "lead": f"{_whose(demand)}: {show_quantity(demand.quantity, demand.item)} of {demand.item.code} "
            f"{demand.item.name} by {show_day(demand.due_on, weekday=True)}; "
            f"{show_quantity(demand.open_quantity, demand.item)} of it still wanted.",
            "back": reverse("demands"),
            "back_told": "What is wanted",
            "values": self.values(demand),
        }

    def values(self, demand: Demand) -> Facts:
        return {}

    def demand(self, texts: Mapping[str, str]) -> Demand:
        given, _ = given_by(DemandNamed, dict(texts.items()), lambda _: MASS)
        return demand_named(read_form(DemandNamed, given, texts=True))

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return _measure_of(texts)


def _measure_of(texts: Mapping[str, str]) -> str:
    try:
        return selectors.find_item(texts.get("item", "").strip()).measure
    except NotFound:
        return MASS


def _whose(demand: Demand) -> str:
    whose = demand.customer.name if demand.customer is not None else "Expected at a market"
    return f"{whose}, {demand.reference}" if demand.reference else whose


class AddDemand(TradeAct):
    form = NewDemand
    heading, act_told = "Write down what is wanted", "Write it down"
    explained = "The plan makes or buys it in time. Without a customer it is what you expect to sell at a market."
    asks = (
        ("item", "What", ""),
        ("quantity", "How many, or how much", "Such as 24, or 2.5 kg."),
        ("due_on", "By which day", ""),
        ("customer", "Who wants it", ""),
        ("reference", "Their order number, or the name of the market", ""),
        ("priority", "Rank", "1 is served first. Blank: after all that have one."),
    )

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        asked = {name: request.GET.get(name, "") for name in ("customer", "item", "reference", "due_on")}
        return {
            "lead": "So much of an item, by a day.",
            "back": reverse("demands"),
            "back_told": "What is wanted",
            "choices": {"customer": [("", "nobody yet: a market"), *order_book.names_of_customers()]},
            "suggested": {"item": order_book.names_of_leaving()},
            "values": asked,
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return _measure_of(texts)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        item = named(selectors.find_item, asked["item"], "item")
        customer = asked.get("customer")
        demand = dispatching.want(
            item=item,
            quantity=quantity_of(item, asked["quantity"]).steps,
            due_on=asked["due_on"],
            customer=None if customer is None else named(selectors.find_party, customer, "customer"),
            reference=asked.get("reference", ""),
            priority=asked.get("priority"),
            who=person_of(request),
        )
        told = f"{show_quantity(demand.quantity, item)} of {item.code} by {show_day(demand.due_on, weekday=True)}"
        return Done(reverse("demands"), f"Written down: {told}.")


class DemandChanged(DemandNamed):
    quantity = fields.Quantity()
    priority = fields.Whole(1, 1_000_000, required=False)


class Change(DemandAct):
    guards = True
    form = DemandChanged
    heading, act_told = "Change what is wanted", "Change it"
    explained = (
        "What is set aside beyond the new quantity is freed. For another day, item or customer close it, and write a "
        "new one down."
    )
    asks = (
        ("quantity", "How many, or how much, in all", "With what has left already."),
        ("priority", "Rank", "1 is served first. Blank: after all that have one."),
    )

    def values(self, demand: Demand) -> Facts:
        return {"quantity": plain_quantity(demand.quantity, demand.item.measure), "priority": demand.priority}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        demand = demand_named(asked)
        quantity = quantity_of(demand.item, asked["quantity"]).steps
        changes = {"quantity": quantity, "priority": asked.get("priority")}
        dispatching.change_demand(demand=demand, changes=changes, who=person_of(request))
        return Done(reverse("demands"), f"Now {show_quantity(quantity, demand.item)} of {demand.item.code} are wanted.")


class Close(DemandAct):
    form = DemandClosed
    heading, act_told, grave = "Close what is wanted", "Close it", True
    explained = "Nothing more is wanted of it: what is set aside for it is freed, and no plan counts on it."
    asks = (("why", "Why", "Such as: bought elsewhere."),)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        demand = demand_named(asked)
        dispatching.close_demand(demand=demand, why=asked.get("why", ""), who=person_of(request))
        return Done(reverse("demands"), f"Closed: {demand.item.code}, {_whose(demand)}.")


class Reserve(DemandAct):
    form = DemandReserved
    heading, act_told = "Set stock aside", "Set it aside"
    explained = (
        "First what ends first, and only what may leave on the day and then lives as long as the customer wants. All "
        "of the quantity or nothing."
    )
    asks = (("quantity", "How many, or how much", "Blank: all that is still wanted."),)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        demand, quantity = demand_named(asked), asked.get("quantity")
        steps = None if quantity is None else quantity_of(demand.item, quantity).steps
        taken = dispatching.reserve_demand(demand=demand, quantity=steps, who=person_of(request))
        lots = ", ".join(dict.fromkeys(one.portion.number for one in taken))
        return Done(reverse("demands"), f"Set aside for {_whose(demand)}: lot {lots}.")


class Free(DemandAct):
    form = DemandNamed
    heading, act_told = "Free what is set aside", "Free it"
    explained = "It may then be promised to others; what is wanted stays wanted."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        demand = demand_named(asked)
        reserving.free(demand=demand, who=person_of(request))
        return Done(reverse("demands"), f"Nothing is set aside for {_whose(demand)} any more.")


ROUTES = [
    path("orders/wanted", Demands.as_view(), name="demands"),
    path("orders/wanted/new", AddDemand.as_view(), name="demand-add"),
    path("orders/wanted/change", Change.as_view(), name="demand-change"),
    path("orders/wanted/close", Close.as_view(), name="demand-close"),
    path("orders/wanted/set-aside", Reserve.as_view(), name="demand-reserve"),
    path("orders/wanted/free", Free.as_view(), name="demand-free"),
]
