"""Reads for the pages of the shelf: items with what is free, lots with their portions, what happened, what is found.

Quantities are whole base steps. Every list is read in a fixed number of queries.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import BigIntegerField, Exists, F, Min, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from inventory import selectors, trade
from inventory.api.stock_events import EVENT_COLUMNS, MOVEMENT_COLUMNS
from inventory.errors import NotFound
from inventory.gs1 import Scanned, same_gtin
from inventory.models import (
    Alert,
    Item,
    Lot,
    LotDecision,
    Movement,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.numbers import fold
from inventory.usability import last_day_from, plan_days_of_life, retest_day_from

Row = dict[str, Any]
ENDING_DAYS = 30
MOST_LOTS = 200  # that an item's card lists
MOST_FOUND = 25
MOST_ORDERS = 40
LAST_EVENTS = 12
ITEM_COLUMNS = ("pk", "code", "name", "kind", "measure", "density_g_per_ml", "drawn", "safety_stock", "inci")


# --- items -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Balance:
    """What there is of one item. ``free`` may be used today and is promised to nobody; ``waiting`` is in quarantine
    or past its retest day, ``barred`` held, rejected, expired, set apart, or not here yet."""

    on_hand: int = 0
    reserved: int = 0
    free: int = 0
    waiting: int = 0
    barred: int = 0


@dataclass(frozen=True, slots=True)
class Coming:
    """What is on order and not here, from which day; and the first making that is planned of the item."""

    quantity: int = 0
    due_on: date | None = None
    making: str = ""
    planned_for: date | None = None


@dataclass(frozen=True, slots=True)
class ShelfRow:
    """One item on the shelf. ``runs_out_on`` and ``order_by`` are what the last look at the plan said."""

    item: Row
    balance: Balance
    coming: Coming
    last_day: date | None
    runs_out_on: date | None = None
    order_by: date | None = None

    @property
    def is_low(self) -> bool:
        return not self.item["drawn"] and self.balance.free < self.item["safety_stock"]


def shelf_rows(items: Iterable[Row], today: date) -> list[ShelfRow]:
    """The rows of these items (of ITEM_COLUMNS), in their order: five queries."""
    chosen = list(items)
    ids = [item["pk"] for item in chosen]
    balances, days = _balances(ids, today)
    coming = _coming(ids)
    said = _said_by_the_plan(item["code"] for item in chosen)
    return [
        ShelfRow(
            item,
            balances.get(item["pk"], Balance()),
            coming.get(item["pk"], Coming()),
            days.get(item["pk"]),
            **said.get(item["code"], {}),
        )
        for item in chosen
    ]


def _balances(ids: Collection[int], today: date) -> tuple[dict[int, Balance], dict[int, date]]:
    """Per item what there is, and the first last day of what may be used: two queries."""
    here = Portion.objects.filter(lot__item__in=ids, on_hand__gt=0).order_by()
    whole: dict[int, Mapping[str, Any]] = {
        row["lot__item"]: row
        for row in here.values("lot__item").annotate(
            total=Sum("on_hand"),
            set_aside=Sum("reserved"),
            quarantined=_sum("on_hand", lot__status=Lot.Status.QUARANTINE, set_apart=False),
        )
    }
    usable = selectors.usable_on(here, today).values("lot__item")
    free: dict[int, Mapping[str, Any]] = {
        row["lot__item"]: row
        for row in usable.annotate(
            usable=Sum("on_hand"),
            unpromised=Sum(F("on_hand") - F("reserved")),
            lot_day=Min("last_day_of_lot"),
            opened_day=Min("until"),
        )
    }
    balances: dict[int, Balance] = {}
    days: dict[int, date] = {}
    for pk, row in whole.items():
        good: Mapping[str, Any] = free.get(pk, {})
        barred = row["total"] - good.get("usable", 0) - row["quarantined"]
        balances[pk] = Balance(
            row["total"], row["set_aside"], good.get("unpromised", 0), row["quarantined"], max(0, barred)
        )
        known = [day for day in (good.get("lot_day"), good.get("opened_day")) if day is not None]
        if known:
            days[pk] = min(known)
    return balances, days


def _sum(column: str, **conditions: Any) -> Coalesce:
    return Coalesce(Sum(column, filter=Q(**conditions)), 0, output_field=BigIntegerField())


def _coming(ids: Collection[int]) -> dict[int, Coming]:
    """Per item what is on order, and the first making planned: two queries."""
    open_lines = PurchaseOrderLine.objects.filter(item__in=ids, closed_at=None, received__lt=F("quantity"))
    ordered: dict[int, Mapping[str, Any]] = {
        row["item"]: row
        for row in open_lines.order_by()
        .values("item")
        .annotate(open=Sum(F("quantity") - F("received")), first=Min("due_on"))
    }
    makings: dict[int, Row] = {}
    rows = Transformation.objects.filter(item__in=ids, closed_at=None).order_by("planned_for", "code")
    for row in rows.values("item", "code", "planned_for"):
        makings.setdefault(row["item"], dict(row))
    return {
        pk: Coming(
            ordered.get(pk, {}).get("open", 0),
            ordered.get(pk, {}).get("first"),
            makings.get(pk, {}).get("code", ""),
            makings.get(pk, {}).get("planned_for"),
        )
        for pk in ordered.keys() | makings.keys()
    }


def _said_by_the_plan(codes: Iterable[str]) -> dict[str, dict[str, date | None]]:
    """What the last look at the plan said of each item that it wants bought. One query."""
    rows = Alert.objects.filter(kind="reorder", closed_at=None, subject__in=list(codes))
    return {
        code: {name: _day(facts.get(name)) for name in ("runs_out_on", "order_by")}
        for code, facts in rows.values_list("subject", "facts")
    }


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def items_shown(*, kind: str | None, showing: str | None, found: Collection[int] | None, today: date) -> QuerySet[Any]:
    """The items of a kind; "here": of which something is here, "ending": something ends within 30 days or has ended,
    "short": that the last look at the plan wants bought. ``found`` narrows to these."""
    items = Item.objects.all() if found is None else Item.objects.filter(pk__in=found)
    if kind:
        items = items.filter(kind=kind)
    here = Portion.objects.filter(lot__item=OuterRef("pk"), on_hand__gt=0)
    if showing == "here":
        items = items.filter(Exists(here))
    elif showing == "ending":
        stocked = Lot.objects.filter(item=OuterRef("pk"), portions__on_hand__gt=0)
        items = items.filter(Exists(selectors.expiring_before(stocked, today + timedelta(days=ENDING_DAYS + 1))))
    elif showing == "short":
        items = items.filter(code__in=Alert.objects.filter(kind="reorder", closed_at=None).values("subject"))
    return items.values(*ITEM_COLUMNS)


# --- finding -----------------------------------------------------------------------------------------------

_DROPPED = {code: None for code in range(128) if chr(code).isspace() or chr(code) in "-_"}


def folded(text: str) -> str:
    """``inventory.numbers.fold`` without its limit of length, quick for plain letters."""
    if text.isascii():
        return text.lower().translate(_DROPPED)
    plain = unicodedata.normalize("NFKC", text).casefold()
    return "".join(sign for sign in plain if not sign.isspace() and unicodedata.category(sign) not in ("Pd", "Pc"))


def find_items(text: str) -> list[int]:
    """Ids of the items whose code, name or INCI holds the text; case, spaces and dashes do not count. One query.

    Every item is looked at: there are thousands, not millions, and a word may begin anywhere.
    """
    wanted = folded(text)
    if not wanted:
        return []
    rows = Item.objects.values_list("pk", "code", "name", "inci", "gtin")
    return [pk for pk, *words in rows if any(wanted in folded(word) for word in words)]


def find_lots_beginning(text: str) -> list[Row]:
    """The lots with a number, ours, the supplier's or the maker's, that begins with the text, folded; the newest
    first, at most MOST_FOUND. Two queries."""
    wanted = fold(text)
    if not wanted:
        return []
    bearing = (
        Q(number_folded__startswith=wanted)
        | Q(supplier_lot_folded__startswith=wanted)
        | Q(maker_lot_folded__startswith=wanted)
    )
    return lot_rows(Lot.objects.filter(bearing).order_by("-pk")[:MOST_FOUND])


# --- lots --------------------------------------------------------------------------------------------------

LOT_COLUMNS = (
    "pk", "number", "status", "origin", "trial", "received_on", "available_on", "expires_on", "retest_on", "made_at",
    "supplier_lot", "maker_lot", "supplier__code", "supplier__name", "transformation__code", "unit_cost_e6", "note",
    "released_by", "item__code", "item__name", "item__kind", "item__measure", "item__density_g_per_ml",
    "item__shelf_life_days", "item__shelf_life_hours", "item__opened_life_days", "item__retest_days", "item__caution",
)  # fmt: skip
RESERVATION_COLUMNS = (
    "quantity", "portion__place", "portion__container", "transformation__code", "transformation__planned_for",
    "demand__customer__code", "demand__reference", "demand__due_on",
)  # fmt: skip
DECISION_COLUMNS = ("from_status", "to_status", "how", "decided_at", "who__username", "why")
PORTION_COLUMNS = ("pk", "lot", "place", "container", "opened_on", "set_apart", "on_hand", "reserved")


def lot_rows(lots: QuerySet[Lot]) -> list[Row]:
    """Each lot with its item, last day, portions that hold something, and their sums: two queries."""
    rows = [dict(row) for row in lots.values(*LOT_COLUMNS)]
    portions = _portions(row["pk"] for row in rows)
    return [_lot_row(row, portions[row["pk"]]) for row in rows]


def _portions(lot_ids: Iterable[int]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {pk: [] for pk in lot_ids}
    rows = Portion.objects.filter(lot__in=list(found), on_hand__gt=0).order_by("place", "container", "set_apart")
    for row in rows.values(*PORTION_COLUMNS):
        found[row["lot"]].append(dict(row))
    return found


def _lot_row(row: Row, portions: list[Row]) -> Row:
    life = plan_days_of_life(row["item__shelf_life_days"], row["item__shelf_life_hours"])
    item = {
        "code": row["item__code"],
        "name": row["item__name"],
        "kind": row["item__kind"],
        "measure": row["item__measure"],
        "density_g_per_ml": row["item__density_g_per_ml"],
        "opened_life_days": row["item__opened_life_days"],
        "caution": row["item__caution"],
    }
    for portion in portions:
        portion["free"] = portion["on_hand"] - portion["reserved"]
        portion["last_day"] = last_day_from(
            row["expires_on"], row["received_on"], life, portion["opened_on"], row["item__opened_life_days"]
        )
    days = [portion["last_day"] for portion in portions if portion["last_day"] is not None]
    own = last_day_from(row["expires_on"], row["received_on"], life)
    return {name: value for name, value in row.items() if not name.startswith("item__")} | {
        "item": item,
        "portions": portions,
        "last_day": own,
        "first_last_day": min(days, default=own),
        "retest_day": retest_day_from(row["retest_on"], row["received_on"], row["item__retest_days"]),
        "on_hand": sum(portion["on_hand"] for portion in portions),
        "reserved": sum(portion["reserved"] for portion in portions),
    }


@dataclass(frozen=True, slots=True)
class ItemCard:
    """One item, its row on the shelf, its lots that are here (first last day first), what is coming of it."""

    item: Item
    row: ShelfRow
    lots: list[Row]
    more_lots: bool
    order_lines: list[Row]
    offers: list[Any]


def item_card(code: str, today: date) -> ItemCard:
    """Raises NotFound. A fixed number of queries."""
    item = selectors.find_item(code)
    plain = {name: getattr(item, name) for name in ITEM_COLUMNS}
    here = Lot.objects.filter(item=item).filter(
        Exists(Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0).order_by())
    )
    ordered = here.alias(day=selectors._lot_last_day()).order_by(F("day").asc(nulls_last=True), "pk")
    lots = lot_rows(ordered[: MOST_LOTS + 1])
    lines = PurchaseOrderLine.objects.filter(item=item, closed_at=None, received__lt=F("quantity"))
    order_lines = [
        dict(row) | {"open": trade.open_of(row, "received")}
        for row in lines.order_by("due_on", "order__code").values(*trade.ORDER_LINE_COLUMNS, "order__supplier__name")
    ]
    lots.sort(key=lambda lot: lot["first_last_day"] or date.max)
    return ItemCard(
        item,
        shelf_rows([plain], today)[0],
        lots[:MOST_LOTS],
        len(lots) > MOST_LOTS,
        order_lines,
        list(item.offers.select_related("supplier").order_by("supplier__code", "pack")),
    )


@dataclass(frozen=True, slots=True)
class LotCard:
    """One lot with its portions, who has set some of it aside, the decisions on it and what happened to it last."""

    item: Item
    lot: Row
    reservations: list[Row]
    decisions: list[Row]
    events: list[Row] = field(default_factory=list)


def lot_card(item_code: str, number: str) -> LotCard:
    """Raises NotFound. A fixed number of queries."""
    found = selectors.get_lot(item_code, number)
    lot = lot_rows(Lot.objects.filter(pk=found.pk))[0]
    reservations = Reservation.objects.filter(portion__lot=found).order_by("pk")
    decisions = LotDecision.objects.filter(lot=found).order_by("pk")
    events = StockEvent.objects.filter(pk__in=_last_events_of(found.pk))
    return LotCard(
        found.item,
        lot,
        [dict(row) for row in reservations.values(*RESERVATION_COLUMNS)],
        [dict(row) for row in decisions.values(*DECISION_COLUMNS)],
        event_rows([dict(row) for row in events.order_by("-pk").values(*EVENT_COLUMNS)]),
    )


def freed_since(moment: datetime) -> list[str]:
    """What an act since this moment freed, as the sentences of the alerts that say for whom. One query."""
    alerts = Alert.objects.filter(kind="reservation_freed", closed_at=None, updated_at__gte=moment)
    return [f"Look: {message}." for message in alerts.order_by("pk").values_list("message", flat=True)[:3]]


def _last_events_of(lot_id: int) -> list[int]:
    """The last recorded events that moved the lot or spoke of it: an index serves each alone, not both."""
    moved = Movement.objects.filter(lot=lot_id).order_by("-event").values_list("event", flat=True)
    spoken = StockEvent.objects.filter(portion__lot=lot_id).order_by("-pk").values_list("pk", flat=True)
    return sorted({*moved[: 2 * LAST_EVENTS], *spoken[:LAST_EVENTS]}, reverse=True)[:LAST_EVENTS]


# --- what happened -----------------------------------------------------------------------------------------


def event_rows(events: list[Mapping[str, Any]]) -> list[Row]:
    """Stock events (of EVENT_COLUMNS) with what each moved, in one query: ``moves`` have item, lot, from, to, steps."""
    movements: dict[int, list[Row]] = {row["pk"]: [] for row in events}
    rows = Movement.objects.filter(event__in=list(movements)).order_by("pk")
    for row in rows.values(*MOVEMENT_COLUMNS, "portion__lot__item__density_g_per_ml"):
        movements[row["event"]].append(dict(row))
    return [dict(row) | {"moves": _moves(row, movements[row["pk"]])} for row in events]


def _moves(event: Mapping[str, Any], movements: list[Row]) -> list[Row]:
    """What an event did, a row for each lot's portion; a carrying within a lot is one row with its two spots."""
    told: list[Row] = []
    carried = event["kind"] in (StockEvent.Kind.MOVED, StockEvent.Kind.OPENED)
    waiting: Row | None = None
    for one in movements:
        row = {
            "item": one["portion__lot__item__code"],
            "lot": one["portion__lot__number"],
            "measured": {
                "measure": one["portion__lot__item__measure"],
                "density_g_per_ml": one["portion__lot__item__density_g_per_ml"],
            },
            "steps": one["quantity"],
            "spot": _spot(one),
            "to": "",
        }
        if carried and waiting is not None and waiting["steps"] == -one["quantity"]:
            out, into = (waiting, row) if waiting["steps"] < 0 else (row, waiting)
            told[-1] = out | {"steps": into["steps"], "to": into["spot"], "carried": True}
            waiting = None
            continue
        told.append(row)
        waiting = row if carried else None
    if not told and event["portion"] is not None:
        told = [
            {
                "item": event["portion__lot__item__code"],
                "lot": event["portion__lot__number"],
                "measured": None,
                "steps": None,
                "spot": _spot(event),
                "to": "",
            }
        ]
    return told


