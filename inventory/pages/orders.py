"""Buying as it stands on paper: orders open and late, one order with its lines, the sheet to send, a line closed.

What should be ordered comes from the plan: ``planner.pages.buying``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from urllib.parse import quote

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, order_letter, selectors, shelf
from inventory.api import fields
from inventory.api.frame import Form, read_form
from inventory.api.orders import NewOrder, OrderLineClosed, order_line_named, place_asked
from inventory.api.pages import Listing
from inventory.errors import BadInput, Fault
from inventory.models import RetryKey
from inventory.pages.conventions import as_day, show_day, show_quantity
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, given_by, person_of
from inventory.pages.receive import LinesPage, Texts
from inventory.quantities import MASS
from inventory.services import buying


class OrdersShown(Form):
    supplier = fields.Code(required=False)
    showing = fields.Choice("late", "every", required=False)


SHOWINGS = [("late", "only late ones"), ("every", "every order, the latest first")]


class Orders(Page):
    """Orders of which something is to come, the first due first; or every order."""

    template_name = "inventory/orders.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, sheet = chosen(OrdersShown, request)
        today, supplier, showing = clock.today(), asked.get("supplier"), asked.get("showing")
        found: Facts = {"form": sheet, "today": today, "showings": SHOWINGS, "suppliers": shelf.names_of_suppliers()}
        if showing == "every":
            rows = order_book.ORDERS.filter(supplier__code=supplier) if supplier else order_book.ORDERS
            page = cut(Listing(rows, "-pk", show_page=order_book.order_rows), request)
            return found | {"cut": page, "orders": page.rows, "every": True}
        orders = order_book.orders_to_come(today, supplier=supplier, late=showing == "late")
        return found | {"orders": orders, "more": len(orders) == order_book.MOST_OPEN, "narrowed": bool(asked)}


class OneOrder(Page):
    template_name = "inventory/order.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"order": order_book.order_card(where["order"]), "today": clock.today()}


class OrderSheet(Page):
    """The sheet that goes to the supplier: to print, or as the words of a letter."""

    template_name = "inventory/order_sheet.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        order = order_book.order_sheet(where["order"])
        return {
            "order": order,
            "letter": letter_to(order),
            "mail_is_set_up": order_letter.is_set_up(),
            "to_come": any(line["open"] for line in order["lines"]),
        }


def letter_to(order: Mapping[str, Any]) -> str:
    """The address of a letter with the order in it, for the reader's own mail program; "" without an e-mail."""
    if not order["supplier__email"]:
        return ""
    subject, body = quote(f"Order {order['code']}"), quote(words_of(order).replace("\n", "\r\n"))
    return f"mailto:{quote(order['supplier__email'], safe='@')}?subject={subject}&body={body}"


def words_of(order: Mapping[str, Any]) -> str:
    """The order as plain text: what is still to come of it, in packs, and by when."""
    lines = [
        f"- {show_quantity(line['quantity'], line['item'])} {line['item']['name']}{_packs_told(line)}, "
        f"by {show_day(line['due_on'])}"
        for line in order["lines"]
        if line["open"]
    ]
    told = [f"Order {order['code']} of {show_day(order['placed_at'])}", "", *lines, ""]
    told += ["Please tell lot number and best-before date of each with the delivery."]
    return "\n".join(told).replace("\N{NO-BREAK SPACE}", " ")


def _packs_told(line: Mapping[str, Any]) -> str:
    told = [
        f"{pack['count']} x {show_quantity(pack['pack'], line['item'])}"
        + (f" (your {pack['supplier_code']})" if pack["supplier_code"] else "")
        for pack in line["packs"]
    ]
    return f" ({', '.join(told)})" if told else ""


