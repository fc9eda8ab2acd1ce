"""What to order, by supplier: ticked, it becomes purchase orders."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock
from inventory.pages.frame import Done, Facts, FormPage, person_of
from planner import buying, services, week
from planner.pages.week import Proposals


class ToOrder(FormPage):
    """The plan's proposals to buy. What is ticked of one supplier becomes one order."""

    form = Proposals
    template_name = "planner/to_order.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"sheet": buying.buying_sheet(), "today": clock.today(), "weeks": week.WEEKS_AHEAD}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        wanted = [asked["one"]] if "one" in asked else asked.get("proposal", [])
        if not wanted:
            return Done(reverse("to-order"), "Nothing was ticked, so nothing was ordered.")
        found = services.accept(
            proposals=wanted,
            from_day=clock.today(),
            weeks=week.WEEKS_AHEAD,
            kinds=("buy",),
            together=True,
            who=person_of(request),
        )
        orders = list(dict.fromkeys(one.result for one in found))
        told = f"Order {orders[0]} is" if len(orders) == 1 else f"Orders {', '.join(orders)} are"
        to = reverse("order-sheet", kwargs={"order": orders[0]}) if len(orders) == 1 else reverse("orders")
        return Done(to, f"{told} written down. Now send {'it' if len(orders) == 1 else 'them'}.")


ROUTES = [path("orders/to-order", ToOrder.as_view(), name="to-order")]