def _spot(row: Mapping[str, Any]) -> str:
    apart = ", set apart" if row["portion__set_apart"] else ""
    where = ", ".join(part for part in (row["portion__place"], row["portion__container"]) if part)
    return (where or "no place named") + apart


def places() -> list[str]:
    """Every place where something stands, by name. One query."""
    named = Portion.objects.filter(on_hand__gt=0).exclude(place="").order_by("place").values_list("place", flat=True)
    return list(named.distinct())


# --- receiving ---------------------------------------------------------------------------------------------


def open_orders(code: str | None = None) -> list[Row]:
    """Orders of which something is to come, the first due first, at most MOST_ORDERS; or the one with this code. With
    their open lines: two queries."""
    lines = PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity"))
    orders = PurchaseOrder.objects.filter(pk__in=lines.values("order"))
    if code is not None:
        orders = orders.filter(code=code)
    first = lines.filter(order=OuterRef("pk")).order_by("due_on").values("due_on")[:1]
    chosen = list(
        orders.select_related("supplier").annotate(first=Subquery(first)).order_by("first", "code")[:MOST_ORDERS]
    )
    found: dict[int, list[Row]] = {order.pk: [] for order in chosen}
    for line in lines.filter(order__in=found).select_related("item").order_by("due_on", "item__code"):
        found[line.order_id].append({"line": line, "open": line.open_quantity})
    return [{"order": order, "lines": found[order.pk], "due_on": order.first} for order in chosen]


def names_of_items() -> list[tuple[str, str]]:
    """Code and name of everything that can be received or counted, by code. One query."""
    return list(Item.objects.filter(drawn=False).order_by("code").values_list("code", "name"))


def names_of_suppliers() -> list[tuple[str, str]]:
    return list(Party.objects.exclude(role=Party.Role.CUSTOMER).order_by("code").values_list("code", "name"))


def item_scanned(scanned: Scanned) -> Item | None:
    """The item that a symbol names, by GTIN or, on labels of ours, by its code; None where it names none of ours."""
    if scanned.gtin:
        try:
            return item_by_gtin(same_gtin(scanned.gtin))
        except NotFound:
            return None
    return Item.objects.filter(code=scanned.item).first() if scanned.item else None


def item_by_gtin(numbers: Collection[str]) -> Item:
    """The item with one of these ways to write its GTIN. Raises NotFound."""
    item = Item.objects.filter(gtin__in=list(numbers)).order_by("pk").first()
    if item is None:
        raise NotFound(f"no item has the GTIN {next(iter(numbers))}")
    return item
