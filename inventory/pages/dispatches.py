"""What leaves: lots picked first to end first, by hand or by scanner; the packing list; what comes back of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock, order_book, selectors, shelf
from inventory.api import fields
from inventory.api.dispatches import KINDS, Returned, dispatch_asked, dispatch_line_named
from inventory.api.frame import Form, Lines, quantity_of
from inventory.api.pages import Listing
from inventory.errors import BadInput, DomainError, Fault, NotFound
from inventory.gs1 import looks_scanned, read_scan, same_gtin
from inventory.models import Demand, Dispatch, Item, Lot
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.order_book import Leaving, Pick
from inventory.pages.conventions import as_day, as_typed, show_day, show_quantity, with_unit
from inventory.pages.frame import Done, Facts, Page, chosen, cut, person_of
from inventory.pages.orders import TradeAct
from inventory.pages.receive import MOST_LINES, MOST_TOLD, LinesPage, Texts
from inventory.quantities import MASS
from inventory.quantities import show_quantity as plain_quantity
from inventory.services import dispatching

KIND_WORDS = [
    ("sale", "sold"),
    ("tester", "as a tester"),
    ("gift", "as a gift"),
    ("damaged", "damaged: written off"),
]


class LeavingLine(Form):
    """One line: so much of a lot. Without a lot it waits for one to be picked. Day and reference name its demand."""

    item = fields.Code(refers_to="items")
    quantity = fields.Quantity()
    lot = fields.Code(required=False)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    due_on = fields.Day(required=False)
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class NewDispatchOnAPage(Form):
    kind = fields.Choice(*KINDS)
    customer = fields.Code(required=False, refers_to="parties")
    public_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    dispatched_on = fields.Day(required=False)
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lines = Lines(child=LeavingLine())


class PickingPage(LinesPage):
    """A page whose lines name items, and get their lots picked or scanned."""

    section = "orders"
    of = "lines"
    lines: ClassVar = {"lines": 3}
    sides: ClassVar = {"more": "more", "scan": "scan", "pick": "pick"}

    def _begun(self, name: str, line: Texts) -> bool:
        return any(line.get(one) for one in ("item", "quantity", "lot"))

    def proposed(self, texts: Texts) -> dict[str, str]:
        return {}

    def day_of(self, texts: Texts) -> date:
        try:
            return as_day(texts.get("dispatched_on", "")) or clock.today()
        except ValueError:
            return clock.today()

    def min_remaining_of(self, texts: Texts) -> int | None:
        """What the customer wants left of a life; None: as each item says."""
        code = texts.get("customer", "").strip()
        try:
            return selectors.find_party(code).min_remaining_days if code else None
        except NotFound:
            return None

    def pick(self, request: HttpRequest, texts: Texts, facts: Facts, which: str) -> Texts:
        """Lots for all lines that have none, first to end first; a line of several lots becomes several lines."""
        lines = [self.line(texts, at) for at in range(self.how_many(texts))]
        items = selectors.items_by_code(line.get("item", "").strip() for line in lines)
        wants: dict[int, Leaving] = {}
        for at, line in enumerate(lines):
            item = items.get(line.get("item", "").strip())
            if item is not None and line.get("quantity") and not line.get("lot"):
                try:
                    quantity = quantity_of(item, with_unit(line["quantity"], item.measure)).steps
                except BadInput:
                    continue  # told beside the field when it is sent
                wants[at] = Leaving(item, quantity)
        picked = _by_want(
            list(wants.values()),
            order_book.picks(list(wants.values()), self.day_of(texts), min_remaining_days=self.min_remaining_of(texts)),
        )
        new: list[dict[str, str]] = []
        short: list[str] = []
        found = iter(picked)
        for at, line in enumerate(lines):
            if at not in wants:
                new.append(line)
                continue
            for pick in next(found):
                new.append(line | texts_of(pick, wants[at].item))
                if not pick.lot:
                    short.append(f"{show_quantity(pick.quantity, wants[at].item)} of {pick.item}")
        told = f"Nothing more may leave for {', '.join(short)}." if short else ""
        done = "Look at each lot as you take it." if wants else "Every line that says what and how much has its lot."
        kept = {name: text for name, text in texts.items() if not name.startswith(f"{self.of}[")}
        return kept | self.numbered(new) | {"pick_told": told or done, "pick_short": "yes" if short else ""}

    def prefilled(self, picks: Iterable[Pick], items: Mapping[str, Item]) -> dict[str, str]:
        """Lines for what there is, and in words what is not there: it can leave another day."""
        picks = list(picks)
        found = self.numbered(texts_of(pick, items[pick.item]) for pick in picks if pick.lot)
        short = [f"{show_quantity(pick.quantity, items[pick.item])} of {pick.item}" for pick in picks if not pick.lot]
        told = f"Not here yet, or not to leave: {', '.join(short)}." if short else ""
        return found | ({"pick_told": told, "pick_short": "yes"} if told else {})

    def numbered(self, lines: Iterable[Mapping[str, str]]) -> dict[str, str]:
        return {
            f"{self.of}[{at}].{name}": text
            for at, line in enumerate(list(lines)[:MOST_LINES])
            for name, text in line.items()
        }

    def scan(self, request: HttpRequest, texts: Texts, facts: Facts, which: str) -> Texts:
        """A lot as its label says it: it is compared with the lines, put into the one that waits, or a new one."""
        typed = texts.get("scan", "").strip()
        changed = dict(texts) | {"scan": ""}
        if not typed:
            return changed
        try:
            lot = _scanned_lot(typed)
        except DomainError as error:
            told = error.message[0].upper() + error.message[1:]
            return changed | {"scan": typed, "scan_fault": f"{told}."}
        lines = [self.line(texts, at) for at in range(self.how_many(texts))]
        name = f"{lot.item.code} lot {lot.number}"
        others = []
        for at, line in enumerate(lines):
            if line.get("item", "").strip() == lot.item.code:
                if line.get("lot", "").strip() == lot.number:
                    return changed | {"scan_told": f"Line {at + 1}: {name}. It is the right one."}
                if line.get("lot"):
                    others.append(f"line {at + 1} asks for lot {line['lot']}")
                else:
                    return changed | self._of_lot(at, lot) | {"scan_told": f"Line {at + 1}: {name}."}
        if others:
            return changed | {"scan_fault": f"This is {name}, but {' and '.join(others)}."}
        at = next((at for at, line in enumerate(lines) if not self._begun(self.of, line)), len(lines))
        told = f"Line {at + 1}: {name}. Now how many, or how much?"
        return changed | self._of_lot(min(at, MOST_LINES - 1), lot) | {"scan_told": told}

    def _of_lot(self, at: int, lot: Lot) -> dict[str, str]:
        spot = order_book.spot_of(lot)
        found = {"item": lot.item.code, "lot": lot.number, "place": spot.place if spot else ""}
        found["container"] = spot.container if spot else ""
        return {f"{self.of}[{at}].{name}": text for name, text in found.items()}

    def without_lot(self, lines: list[dict[str, Any]]) -> None:
        """Raise BadInput naming each line that still waits for its lot."""
        told = "a lot: press Pick the lots, scan it, or write its number"
        faults = [Fault(f"{self.of}[{at}].lot", "", told) for at, line in enumerate(lines) if not line.get("lot")]
        if faults:
            raise BadInput("lines wait for their lots; nothing was changed", faults=faults)


def _by_want(wants: list[Leaving], found: list[Pick]) -> list[list[Pick]]:
    """The picks of each want: they come in its order and add up to it."""
    rest = iter(found)
    parted = []
    for want in wants:
        own: list[Pick] = []
        while sum(pick.quantity for pick in own) < want.quantity:
            own.append(next(rest))
        parted.append(own)
    return parted


def texts_of(pick: Pick, item: Item) -> dict[str, str]:
    found = {
        "item": pick.item,
        "quantity": as_typed(plain_quantity(pick.quantity, item.measure)),
        "lot": pick.lot,
        "place": pick.place,
        "container": pick.container,
    }
    if pick.demand is not None:
        found |= {"due_on": pick.demand.due_on.isoformat(), "reference": pick.demand.reference}
    return found


def _scanned_lot(typed: str) -> Lot:
    """The lot whose label was scanned: our own number, or a GS1 symbol. Raises BadInput, NotFound."""
    number, item = typed, None
    if looks_scanned(typed):
        scanned = read_scan(typed)
        if not scanned.lot:
            raise NotFound("that symbol bears no lot number")
        number = scanned.lot
        of = shelf.item_by_gtin(same_gtin(scanned.gtin)) if scanned.gtin else shelf.item_scanned(scanned)
        item = of.code if of is not None else None
    found = order_book.lots_numbered(number, item)
    if not found:
        raise NotFound(f"no lot {number} is here")
    if len(found) > 1:
        raise BadInput(f"{len(found)} items have a lot {number}: write item and lot into a line")
    return found[0]


class AddDispatch(PickingPage):
    """To a customer (``?customer=`` fills in what they want), or to the public at a place."""

    template_name = "inventory/dispatch_add.html"
    form = NewDispatchOnAPage

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "items": order_book.names_of_leaving(),
            "customers": order_book.names_of_customers(),
            "places": shelf.places(),
            "kinds": KIND_WORDS,
        }

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        found: dict[str, Any] = {"kind": "sale", "dispatched_on": clock.today()}
        code = request.GET.get("customer", "")
        if not code:
            return found | {"lines[0].item": request.GET.get("item", "")}
        customer = selectors.find_party(code)
        demands = _demands_asked(request.GET, customer.pk)
        wants = [Leaving(demand.item, demand.open_quantity, demand) for demand in demands]
        picks = order_book.picks(wants, clock.today(), min_remaining_days=customer.min_remaining_days)
        items = {demand.item.code: demand.item for demand in demands}
        references = {demand.reference for demand in demands}
        found |= {"customer": code, "reference": references.pop() if len(references) == 1 else ""}
        return found | self.prefilled(picks, items)

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        lines = asked.get("lines", [])
        self.without_lot(lines)
        for line in lines:
            due_on, reference = line.pop("due_on", None), line.pop("reference", "")
            if due_on is not None:
                line["demand"] = {"due_on": due_on, "reference": reference}
        told = _named_by_reference(asked, lines)
        sent = dispatch_asked(asked | {"lines": lines}, person_of(request))
        told = [f"Dispatch {sent.code} has left the books.", *told, *_still_wanted(asked, lines)]
        return Done(dispatch_address(sent.code), " ".join(told))


def _named_by_reference(asked: Mapping[str, Any], lines: Iterable[dict[str, Any]]) -> list[str]:
    """Let lines of a sale serve what its customer wants by the very reference that it bears, as far as that goes; says
    which. One query.
    """
    if asked["kind"] != Dispatch.Kind.SALE or not asked.get("customer") or not asked.get("reference"):
        return []
    rows = Demand.objects.filter(
        order_book.STILL_WANTED, customer__code=asked["customer"], reference=asked["reference"]
    )  # fmt: skip
    left = {row: row.open_quantity for row in rows.select_related("item").order_by("due_on", "pk")}
    told: dict[Demand, str] = {}
    for line in lines:
        wanted = [row for row in left if row.item.code == line["item"] and "demand" not in line]
        try:
            quantity = quantity_of(wanted[0].item, line["quantity"]).steps if wanted else 0
        except BadInput:
            continue  # told beside the field
        demand = next((row for row in wanted if quantity <= left[row]), None)
        if demand is not None:
            left[demand] -= quantity
            line["demand"] = {"due_on": demand.due_on, "reference": demand.reference}
            told[demand] = (
                f"It counts as the {demand.item.code} wanted by {demand.reference} for {show_day(demand.due_on)}."
            )
    return list(told.values())


def _still_wanted(asked: Mapping[str, Any], lines: Iterable[Mapping[str, Any]]) -> list[str]:
    """What the customer still wants of what just left without serving a demand: it may have been meant. One query."""
    items = {line["item"] for line in lines if "demand" not in line}
    if asked["kind"] != Dispatch.Kind.SALE or not asked.get("customer") or not items:
        return []
    rows = Demand.objects.filter(order_book.STILL_WANTED, customer__code=asked["customer"], item__code__in=items)
    return [
        f"{show_quantity(row.open_quantity, row.item)} of {row.item.code} {'is' if row.item.measure == MASS else 'are'}"
        f" still wanted{' by ' + row.reference if row.reference else ''} for {show_day(row.due_on)}: "
        "not counted as sent."
        for row in rows.select_related("item").order_by("due_on", "pk")[:MOST_TOLD]
    ]


def _demands_asked(asked: Mapping[str, str], customer: int) -> list[Demand]:
    """The demand that the address names; else what the customer wants first, of one day and reference."""
    rows = Demand.objects.filter(order_book.STILL_WANTED, customer=customer).select_related("item", "customer")
    if asked.get("due_on"):
        day = as_day_or_none(asked["due_on"])
        if day is None:
            return []
        rows = rows.filter(item__code=asked.get("item", ""), due_on=day, reference=asked.get("reference", ""))
    found = list(rows.order_by("due_on", "reference", "item__code", "pk")[:MOST_LINES])
    first = [(demand.due_on, demand.reference) for demand in found[:1]]
    return [demand for demand in found if (demand.due_on, demand.reference) in first]


def as_day_or_none(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


# --- what left ---------------------------------------------------------------------------------------------


class DispatchesShown(Form):
    customer = fields.Code(required=False)
    kind = fields.Choice(*KINDS, required=False)


class Dispatches(Page):
    """What left, the latest first."""

    template_name = "inventory/dispatches.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, sheet = chosen(DispatchesShown, request)
        narrow = {"customer__code": asked.get("customer"), "kind": asked.get("kind")}
        rows = order_book.DISPATCHES.filter(**{name: value for name, value in narrow.items() if value})
        return {
            "form": sheet,
            "cut": cut(Listing(rows, "-pk", show_page=order_book.dispatch_rows), request),
            "customers": order_book.names_of_customers(),
            "kinds": KIND_WORDS,
            "narrowed": bool(asked),
        }


class OneDispatch(Page):
    template_name = "inventory/dispatch.html"
    section = "orders"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        dispatch = order_book.dispatch_card(where["dispatch"])
        return {"dispatch": dispatch, "kind": dict(KIND_WORDS)[dispatch["kind"]]}


class PackingList(OneDispatch):
    template_name = "inventory/packing_list.html"


class Return(TradeAct):
    form = Returned
    heading, act_told = "Take back what came back", "Take it back"
    explained = "It stands apart from the stock, and does not leave again, until somebody looks at it and decides."
    asks: ClassVar = (
        ("quantity", "How many, or how much", "Such as 3, or 250 g."),
        ("place", "Where it stands now", ""),
        ("why", "Why it came back", "In the customer's own words where you can."),
    )
    named: ClassVar = ("line",)

    def about(self, request: HttpRequest, texts: Mapping[str, str], **where: Any) -> Facts:
        row = self._line(texts)
        return {
            "lead": f"Line {row['number']}: {show_quantity(row['out'], row['item'])} of {row['item']['code']} "
            f"{row['item']['name']}, lot {row['lot__number']}, are still out.",
            "back": dispatch_address(where["dispatch"]),
            "back_told": f"Dispatch {where['dispatch']}",
            "suggested": {"place": [(place, place) for place in shelf.places()]},
            "caution": "Goods that were with somebody else may have been opened, warm or wet. When in doubt discard "
            "them. A complaint of a reaction on skin goes to your safety assessor and where local rules say.",
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return str(self._line(texts)["item"]["measure"])

    def _line(self, texts: Mapping[str, str]) -> Mapping[str, Any]:
        lines = order_book.dispatch_card(self.kwargs["dispatch"])["lines"]
        number = texts.get("line", "")
        if not number.isdigit() or not 1 <= int(number) <= len(lines):
            raise NotFound(f"dispatch {self.kwargs['dispatch']} has no such line")
        found: Mapping[str, Any] = lines[int(number) - 1]
        return found

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        line = dispatch_line_named(selectors.find_dispatch(where["dispatch"]), asked.pop("line"))
        item = line.lot.item
        quantity = quantity_of(item, asked.pop("quantity")).steps
        dispatching.take_back(dispatch_line=line, quantity=quantity, who=person_of(request), **asked)
        to = reverse("lot-card", kwargs={"item": item.code, "lot": line.lot.number})
        return Done(to, f"{show_quantity(quantity, item)} came back. It stands apart: now look at it and decide.")


def dispatch_address(code: str) -> str:
    return reverse("dispatch", kwargs={"dispatch": code})


ROUTES = [
    path("orders/left", Dispatches.as_view(), name="dispatches"),
    path("orders/left/new", AddDispatch.as_view(), name="dispatch-add"),
    path("orders/left/dispatch/<code:dispatch>", OneDispatch.as_view(), name="dispatch"),
    path("orders/left/dispatch/<code:dispatch>/packing-list", PackingList.as_view(), name="packing-list"),
    path("orders/left/dispatch/<code:dispatch>/return", Return.as_view(), name="dispatch-return"),
]
