"""Dispatches: lots that leave together, and what comes back of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors, trade
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, lists, named, quantity_of, reads, shown, writes
from inventory.api.naming import all_named, chosen, one_named, quantities_of
from inventory.api.pages import Listing
from inventory.errors import Fault, NotFound
from inventory.models import Demand, Dispatch, DispatchLine, Party, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services import dispatching
from inventory.services.dispatching import Leaving

KINDS = tuple(Dispatch.Kind.values)
LINE_NUMBERS = (1, 1_000_000)
MOST_SPOTS_TOLD = 5


# --- forms and answers -------------------------------------------------------------------------------------


class DemandServed(Form):
    """The demand of the line's item and the dispatch's customer with this day and reference."""

    due_on = fields.Day()
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)


class LeavingLine(Form):
    """So much of the lot's portion in this place and container."""

    item = fields.Code(refers_to="items")
    lot = fields.Code(refers_to="lots")
    quantity = fields.Quantity()
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    set_apart = fields.Flag(required=False)
    demand = DemandServed(required=False, error_messages={"null": "a JSON object"})


class NewDispatch(Form):
    """To a customer, or to the public at a place: one of the two. Without a code one is given; the day is today."""

    dispatch = fields.Code(required=False, allow_null=True)
    kind = fields.Choice(*KINDS, required=False)
    customer = fields.Code(required=False, allow_null=True, refers_to="parties")
    public_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    dispatched_on = fields.Day(required=False, allow_null=True)
    happened_at = fields.Instant(required=False, allow_null=True)
    reference = fields.Text(CODE_LENGTH, required=False, blank=True)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    lines = Lines(child=LeavingLine())


# "from" is a word of Python, so that the form cannot be written as a class.
DispatchFilters = type(
    "DispatchFilters",
    (Form,),
    {
        "customer": fields.Code(required=False),
        "item": fields.Code(required=False),
        "lot": fields.Code(required=False),
        "kind": fields.Choice(*KINDS, required=False),
        "from": fields.Day(required=False),
        "to": fields.Day(required=False),
    },
)


class Returned(Form):
    line = fields.Whole(*LINE_NUMBERS)
    quantity = fields.Quantity()
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    happened_at = fields.Instant(required=False, allow_null=True)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class DemandServedAnswer(Answer):
    due_on = fields.Day()
    reference = fields.Text(CODE_LENGTH, blank=True)


class DispatchLineAnswer(Answer):
    """``line`` counts from 1. ``returned`` is what came back; ``corrected``: it was undone and never left."""

    line = fields.Whole(*LINE_NUMBERS)
    item = fields.Code()
    lot = fields.Code()
    quantity = fields.Quantity()
    returned = fields.Quantity(0)
    corrected = fields.Flag()
    demand = DemandServedAnswer(allow_null=True)


class DispatchAnswer(Answer):
    dispatch = fields.Code()
    kind = fields.Choice(*KINDS)
    customer = fields.Code(allow_null=True)
    public_place = fields.Text(CODE_LENGTH, blank=True)
    dispatched_on = fields.Day()
    reference = fields.Text(CODE_LENGTH, blank=True)
    lines = DispatchLineAnswer(many=True)


class ReturnedAnswer(Answer):
    """The portion in which the goods stand apart, with what is in it now, and the dispatch that they were part of."""

    item = fields.Code()
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    set_apart = fields.Flag()
    on_hand = fields.Quantity()
    dispatch = DispatchAnswer()


# --- rows --------------------------------------------------------------------------------------------------


def dispatch_line_row(row: Mapping[str, Any], number: int) -> Json:
    """The answer's form of one row of ``trade.DISPATCH_LINE_COLUMNS``. Pure."""
    measure, due_on = row["lot__item__measure"], row["demand__due_on"]
    return {
        "line": number,
        "item": row["lot__item__code"],
        "lot": row["lot__number"],
        "quantity": show_quantity(row["quantity"], measure),
        "returned": show_quantity(row["returned"], measure),
        "corrected": row["corrected"],
        "demand": None if due_on is None else {"due_on": due_on, "reference": row["demand__reference"]},
    }


