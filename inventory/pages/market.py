"""A market day: out with what should sell, back with what did not, and the difference told in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, selectors, shelf
from inventory.api import fields
from inventory.api.dispatches import portions_named
from inventory.api.frame import Form, Lines, quantity_of
from inventory.api.naming import all_named, quantities_of
from inventory.errors import BadInput, Fault, NotFound
from inventory.models import Demand, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.order_book import Leaving
from inventory.pages.conventions import show_day
from inventory.pages.dispatches import PickingPage, as_day_or_none
from inventory.pages.frame import Done, Facts, FormPage, Page, person_of
from inventory.pages.receive import Texts
from inventory.quantities import MASS
from inventory.services import market
from inventory.services.market import CameBack, Carried


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


class CarriedLine(Form):
    item = fields.Code(refers_to="items")
    quantity = fields.Quantity()
    lot = fields.Code(required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    due_on = fields.Day(required=False)
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class GoingOut(Form):
    to_place = fields.Text(CODE_LENGTH)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lines = Lines(child=CarriedLine())


class MarketOut(PickingPage):
    """Stock moves to the stall's place: ``?due_on=&reference=`` fills in what is expected at that market.

    What goes for something expected there is set aside for it, so that nobody else is promised it meanwhile.
    """

    template_name = "inventory/market_out.html"
    form = GoingOut

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"items": order_book.names_of_leaving(), "places": shelf.places()}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        reference, day = request.GET.get("reference", ""), as_day_or_none(request.GET.get("due_on", ""))
        demands = _expected(day, reference)
        wants = [Leaving(demand.item, demand.open_quantity, demand) for demand in demands]
        picks = order_book.picks(wants, clock.today())
        items = {demand.item.code: demand.item for demand in demands}
        return {"to_place": reference, "why": reference} | self.prefilled(picks, items)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lines = asked.get("lines", [])
        self.without_lot(lines)
        items = all_named(selectors.items_by_code, lines, "item", "lines")
        markets = {(line["due_on"], line.get("reference", "")) for line in lines if "due_on" in line}
        each = zip(portions_named(lines), quantities_of(items, lines, "lines"), strict=True)
        there = market.take_out(
            lines=[Carried(portion, quantity) for portion, quantity in each],
            place=asked["to_place"],
            demands=[demand for name in sorted(markets) for demand in _expected(*name)],
            why=asked.get("why", ""),
            who=person_of(request),
        )
        lots = f"{len(there)} lot{'' if len(there) == 1 else 's'}"
        return Done(
            reverse("market"), f"{lots} went to {asked['to_place']}. In the evening, write down what came back."
        )


def _expected(day: date | None, reference: str) -> list[Demand]:
    """What is still expected at this market. One query."""
    if day is None:
        return []
    rows = Demand.objects.filter(order_book.STILL_WANTED, customer=None, due_on=day, reference=reference)
    return list(rows.select_related("item").order_by("item__code", "pk"))


class BackLine(Form):
    """One portion at the stall. Sold and back add up to what stood there, or ``why`` says what became of the rest."""

    item = fields.Code()
    lot = fields.Code()
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    sold = fields.Quantity(0, required=False)
    back = fields.Quantity(0)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class ComingBack(Form):
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
    form = ComingBack
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
        return {"place": place, "portions": portions, "markets": markets, "places": shelf.places()}

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
        place = asked["place"]
        portions = portions_named([line | {"place": place} for line in asked["lines"]])
        day = market.come_back(
            lines=[
                self._line(line, portion, at)
                for at, (line, portion) in enumerate(zip(asked["lines"], portions, strict=True))
            ],
            place=place,
            to_place=asked.get("to_place", ""),
            dispatched_on=asked["dispatched_on"],
            demands=_demands_of(asked.get("market", "")),
            close_rest=asked.get("close_rest", False),
            who=person_of(request),
        )
        told = ["Nothing was sold."] if day.dispatch is None else [f"What was sold is dispatch {day.dispatch.code}."]
        if day.counts:
            told.append(f"{len(day.counts)} difference{'' if len(day.counts) == 1 else 's'} told and put on the books.")
        if asked.get("to_place"):
            told.append(f"The rest is at {asked['to_place']}.")
        return Done(reverse("market"), " ".join(told))

    def _line(self, line: Mapping[str, Any], portion: Portion, at: int) -> CameBack:
        item = portion.lot.item
        sold = quantity_of(item, line["sold"], f"lines[{at}].sold", minimum=0).steps if "sold" in line else 0
        back = quantity_of(item, line["back"], f"lines[{at}].back", minimum=0).steps
        return CameBack(portion, sold, back, line.get("why", ""))


def _market_name(due_on: date, reference: str) -> str:
    return f"{due_on.isoformat()}|{reference}"


def _market_told(due_on: date, reference: str) -> str:
    return f"{show_day(due_on, weekday=True)}{', ' + reference if reference else ''}"


def _demands_of(name: str) -> Sequence[Demand]:
    """What is expected at the market that a form names; the first of each item. Raises BadInput for no market."""
    if not name:
        return ()
    day, _, reference = name.partition("|")
    demands = _expected(as_day_or_none(day), reference)
    if not demands:
        raise BadInput(
            "nothing is expected at that market any more",
            faults=[Fault("market", name, "a market of the list, or none")],
        )
    first: dict[int, Demand] = {}
    for demand in demands:
        first.setdefault(demand.item_id, demand)
    return list(first.values())


ROUTES = [
    path("orders/market", Market.as_view(), name="market"),
    path("orders/market/out", MarketOut.as_view(), name="market-out"),
    path("orders/market/back", MarketBack.as_view(), name="market-back"),
]
