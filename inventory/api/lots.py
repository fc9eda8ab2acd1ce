"""Lots and their portions: what there is of each, the decisions on them, and the count of what was here before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from django.db.models import Exists, OuterRef
from django.urls import path
from rest_framework.request import Request

from inventory import selectors
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, lists, named, quantity_of, reads, writes
from inventory.api.items import KINDS
from inventory.api.naming import all_named
from inventory.api.pages import Listing
from inventory.errors import NotFound
from inventory.models import Item, Lot, LotDecision, Party, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services import lots as services
from inventory.usability import last_day_from, plan_days_of_life, retest_day_from

Found = TypeVar("Found")
STATUSES = tuple(Lot.Status.values)
MICRO = 1_000_000
LIFE = ("item__measure", "item__shelf_life_days", "item__shelf_life_hours", "item__opened_life_days")
LOT_COLUMNS = (
    "pk", "item__code", "number", "item__kind", "origin", "status", "released_by", "trial", "supplier__code",
    "supplier_lot", "maker_lot", "transformation__code", "received_on", "made_at", "available_on", "expires_on",
    "retest_on", "item__retest_days", "unit_cost_e6", "note", *LIFE,
)  # fmt: skip
PORTION_COLUMNS = (
    "pk", "lot__item__code", "lot__number", "lot__status", "place", "container", "opened_on", "set_apart", "on_hand",
    "reserved", "lot__received_on", "lot__expires_on", *(f"lot__{name}" for name in LIFE),
)  # fmt: skip
LOTS = Lot.objects.values(*LOT_COLUMNS)
PORTIONS = Portion.objects.values(*PORTION_COLUMNS)
DECISION_COLUMNS = ("from_status", "to_status", "how", "decided_at", "who__username", "why")


# --- forms and answers -------------------------------------------------------------------------------------


class LotRow(Answer):
    """``expires_on`` and ``retest_on`` are what was given; ``last_day`` and ``retest_day`` are what counts then.

    ``lot`` is our number. ``batch`` is the making that yielded it. ``unit_cost`` is of one kilogram or one piece.
    ``on_hand``, ``reserved`` and ``free`` are sums over the portions.
    """

    item = fields.Code()
    lot = fields.Code()
    kind = fields.Choice(*KINDS)
    origin = fields.Choice(*Lot.Origin.values)
    status = fields.Choice(*STATUSES)
    released_by = fields.Choice("by_decision", "by_checks", blank=True)
    trial = fields.Flag()
    supplier = fields.Code(allow_null=True)
    supplier_lot = fields.Text(CODE_LENGTH, blank=True)
    maker_lot = fields.Text(CODE_LENGTH, blank=True)
    batch = fields.Code(allow_null=True)
    received_on = fields.Day(allow_null=True)
    made_at = fields.Instant(allow_null=True)
    available_on = fields.Day(allow_null=True)
    expires_on = fields.Day(allow_null=True)
    last_day = fields.Day(allow_null=True)
    retest_on = fields.Day(allow_null=True)
    retest_day = fields.Day(allow_null=True)
    unit_cost = fields.Money(6, allow_null=True)
    note = fields.Text(blank=True)
    on_hand = fields.Quantity(0)
    reserved = fields.Quantity(0)
    free = fields.Quantity(0)


class PortionOfLot(Answer):
    """``last_day`` is the lot's, or opened day plus opened life where that is earlier."""

    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    opened_on = fields.Day(allow_null=True)
    set_apart = fields.Flag()
    last_day = fields.Day(allow_null=True)
    on_hand = fields.Quantity(0)
    reserved = fields.Quantity(0)
    free = fields.Quantity(0)


class PortionAnswer(PortionOfLot):
    item = fields.Code()
    lot = fields.Code()
    status = fields.Choice(*STATUSES)


class DecisionAnswer(Answer):
    """``from_status`` is "" where the lot came onto the books. ``who`` is null where nobody was signed in."""

    from_status = fields.Choice(*STATUSES, blank=True)
    to_status = fields.Choice(*STATUSES)
    how = fields.Choice("by_decision", "by_checks", blank=True)
    decided_at = fields.Instant()
    who = fields.Text(150, allow_null=True)
    why = fields.Text(WHY_LENGTH, blank=True)