def dispatch_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the lines of all of them in one query."""
    lines = trade.lines_of_dispatches(row["pk"] for row in rows)
    return [
        {
            "dispatch": row["code"],
            "kind": row["kind"],
            "customer": row["customer__code"],
            "public_place": row["public_place"],
            "dispatched_on": row["dispatched_on"],
            "reference": row["reference"],
            "lines": [dispatch_line_row(line, number) for number, line in enumerate(lines[row["pk"]], start=1)],
        }
        for row in rows
    ]


def read_dispatch(code: str) -> Json:
    row = trade.DISPATCHES.filter(code=code).first()
    if row is None:
        raise NotFound(f"no dispatch {code!r}")
    return dispatch_rows([dict(row)])[0]


# --- what the lines name -----------------------------------------------------------------------------------


def portions_named(lines: list[Json]) -> list[Portion]:
    """The portion that each line names. Raises NotFound naming the lot, or the places where it stands."""
    lots = trade.portions_of_lots((line["item"], line["lot"]) for line in lines)
    return [_portion(lots.get((line["item"], line["lot"]), []), line, f"lines[{at}].") for at, line in enumerate(lines)]


def _portion(portions: Iterable[Portion], line: Json, path: str) -> Portion:
    item, lot = line["item"], line["lot"]
    spot = (line.get("place", ""), line.get("container", ""), line.get("set_apart", False))
    spots = {(one.place, one.container, one.set_apart): one for one in portions}
    if not spots:
        fault = Fault(f"{path}lot", shown(lot), f"a lot of {item} that is known")
        raise NotFound(f"no lot {lot!r} of item {item!r}", faults=[fault])
    if spot not in spots:
        here = [place for place, one in spots.items() if one.on_hand] or list(spots)
        told = ", or ".join(_told(*place) for place in here[:MOST_SPOTS_TOLD])
        faults = [Fault(f"{path}{name}", shown(line.get(name, "")), told) for name in ("place", "container")]
        raise NotFound(f"lot {lot} stands elsewhere: {told}", faults=faults)
    return spots[spot]


def _told(place: str, container: str, set_apart: bool) -> str:
    return f'place "{place}", container "{container}"' + (", set_apart" if set_apart else "")


def _demands(lines: list[Json], customer: Party | None) -> list[Demand | None]:
    """The demand that each line serves, or None. Raises NotFound naming the line's demand."""
    names: list[trade.DemandName | None] = [
        (line["item"], line["demand"]["due_on"], line["demand"].get("reference", "")) if "demand" in line else None
        for line in lines
    ]
    found = trade.demands_named((name for name in names if name is not None), customer)
    demands: list[Demand | None] = []
    for at, name in enumerate(names):
        if name is None:
            demands.append(None)
            continue
        item, due_on, reference = name
        told = f"day and reference of a demand of {item} with " + (customer.code if customer else "no customer")
        faults = [
            Fault(f"lines[{at}].demand.due_on", str(due_on), told),
            Fault(f"lines[{at}].demand.reference", shown(reference), told),
            Fault("customer", customer.code if customer else "", "whose demand it is"),
        ]
        message = f"no demand of {item} on {due_on} with reference {reference!r}"
        demands.append(one_named(found, name, faults, message))
    return demands


# --- examples ----------------------------------------------------------------------------------------------

SENT_LINE: Json = {
    "line": 1, "item": "RUB-50", "lot": "R1", "quantity": "24 pc", "returned": "0 pc", "corrected": False,
    "demand": {"due_on": "2027-03-19", "reference": "L-9"},
}  # fmt: skip
SENT: Json = {
    "dispatch": "D-5", "kind": "sale", "customer": "LANE", "public_place": "", "dispatched_on": "2027-03-01",
    "reference": "parcel 7", "lines": [SENT_LINE],
}  # fmt: skip


def dispatch_asked(asked: Json, who: Any) -> Dispatch:
    """Let leave what a ``NewDispatch`` brought. Raises what the form's codes and the service do."""
    customer = asked.get("customer")
    party = None if customer is None else named(selectors.find_party, customer, "customer")
    lines = asked["lines"]
    items = all_named(selectors.items_by_code, lines, "item", "lines")
    each = zip(portions_named(lines), quantities_of(items, lines, "lines"), _demands(lines, party), strict=True)
    return dispatching.dispatch(
        lines=[Leaving(*one) for one in each],
        customer=party,
        public_place=asked.get("public_place", ""),
        kind=asked.get("kind", Dispatch.Kind.SALE),
        dispatched_on=asked.get("dispatched_on"),
        happened_at=asked.get("happened_at"),
        reference=asked.get("reference", ""),
        code=asked.get("dispatch") or "",
        why=asked.get("why", ""),
        who=who,
    )