class AddOrder(LinesPage):
    """An order written down by hand: a supplier, and what was ordered."""

    template_name = "inventory/order_add.html"
    section = "orders"
    form = NewOrder
    of = "lines"
    lines: ClassVar = {"lines": 3}
    sides: ClassVar = {"more": "more"}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"items": shelf.names_of_items(), "suppliers": shelf.names_of_suppliers()}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        return {"supplier": request.GET.get("supplier", ""), "lines[0].item": request.GET.get("item", "")}

    def proposed(self, texts: Texts) -> dict[str, str]:
        return {"due_on": self.line(texts, self.how_many(texts) - 1).get("due_on", "")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        order = place_asked({"lines": []} | asked, person_of(request))
        return Done(order_address(order.code), f"Order {order.code} is written down. The plan counts on it.")


class TradeAct(FormPage):
    """A short form about one thing of trade: a sentence or two, a few inputs, one button."""

    template_name = "inventory/trade_act.html"
    section = "orders"
    heading: ClassVar[str]
    act_told: ClassVar[str]
    explained: ClassVar[str] = ""
    grave: ClassVar[bool] = False
    asks: ClassVar[tuple[tuple[str, str, str], ...]] = ()  # name, label, hint of each input that is shown
    named: ClassVar[tuple[str, ...]] = ()  # names of inputs that come with the address and are not shown

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        """``lead`` (what it is about, in words), ``back`` and ``back_told``, and what else the template shows."""
        raise NotImplementedError

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        texts = request.POST if request.method == "POST" else request.GET
        return {
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "grave": self.grave,
            "asks": self.asks,
            "named": self.named,
        } | self.about(request, texts, **where)

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        return {name: request.GET.get(name, "") for name in self.named} | facts.get("values", {})

    def stands(self, request: HttpRequest, facts: Facts | None, **where: Any) -> Mapping[str, Any]:
        values: Mapping[str, Any] = (self.facts(request, **where) if facts is None else facts).get("values", {})
        return values


class CloseLine(TradeAct):
    form = OrderLineClosed
    heading, act_told, grave = "Close a line of an order", "Close the line", True
    explained = "The rest will not come: no plan counts on it any more, and it is proposed anew where it is needed."
    asks = (("why", "Why", "Such as: sold out at the supplier's."),)
    named = ("item", "due_on")

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        order = selectors.find_order(where["order"])
        try:
            due_on = as_day(texts.get("due_on", ""))
        except ValueError:
            due_on = None
        if due_on is None:
            raise BadInput("which line is meant?", faults=[Fault("due_on", texts.get("due_on", ""), "its day")])
        line = order_line_named(order, texts.get("item", ""), due_on)
        return {
            "lead": f"{show_quantity(line.open_quantity, line.item)} of {line.item.code} {line.item.name} are still to "
            f"come of order {order.code}, due {show_day(line.due_on, weekday=True)}.",
            "back": order_address(order.code),
            "back_told": f"Order {order.code}",
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        line = order_line_named(selectors.find_order(where["order"]), asked["item"], asked["due_on"])
        buying.close_order_line(line=line, why=asked["why"], who=person_of(request))
        return Done(order_address(where["order"]), f"The line of {asked['item']} is closed: nothing more is to come.")


class Letter(Form):
    to = fields.Email()
    words = fields.LongText()


class SendOrder(TradeAct):
    """The order as a letter, handed to the workshop's mail server."""

    form = Letter
    heading, act_told = "Send an order", "Send it now"
    asks = (("to", "To", ""), ("words", "What it says", "Change it as you like."))

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        order = order_book.order_sheet(where["order"])
        return {
            "lead": f"Order {order['code']} to {order['supplier__name']}. Answers go to your own address.",
            "back": reverse("order-sheet", kwargs=where),
            "back_told": f"Order sheet {order['code']}",
            "values": {"to": order["supplier__email"], "words": words_of(order)},
        }

    def _act_once(self, request: HttpRequest, texts: dict[str, str], key: str, where: dict[str, Any]) -> Done:
        """The letter leaves before anything is written: nobody waits at a lock for a mail server. Sent again with
        the same key it is told again and does not leave again."""
        given, _ = given_by(self.form, texts, lambda _: MASS)
        asked = read_form(self.form, given, texts=True)
        selectors.find_order(where["order"])
        if not RetryKey.objects.filter(key=key).exists():
            order_letter.send(order=where["order"], key=key, who=person_of(request), **asked)
        return super()._act_once(request, texts, key, where)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        return Done(order_address(where["order"]), f"Order {where['order']} was sent to {asked['to']}.")


def order_address(code: str) -> str:
    return reverse("purchase-order", kwargs={"order": code})


ROUTES = [
    path("orders", Orders.as_view(), name="orders"),
    path("orders/new", AddOrder.as_view(), name="order-add"),
    path("orders/order/<code:order>", OneOrder.as_view(), name="purchase-order"),
    path("orders/order/<code:order>/sheet", OrderSheet.as_view(), name="order-sheet"),
    path("orders/order/<code:order>/send", SendOrder.as_view(), name="order-send"),
    path("orders/order/<code:order>/close", CloseLine.as_view(), name="purchase-order-close-line"),
]