class LotAnswer(LotRow):
    portions = PortionOfLot(many=True)
    decisions = DecisionAnswer(many=True)


class LotFilters(Form):
    """``number`` is any number that stands on the jar, ``place`` where some of the lot is."""

    item = fields.Code(required=False)
    kind = fields.Choice(*KINDS, required=False)
    status = fields.Choice(*STATUSES, required=False)
    expiring_before = fields.Day(required=False)
    place = fields.Text(CODE_LENGTH, required=False)
    with_stock = fields.Flag(required=False)
    number = fields.Text(CODE_LENGTH, required=False)


class PortionFilters(Form):
    item = fields.Code(required=False)
    place = fields.Text(CODE_LENGTH, required=False)
    set_apart = fields.Flag(required=False)
    usable_on = fields.Day(required=False)


class Decided(Form):
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    decided_at = fields.Instant(required=False, allow_null=True)


class Retested(Form):
    retest_on = fields.Day()
    why = fields.Text(WHY_LENGTH - 40, required=False, blank=True)  # the day is written before it


class OpeningRow(Form):
    """One portion, with the columns of the table lots."""

    item = fields.Code(refers_to="items")
    lot = fields.Code(required=False, allow_null=True)
    quantity = fields.Quantity()
    status = fields.Choice(*STATUSES)
    received_on = fields.Day(required=False, allow_null=True)
    available_on = fields.Day(required=False, allow_null=True)
    expires_on = fields.Expiry(required=False, allow_null=True)
    retest_on = fields.Day(required=False, allow_null=True)
    opened_on = fields.Day(required=False, allow_null=True)
    supplier = fields.Code(required=False, allow_null=True, refers_to="parties")
    supplier_lot = fields.Text(CODE_LENGTH, required=False, blank=True)
    maker_lot = fields.Text(CODE_LENGTH, required=False, blank=True)
    unit_cost = fields.Money(6, required=False, allow_null=True)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)


class OpeningStock(Form):
    rows = Lines(child=OpeningRow())
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    happened_at = fields.Instant(required=False, allow_null=True)


class OpenedLots(Answer):
    lots = LotRow(many=True)


# --- rows --------------------------------------------------------------------------------------------------


def lot_row(row: Mapping[str, Any], on_hand: int, reserved: int) -> Json:
    """The answer's form of one row of LOT_COLUMNS and its balances. Pure."""
    life, measure = plan_days_of_life(row["item__shelf_life_days"], row["item__shelf_life_hours"]), row["item__measure"]
    return {
        "item": row["item__code"],
        "lot": row["number"],
        "kind": row["item__kind"],
        "origin": row["origin"],
        "status": row["status"],
        "released_by": row["released_by"],
        "trial": row["trial"],
        "supplier": row["supplier__code"],
        "supplier_lot": row["supplier_lot"],
        "maker_lot": row["maker_lot"],
        "batch": row["transformation__code"],
        "received_on": row["received_on"],
        "made_at": row["made_at"],
        "available_on": row["available_on"],
        "expires_on": row["expires_on"],
        "last_day": last_day_from(row["expires_on"], row["received_on"], life),
        "retest_on": row["retest_on"],
        "retest_day": retest_day_from(row["retest_on"], row["received_on"], row["item__retest_days"]),
        "unit_cost": fields.show_money(row["unit_cost_e6"], 6),
        "note": row["note"],
    } | _balance(on_hand, reserved, measure)


def _balance(on_hand: int, reserved: int, measure: str) -> Json:
    return {
        "on_hand": show_quantity(on_hand, measure),
        "reserved": show_quantity(reserved, measure),
        "free": show_quantity(on_hand - reserved, measure),
    }


def lot_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the balances of all their lots in one query."""
    balances = selectors.balances_of_lots(row["pk"] for row in rows)
    return [lot_row(row, *balances[row["pk"]]) for row in rows]


def portion_of_lot_row(row: Mapping[str, Any]) -> Json:
    """The answer's form of one row of PORTION_COLUMNS, without what its lot says. Pure."""
    life = plan_days_of_life(row["lot__item__shelf_life_days"], row["lot__item__shelf_life_hours"])
    opened_life_days = row["lot__item__opened_life_days"]
    last_day = last_day_from(row["lot__expires_on"], row["lot__received_on"], life, row["opened_on"], opened_life_days)
    return {
        "place": row["place"],
        "container": row["container"],
        "opened_on": row["opened_on"],
        "set_apart": row["set_apart"],
        "last_day": last_day,
    } | _balance(row["on_hand"], row["reserved"], row["lot__item__measure"])


