"""A market day: out with what should sell, back with what did not, and the difference told in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, shelf
from inventory.api import fields
from inventory.api.frame import Form, Lines
from inventory.api.market import BackLine, CarriedLine, come_back_asked, take_out_asked
from inventory.errors import BadInput, Fault, NotFound
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.order_book import Leaving
from inventory.pages.conventions import show_day
from inventory.pages.dispatches import PickingPage, as_day_or_none
from inventory.pages.frame import Done, Facts, FormPage, Page, person_of
from inventory.pages.receive import Texts
from inventory.quantities import MASS


class Market(Page):
    """What is expected at markets, and where finished goods stand."""

    template_name = "inventory/market.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "markets": order_book.markets_expected(),
            "places": order_book.places_with_products(),
            "today": clock.today(),
        }


class PackedLine(CarriedLine):
    """Without a lot it waits for one to be picked. Day and reference name the market that expects it."""

    lot = fields.Code(required=False)
    due_on = fields.Day(required=False)
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class GoingOutOnAPage(Form):
    to_place = fields.Text(CODE_LENGTH)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lines = Lines(child=PackedLine())


class MarketOut(PickingPage):
    """Stock moves to the stall's place: ``?due_on=&reference=`` fills in what is expected at that market.

    What goes for something expected there is set aside for it, so that nobody else is promised it meanwhile.
    """

    template_name = "inventory/market_out.html"
    form = GoingOutOnAPage

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"items": order_book.names_of_leaving(), "places": shelf.places()}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        reference, day = request.GET.get("reference", ""), as_day_or_none(request.GET.get("due_on", ""))
        demands = order_book.expected_at(day, reference) if day is not None else []
        wants = [Leaving(demand.item, demand.open_quantity, demand) for demand in demands]
        picks = order_book.picks(wants, clock.today())
        items = {demand.item.code: demand.item for demand in demands}
        return {"to_place": reference, "why": reference} | self.prefilled(picks, items)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lines = asked.get("lines", [])
        self.without_lot(lines)
        market: dict[str, Any] = {}
        for line in lines:
            due_on, reference = line.pop("due_on", None), line.pop("reference", "")
            market = {"due_on": due_on, "reference": reference} if due_on is not None else market
        given = asked | {"lines": lines} | ({"market": market} if market else {})
        there = take_out_asked(given, person_of(request))
        lots = f"{len(there)} lot{'' if len(there) == 1 else 's'}"
        return Done(
            reverse("market"), f"{lots} went to {asked['to_place']}. In the evening, write down what came back."
        )


class ComingBackOnAPage(Form):
    """``market`` names one of the list by day and reference."""

    place = fields.Text(CODE_LENGTH)
    market = fields.Text(2 * CODE_LENGTH, required=False)
    to_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    dispatched_on = fields.Day()
    close_rest = fields.Flag(required=False)
    lines = Lines(child=BackLine())


class MarketBack(FormPage):
    """The evening: of each lot at the stall, how many were sold and how many came back."""

    template_name = "inventory/market_back.html"
    section = "orders"
    form = ComingBackOnAPage
    lines: ClassVar = {"lines": 0}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        texts = request.POST if request.method == "POST" else request.GET
        place = texts.get("place", "")
        portions = order_book.standing_at(place)
        if not portions:
            raise NotFound(f"nothing stands at {place!r}")
        markets = [
            (_market_name(row["due_on"], row["reference"]), _market_told(row["due_on"], row["reference"]))
            for row in order_book.markets_expected()
        ]
        return {
            "place": place,
            "portions": portions,
            "markets": markets,
            "places": shelf.places(),
            "more": len(portions) == order_book.MOST_STANDING,
        }

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        found: dict[str, Any] = {"place": facts["place"], "dispatched_on": clock.today()}
        for at, portion in enumerate(facts["portions"]):
            line = {"item": portion.lot.item.code, "lot": portion.lot.number, "container": portion.container}
            found |= {f"lines[{at}].{name}": value for name, value in line.items()}
        same = [name for name, told in facts["markets"] if name.partition("|")[2] == facts["place"]]
        return found | ({"market": same[0], "close_rest": True} if same else {})

    def measure_of(self, name: str, texts: Texts, facts: Facts) -> str:
        if not hasattr(self, "_measures"):
            self._measures = {
                portion.lot.item.code: portion.lot.item.measure
                for portion in order_book.standing_at(texts.get("place", ""))
            }
        return self._measures.get(texts.get(name.rpartition(".")[0] + ".item", ""), MASS)

    def show(self, request: HttpRequest, facts: Facts, sheet: Any, status: int = 200) -> Any:
        """Each line of the form beside the portion that it is of, by the names that the form bears."""
        by_name = {(one.lot.item.code, one.lot.number, one.container): one for one in facts["portions"]}
        rows = []
        for at in sheet.rows("lines"):
            names = [sheet.text_of(f"lines[{at}].{name}") for name in ("item", "lot", "container")]
            rows.append((f"lines[{at}].", by_name.get(tuple(names))))
        return super().show(request, facts | {"rows": [row for row in rows if row[1] is not None]}, sheet, status)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        given = dict(asked)
        market = _market_of(given.pop("market", ""))
        day = come_back_asked(given | ({"market": market} if market else {}), person_of(request))
        told = ["Nothing was sold."] if day.dispatch is None else [f"What was sold is dispatch {day.dispatch.code}."]
        if day.counts:
            told.append(f"{len(day.counts)} difference{'' if len(day.counts) == 1 else 's'} told and put on the books.")
        if asked.get("to_place"):
            told.append(f"The rest is at {asked['to_place']}.")
        return Done(reverse("market"), " ".join(told))


def _market_name(due_on: date, reference: str) -> str:
    return f"{due_on.isoformat()}|{reference}"


def _market_told(due_on: date, reference: str) -> str:
    return f"{show_day(due_on, weekday=True)}{', ' + reference if reference else ''}"


def _market_of(name: str) -> dict[str, Any]:
    """Day and reference of the market that a form names; nothing for none. Raises BadInput for no market."""
    if not name:
        return {}
    day, _, reference = name.partition("|")
    due_on = as_day_or_none(day)
    if due_on is None:
        raise BadInput("no such market", faults=[Fault("market", name, "a market of the list, or none")])
    return {"due_on": due_on, "reference": reference}


ROUTES = [
    path("orders/market", Market.as_view(), name="market"),
    path("orders/market/out", MarketOut.as_view(), name="market-out"),
    path("orders/market/back", MarketBack.as_view(), name="market-back"),
]
