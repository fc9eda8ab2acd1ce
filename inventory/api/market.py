"""A market day: what goes to the stall, and what came of it."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import clock, order_book, selectors
from inventory.api import fields
from inventory.api.dispatches import portions_named
from inventory.api.frame import Answer, Form, Json, Lines, View, quantity_of, shown, writes
from inventory.api.naming import all_named, quantities_of
from inventory.errors import Fault, NotFound
from inventory.models import Demand, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services import market
from inventory.services.market import CameBack, Carried, MarketDay


class MarketNamed(Form):
    """What is expected at a market has no customer: its day and reference name the market."""

    due_on = fields.Day()
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class CarriedLine(Form):
    """So much of the lot's portion in this place and container."""

    item = fields.Code(refers_to="items")
    lot = fields.Code(refers_to="lots")
    quantity = fields.Quantity()
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)


class GoingOut(Form):
    """With a market, what it expects of these items is set aside for it at the stall."""

    to_place = fields.Text(CODE_LENGTH)
    market = MarketNamed(required=False, error_messages={"null": "a JSON object"})
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lines = Lines(child=CarriedLine())


class BackLine(Form):
    """One portion at the stall: sold (or nothing), and still there. Where they do not make what stood there, ``why``
    says what became of the difference."""

    item = fields.Code(refers_to="items")
    lot = fields.Code(refers_to="lots")
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    sold = fields.Quantity(0, required=False)
    back = fields.Quantity(0)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class ComingBack(Form):
    """``to_place`` is where the rest goes: without it, it stays. The day is today."""

    place = fields.Text(CODE_LENGTH)
    market = MarketNamed(required=False, error_messages={"null": "a JSON object"})
    to_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    dispatched_on = fields.Day(required=False, allow_null=True)
    close_rest = fields.Flag(required=False)
    lines = Lines(child=BackLine())


class AtTheStall(Answer):
    """A portion as it stands at the stall now."""

    item = fields.Code()
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH)
    container = fields.Text(CODE_LENGTH, blank=True)
    on_hand = fields.Quantity(0)
    reserved = fields.Quantity(0)


class GoneOut(Answer):
    lines = AtTheStall(many=True)


class Difference(Answer):
    """``uid`` names the stock event of the count."""

    uid = fields.Uid()
    item = fields.Code()
    lot = fields.Code()
    why = fields.Text(WHY_LENGTH)


class MarketDayAnswer(Answer):
    """``dispatch`` is the sale, null where nothing was sold; ``demands_closed`` counts what is expected no more."""

    dispatch = fields.Code(allow_null=True)
    differences = Difference(many=True)
    demands_closed = fields.Whole(0, 1_000_000)


def expected_at(named: Json | None) -> list[Demand]:
    """What is still expected at the market that day and reference name, the first of each item; nothing for None.

    Raises NotFound naming both where nothing is.
    """
    if named is None:
        return []
    day: date = named["due_on"]
    found = order_book.expected_at(day, named.get("reference", ""))
    if not found:
        told = "day and reference of a market where something is still expected"
        faults = [
            Fault("market.due_on", str(day), told),
            Fault("market.reference", shown(named.get("reference", "")), told),
        ]
        raise NotFound("nothing is expected at that market", faults=faults)
    first: dict[int, Demand] = {}
    for demand in found:
        first.setdefault(demand.item_id, demand)
    return list(first.values())


def take_out_asked(asked: Json, who: Any) -> list[Portion]:
    """Carry to the stall what a ``GoingOut`` brought. Raises what the form's codes and the service do."""
    lines = asked["lines"]
    items = all_named(selectors.items_by_code, lines, "item", "lines")
    each = zip(portions_named(lines), quantities_of(items, lines, "lines"), strict=True)
    return market.take_out(
        lines=[Carried(portion, quantity) for portion, quantity in each],
        place=asked["to_place"],
        demands=expected_at(asked.get("market")),
        why=asked.get("why", ""),
        who=who,
    )


def come_back_asked(asked: Json, who: Any) -> MarketDay:
    """Put on the books what a ``ComingBack`` brought. Raises what the form's codes and the service do."""
    all_named(selectors.items_by_code, asked["lines"], "item", "lines")
    portions = portions_named([line | {"place": asked["place"]} for line in asked["lines"]])
    return market.come_back(
        lines=[
            _came_back(line, portion, f"lines[{at}].")
            for at, (line, portion) in enumerate(zip(asked["lines"], portions, strict=True))
        ],
        place=asked["place"],
        to_place=asked.get("to_place", ""),
        dispatched_on=asked.get("dispatched_on") or clock.today(),
        demands=expected_at(asked.get("market")),
        close_rest=asked.get("close_rest", False),
        who=who,
    )


def _came_back(line: Json, portion: Portion, path: str) -> CameBack:
    item = portion.lot.item
    sold = quantity_of(item, line["sold"], f"{path}sold", minimum=0).steps if "sold" in line else 0
    back = quantity_of(item, line["back"], f"{path}back", minimum=0).steps
    return CameBack(portion, sold, back, line.get("why", ""))


FAIR: Json = {"due_on": "2027-03-06", "reference": "spring fair"}


class MarketOut(View):
    @writes(
        GoingOut,
        GoneOut,
        status=201,
        summary="Carry goods to a market",
        asks={
            "to_place": "stall",
            "market": FAIR,
            "lines": [{"item": "RUB-50", "lot": "R1", "place": "shelf", "quantity": "24 pc"}],
        },
        gives={
            "lines": [
                {"item": "RUB-50", "lot": "R1", "place": "stall", "container": "", "on_hand": "24 pc",
                 "reserved": "20 pc"}
            ]
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """All of it goes or nothing, and only what may be sold today. It stays on the books: it stands elsewhere."""
        there = take_out_asked(asked, request.user)
        return {"lines": [_row(order_book.read_portion(portion)) for portion in there]}


def _row(portion: Portion) -> Json:
    item = portion.lot.item
    return {
        "item": item.code,
        "lot": portion.lot.number,
        "place": portion.place,
        "container": portion.container,
        "on_hand": show_quantity(portion.on_hand, item.measure),
        "reserved": show_quantity(portion.reserved, item.measure),
    }


class MarketBack(View):
    @writes(
        ComingBack,
        MarketDayAnswer,
        status=201,
        summary="Come back from a market",
        asks={
            "place": "stall",
            "market": FAIR,
            "to_place": "shelf",
            "close_rest": True,
            "lines": [
                {"item": "RUB-50", "lot": "R1", "sold": "15 pc", "back": "8 pc", "why": "one tin was dented"}
            ],
        },
        gives={
            "dispatch": "D20270301-1",
            "differences": [
                {"uid": "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10", "item": "RUB-50", "lot": "R1",
                 "why": "at the market: one tin was dented"}
            ],
            "demands_closed": 1,
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """What was sold leaves as one sale to the public and serves what was expected; what differs is counted with
        its reason; the rest goes back. With ``close_rest`` what was expected and not sold is closed."""
        day = come_back_asked(asked, request.user)
        return {
            "dispatch": day.dispatch.code if day.dispatch is not None else None,
            "differences": [
                {
                    "uid": event.uid,
                    "item": event.portion.lot.item.code if event.portion is not None else "",
                    "lot": event.portion.lot.number if event.portion is not None else "",
                    "why": event.why,
                }
                for event in day.counts
            ],
            "demands_closed": day.demands_closed,
        }


ROUTES = [
    path("market/out", MarketOut.as_view(), name="market-out"),
    path("market/back", MarketBack.as_view(), name="market-back"),
]