def portion_row(row: Mapping[str, Any]) -> Json:
    named_by = {"item": row["lot__item__code"], "lot": row["lot__number"], "status": row["lot__status"]}
    return named_by | portion_of_lot_row(row)


def decision_row(row: Mapping[str, Any]) -> Json:
    return {("who" if name == "who__username" else name): row[name] for name in DECISION_COLUMNS}


def read_lot(item: str, lot: str) -> Json:
    """One lot with its portions that hold something and its decisions: four queries. Raises NotFound."""
    row = LOTS.filter(item__code=item, number=lot).first()
    if row is None:
        raise NotFound(f"no lot {lot!r} of item {item!r}")
    portions = PORTIONS.filter(lot=row["pk"], on_hand__gt=0)
    decisions = LotDecision.objects.filter(lot=row["pk"]).values(*DECISION_COLUMNS)
    return lot_rows([dict(row)])[0] | {
        "portions": [portion_of_lot_row(one) for one in portions.order_by("place", "container", "set_apart")],
        "decisions": [decision_row(one) for one in decisions.order_by("pk")],
    }


def read_lots(ids: list[int]) -> list[Json]:
    """Lots as rows, in the order of the ids: two queries."""
    rows = {row["pk"]: dict(row) for row in LOTS.filter(pk__in=ids)}
    return lot_rows([rows[pk] for pk in ids])


def read_portion(pk: int) -> Json:
    return portion_row(PORTIONS.get(pk=pk))


# --- examples ----------------------------------------------------------------------------------------------

W2: Json = {
    "item": "WAX", "lot": "W2", "kind": "raw", "origin": "opening", "status": "quarantine", "released_by": "",
    "trial": False, "supplier": None, "supplier_lot": "HH 77-a", "maker_lot": "", "batch": None, "received_on": None,
    "made_at": None, "available_on": None, "expires_on": None, "last_day": None, "retest_on": None, "retest_day": None,
    "unit_cost": None, "note": "", "on_hand": "5000 g", "reserved": "0 g", "free": "5000 g",
}  # fmt: skip
W2_PORTION: Json = {
    "place": "", "container": "", "opened_on": None, "set_apart": False, "last_day": None, "on_hand": "5000 g",
    "reserved": "0 g", "free": "5000 g",
}  # fmt: skip
MOMENT = "2027-03-01T09:00:00+00:00"
W2_CAME: Json = {
    "from_status": "", "to_status": "quarantine", "how": "", "decided_at": MOMENT, "who": None, "why": "",
}  # fmt: skip
W2_WHOLE = W2 | {"portions": [W2_PORTION], "decisions": [W2_CAME]}
OF_W2 = {"item": "WAX", "lot": "W2"}

W1_BACK = W2_WHOLE | {
    "lot": "W1", "supplier_lot": "", "expires_on": "2028-06-30", "last_day": "2028-06-30", "on_hand": "200 g",
    "free": "200 g", "portions": [W2_PORTION | {"last_day": "2028-06-30", "on_hand": "200 g", "free": "200 g"}],
    "decisions": [
        W2_CAME | {"to_status": "released", "how": "by_decision"},
        W2_CAME | {"from_status": "released", "who": "quality", "why": "released by mistake"},
    ],
}  # fmt: skip


def _decided(status: str, why: str, how: str = "", who: str = "quality") -> Json:
    """W2 as the decision of an example leaves it."""
    decision = {"from_status": "quarantine", "to_status": status, "how": how, "decided_at": MOMENT, "who": who}
    return W2_WHOLE | {"status": status, "released_by": how, "decisions": [W2_CAME, decision | {"why": why}]}


# --- reading -----------------------------------------------------------------------------------------------