class Dispatches(View):
    @lists(
        DispatchAnswer,
        filters=DispatchFilters,
        summary="List dispatches",
        query={"customer": "LANE", "lot": "R1", "from": "2027-03-01"},
        gives=[SENT],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """What left, by code, with the lines of each: dispatches that have the item or lot (by our number) among
        their lines, on days from one to another, both included."""
        found = trade.dispatches(**chosen(asked, customer=selectors.find_party, item=selectors.find_item))
        return Listing(found, "code", show_page=dispatch_rows)

    @writes(
        NewDispatch,
        DispatchAnswer,
        status=201,
        summary="Dispatch lots",
        asks={
            "customer": "LANE",
            "reference": "parcel 7",
            "lines": [
                {
                    "item": "RUB-50", "lot": "R1", "place": "shelf", "quantity": "24 pc",
                    "demand": {"due_on": "2027-03-19", "reference": "L-9"},
                },
                {"item": "RUB-50", "lot": "R1", "place": "shelf", "quantity": "1 pc"},
            ],
        },
        gives=SENT
        | {
            "dispatch": "D20270301-1",
            "lines": [SENT_LINE, SENT_LINE | {"line": 2, "quantity": "1 pc", "demand": None}],
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """Let lots leave together: as a sale, as testers, as a gift; or damaged, which writes them off whatever their
        status. What else is not usable on the day, and what is set aside for others, does not leave. A line may
        serve a demand: what is set aside for it is taken first."""
        sent = dispatch_asked(asked, request.user)
        return read_dispatch(sent.code)


class OneDispatch(View):
    @reads(DispatchAnswer, summary="Read a dispatch", path={"dispatch": "D-5"}, gives=SENT)
    def get(self, request: Request, asked: Json, dispatch: str) -> Json:
        """One dispatch with its lines."""
        return read_dispatch(dispatch)


class Return(View):
    @writes(
        Returned,
        ReturnedAnswer,
        status=201,
        summary="Take goods back",
        path={"dispatch": "D-5"},
        asks={"line": 1, "quantity": "3 pc", "place": "returns", "why": "wrong scent"},
        gives={
            "item": "RUB-50",
            "lot": "R1",
            "place": "returns",
            "container": "",
            "set_apart": True,
            "on_hand": "3 pc",
            "dispatch": SENT | {"lines": [SENT_LINE | {"returned": "3 pc"}]},
        },
    )
    def post(self, request: Request, asked: Json, dispatch: str) -> Json:
        """So much of a line comes back. It stands apart from the stock, and is not used, until it is decided on."""
        line = dispatch_line_named(selectors.find_dispatch(dispatch), asked.pop("line"))
        item = line.lot.item
        quantity = quantity_of(item, asked.pop("quantity")).steps
        back = dispatching.take_back(dispatch_line=line, quantity=quantity, who=request.user, **asked)
        return {
            "item": item.code,
            "lot": line.lot.number,
            "place": back.place,
            "container": back.container,
            "set_apart": back.set_apart,
            "on_hand": show_quantity(back.on_hand, item.measure),
            "dispatch": read_dispatch(dispatch),
        }


def dispatch_line_named(dispatch: Dispatch, number: int) -> DispatchLine:
    """The line with this number, counted from 1. Raises NotFound."""
    line = trade.line_of_dispatch(dispatch, number)
    if line is None:
        fault = Fault("line", str(number), f"the number of a line of dispatch {dispatch.code}")
        raise NotFound(f"dispatch {dispatch.code} has no line {number}", faults=[fault])
    return line


ROUTES = [
    path("dispatches", Dispatches.as_view(), name="dispatches"),
    path("dispatches/<code:dispatch>", OneDispatch.as_view(), name="dispatch"),
    path("dispatches/<code:dispatch>/return", Return.as_view(), name="dispatch-return"),
]