class Lots(View):
    @lists(LotRow, filters=LotFilters, summary="List lots", query={"number": "hh77A", "item": "WAX"}, gives=[W2])
    def get(self, request: Request, asked: Json) -> Listing:
        """Every lot in the order in which they came, those that are used up too. The number may be ours, the
        supplier's or the maker's; case, spaces and dashes do not count."""
        lots = LOTS.filter(**_chosen(asked, item="item", kind="item__kind", status="status"))
        here = Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0)
        if "number" in asked:
            lots = lots.filter(selectors.bearing(asked["number"]))
        if "expiring_before" in asked:
            lots = selectors.expiring_before(lots, asked["expiring_before"])
        if "place" in asked:
            lots = lots.filter(Exists(here.filter(place=asked["place"])))
        if "with_stock" in asked:
            lots = lots.filter(Exists(here) if asked["with_stock"] else ~Exists(here))
        return Listing(lots, "pk", show_page=lot_rows)


def _chosen(asked: Json, **columns: str) -> Json:
    """The plain filters that were asked for, by column; an item by its code, which must be known."""
    found = {column: asked[name] for name, column in columns.items() if name in asked}
    if "item" in asked:
        found[columns["item"]] = named(selectors.find_item, asked["item"], "item")
    return found


class OneLot(View):
    @reads(LotAnswer, summary="Read a lot", path=OF_W2, gives=W2_WHOLE)
    def get(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """One lot, its portions that hold something, and the decisions on its status, first to last."""
        return read_lot(item, lot)


class Portions(View):
    @lists(
        PortionAnswer,
        filters=PortionFilters,
        summary="List portions",
        query={"item": "WAX", "usable_on": "2027-03-01"},
        gives=[
            {"item": "WAX", "lot": "W1", "status": "released"}
            | W2_PORTION
            | {"last_day": "2028-06-30", "on_hand": "200 g", "free": "200 g"}
        ],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every portion that holds something. A portion is usable on a day when its lot is released, here, within
        its last day and its retest day, and it is not set apart; whether it is free is another matter."""
        chosen = _chosen(asked, item="lot__item", place="place", set_apart="set_apart")
        portions = PORTIONS.filter(on_hand__gt=0, **chosen)
        if "usable_on" in asked:
            portions = selectors.usable_on(portions, asked["usable_on"])
        return Listing(portions, "pk", portion_row)


# --- opening stock -----------------------------------------------------------------------------------------


def _opening_row(row: Json, items: Mapping[str, Item], parties: Mapping[str, Party], at: int) -> services.OpeningRow:
    facts, item = dict(row), items[row["item"]]
    number, supplier, cost = facts.pop("lot", None), facts.pop("supplier", None), facts.pop("unit_cost", None)
    return services.OpeningRow(
        **facts
        | {
            "item": item,
            "number": number or "",
            "quantity": quantity_of(item, row["quantity"], f"rows[{at}].quantity").steps,
            "supplier": None if supplier is None else parties[supplier],
            "unit_cost_e6": None if cost is None else int(cost * MICRO),
        }
    )


def open_asked(asked: Json, who: Any) -> list[Lot]:
    """Put on the books what an ``OpeningStock`` brought: its lots. Raises what the form's codes and the service do."""
    rows = asked["rows"]
    items = all_named(selectors.items_by_code, rows, "item", "rows")
    parties = all_named(selectors.parties_by_code, rows, "supplier", "rows")
    return services.open_stock(
        rows=[_opening_row(row, items, parties, at) for at, row in enumerate(rows)],
        why=asked.get("why", ""),
        happened_at=asked.get("happened_at"),
        who=who,
    )


class OpenStock(View):
    @writes(
        OpeningStock,
        OpenedLots,
        status=201,
        summary="Count what was here before",
        asks={
            "rows": [
                {"item": "WAX", "lot": "W3", "quantity": "1.2 kg", "status": "released", "expires_on": "2028-02",
                 "supplier": "HOLLOW", "supplier_lot": "HH 80", "unit_cost": "12.5", "place": "shelf"},
                {"item": "WAX", "lot": "W3", "quantity": "300 g", "status": "released", "expires_on": "2028-02",
                 "supplier": "HOLLOW", "supplier_lot": "HH 80", "unit_cost": "12.5", "place": "bench"},
            ],
            "why": "first count of the shelf",
        },
        gives={
            "lots": [
                W2
                | {
                    "lot": "W3", "status": "released", "released_by": "by_decision", "supplier": "HOLLOW",
                    "supplier_lot": "HH 80", "expires_on": "2028-02-29", "last_day": "2028-02-29",
                    "unit_cost": "12.50", "on_hand": "1500 g", "free": "1500 g",
                }
            ]
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json) -> Json:
        """Put stock on the books that was here when they began: a row for each portion. Rows with one item and
        number are portions of one lot and must agree in the rest. Without a number one is given, and the lot says
        that its origin is unknown."""
        lots = open_asked(asked, request.user)
        return {"lots": read_lots([lot.pk for lot in lots])}


# --- decisions ---------------------------------------------------------------------------------------------


def _decide(request: Request, asked: Json, item: str, lot: str, status: str) -> Json:
    services.decide(lots=[selectors.get_lot(item, lot)], status=status, who=request.user, **asked)
    return read_lot(item, lot)


class Release(View):
    @writes(
        Decided,
        LotAnswer,
        summary="Release a lot",
        path=OF_W2,
        asks={"why": "papers looked at"},
        gives=_decided("released", "papers looked at", "by_decision"),
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """The lot may be used. A lot that was held or rejected needs a reason; a trial, a made lot without a last
        day and what is past its last day are not released. A lot that is released already stays as it is."""
        return _decide(request, asked, item, lot, Lot.Status.RELEASED)


class Reject(View):
    @writes(
        Decided,
        LotAnswer,
        summary="Reject a lot",
        path=OF_W2,
        asks={"why": "smells of smoke"},
        gives=_decided("rejected", "smells of smoke"),
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """The lot may not be used. What is set aside of it stays so, with an alert for each holder."""
        return _decide(request, asked, item, lot, Lot.Status.REJECTED)


class Hold(View):
    @writes(
        Decided,
        LotAnswer,
        summary="Hold a lot",
        path=OF_W2,
        asks={"why": "the supplier asked for time"},
        gives=_decided("held", "the supplier asked for time"),
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """The lot may not be used until it is decided on: a recall or a doubt. A rejected lot stays rejected."""
        return _decide(request, asked, item, lot, Lot.Status.HELD)


class Quarantine(View):
    @writes(
        Decided,
        LotAnswer,
        summary="Put a lot back in quarantine",
        path={"item": "WAX", "lot": "W1"},
        asks={"why": "released by mistake"},
        gives=W1_BACK,
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """The lot waits for a decision again."""
        return _decide(request, asked, item, lot, Lot.Status.QUARANTINE)


class Retest(View):
    @writes(
        Retested,
        LotAnswer,
        summary="Set the retest day of a lot",
        path=OF_W2,
        asks={"retest_on": "2028-03-01", "why": "colour and smell as before"},
        gives=W2_WHOLE
        | {
            "retest_on": "2028-03-01",
            "retest_day": "2028-03-01",
            "decisions": [
                W2_CAME,
                W2_CAME
                | {
                    "from_status": "quarantine",
                    "who": "quality",
                    "why": "retest on 2028-03-01: colour and smell as before",
                },
            ],
        },
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """The lot was looked at again and may be used through this day; its status stays."""
        services.set_retest(lot=selectors.get_lot(item, lot), who=request.user, **asked)
        return read_lot(item, lot)


ROUTES = [
    path("lots", Lots.as_view(), name="lots"),
    path("lots/<code:item>/<code:lot>", OneLot.as_view(), name="lot"),
    path("lots/<code:item>/<code:lot>/release", Release.as_view(), name="lot-release"),
    path("lots/<code:item>/<code:lot>/reject", Reject.as_view(), name="lot-reject"),
    path("lots/<code:item>/<code:lot>/hold", Hold.as_view(), name="lot-hold"),
    path("lots/<code:item>/<code:lot>/quarantine", Quarantine.as_view(), name="lot-quarantine"),
    path("lots/<code:item>/<code:lot>/retest", Retest.as_view(), name="lot-retest"),
    path("portions", Portions.as_view(), name="portions"),
    path("opening-stock", OpenStock.as_view(), name="opening-stock"),
]
