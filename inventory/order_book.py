"""Reads for the pages of orders: what is to come, what is wanted, what left, who it comes from and goes to.

Quantities are whole base steps. Every list is read in a fixed number of queries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.db.models import Count, F, OuterRef, Q, Subquery, Sum

from inventory import selectors, trade
from inventory.errors import NotFound
from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Lot,
    Offer,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
)
from inventory.quantities import show_quantity
from inventory.trade import Listed
from inventory.usability import last_day_of, unusable_reason

Row = dict[str, Any]
MOST_STANDING = 300  # lots that are counted back from a place in one go
MOST_EXPECTED = 300  # demands of markets
MOST_OPEN = 100  # orders or demands that a list of open ones shows; the rest by its filter
_ITEM = ("item__code", "item__name", "item__measure", "item__density_g_per_ml")
_LOT_ITEM = tuple(f"lot__{name}" for name in _ITEM)


def _item_of(row: Mapping[str, Any], before: str = "item__") -> Row:
    return {name: row[before + name] for name in ("code", "name", "measure", "density_g_per_ml")}


# --- orders ------------------------------------------------------------------------------------------------

ORDERS: Listed = PurchaseOrder.objects.values(
    "pk", "code", "placed_at", "supplier__code", "supplier__name", "supplier__email", "supplier__phone",
    "supplier__address",
)  # fmt: skip
ORDER_LINES: Listed = PurchaseOrderLine.objects.order_by("due_on", "item__code").values(
    "pk", "order_id", "item_id", *_ITEM, "quantity", "received", "due_on", "expires_on", "closed_at", "closed_why"
)


def orders_to_come(today: date, *, supplier: str | None = None, late: bool = False) -> list[Row]:
    """Orders of which something is to come, the first due first, at most MOST_OPEN. Two queries."""
    still = PurchaseOrderLine.objects.filter(STILL_TO_COME, order=OuterRef("pk"))
    rows = ORDERS.annotate(first=Subquery(still.order_by("due_on").values("due_on")[:1])).filter(first__isnull=False)
    if supplier:
        rows = rows.filter(supplier__code=supplier)
    if late:
        rows = rows.filter(first__lt=today)
    return order_rows(list(rows.order_by("first", "code")[:MOST_OPEN]))


def order_rows(orders: list[Row]) -> list[Row]:
    """Rows of ORDERS with their lines; ``due_on`` is the first day on which something is still to come. One query."""
    lines: dict[int, list[Row]] = {order["pk"]: [] for order in orders}
    for row in ORDER_LINES.filter(order__in=list(lines)):
        lines[row["order_id"]].append(row | {"item": _item_of(row), "open": trade.open_of(row, "received")})
    for order in orders:
        order["lines"] = lines[order["pk"]]
        order["due_on"] = min((line["due_on"] for line in order["lines"] if line["open"]), default=None)
    return orders


def order_card(code: str) -> Row:
    """One order with its lines, and what came of it by lot. Raises NotFound. Three queries."""
    order = ORDERS.filter(code=code).first()
    if order is None:
        raise NotFound(f"no purchase order {code!r}")
    came = trade.RECEIPTS.filter(event__purchase_order_line__order_id=order["pk"], event__corrected_by=None)
    return order_rows([order])[0] | {"came": list(came.order_by("pk"))}


def order_sheet(code: str) -> Row:
    """An order as it is sent: each line in packs of the supplier, what that costs, and the sum where all is known."""
    order = order_card(code)
    offers: dict[int, list[Row]] = {}
    wanted = {line["item_id"] for line in order["lines"]}
    for offer in Offer.objects.filter(supplier__code=order["supplier__code"], item__in=wanted).values(
        "item_id", "pack", "price_e4", "supplier_code"
    ):
        offers.setdefault(offer["item_id"], []).append(dict(offer))
    for line in order["lines"]:
        line["packs"] = packs_of(line["quantity"], offers.get(line["item_id"], []))
        prices = [pack["price_e4"] for pack in line["packs"]]
        known = bool(prices) and None not in prices
        line["cost_e4"] = sum(pack["count"] * pack["price_e4"] for pack in line["packs"]) if known else None
    costs = [line["cost_e4"] for line in order["lines"]]
    return order | {"cost_e4": None if None in costs else sum(costs)}


def packs_of(quantity: int, offers: Sequence[Mapping[str, Any]]) -> list[Row]:
    """The offers' packs that make up exactly this quantity, large ones first; nothing where they do not. Pure."""
    rest, found = quantity, []
    by_size = sorted(offers, key=lambda offer: -int(offer["pack"]))
    for offer in by_size:
        count, rest = divmod(rest, offer["pack"])
        if count:
            found.append({**offer, "count": count})
    if rest == 0:
        return found
    whole = next((offer for offer in by_size if quantity % offer["pack"] == 0), None)
    return [{**whole, "count": quantity // whole["pack"]}] if whole else []


# --- demands -----------------------------------------------------------------------------------------------

DEMANDS: Listed = Demand.objects.values(
    "pk", "item_id", *_ITEM, "customer__code", "customer__name", "reference", "due_on", "quantity", "dispatched",
    "priority", "closed_at", "closed_why",
)  # fmt: skip
STILL_TO_COME = Q(closed_at=None, received__lt=F("quantity"))
STILL_WANTED = Q(closed_at=None, dispatched__lt=F("quantity"))


def demands_open(*, customer: str | None = None, item: str | None = None) -> list[Row]:
    """What is still wanted, the first due first, at most MOST_OPEN, with what is set aside and free. Three queries."""
    rows = DEMANDS.filter(STILL_WANTED)
    if customer:
        rows = rows.filter(customer__code=customer)
    if item:
        rows = rows.filter(item__code=item)
    return demand_rows(list(rows.order_by("due_on", "item__code", "pk")[:MOST_OPEN]))


def demand_rows(demands: list[Row]) -> list[Row]:
    """Rows of DEMANDS with ``open``, ``reserved`` and ``asks``: what names each in an address. One query."""
    reserved = {
        row["demand_id"]: row["all"]
        for row in Reservation.objects.filter(demand__in=[row["pk"] for row in demands])
        .values("demand_id")
        .annotate(all=Sum("quantity"))
    }
    for row in demands:
        row["item"] = _item_of(row)
        row["open"] = trade.open_of(row, "dispatched")
        row["reserved"] = reserved.get(row["pk"], 0)
        row["asks"] = demand_address(row["item__code"], row["due_on"], row["customer__code"], row["reference"])
    return demands


def with_free(demands: list[Row], today: date) -> list[Row]:
    """The rows with ``free``: what of their item may leave today and is promised to nobody. One query."""
    usable = selectors.usable_portions({row["item_id"] for row in demands}, today, 0)
    free = {item: sum(portion.free for portion in portions) for item, portions in usable.items()}
    for row in demands:
        row["free"] = free.get(row["item_id"], 0)
    return demands


def demand_address(item: str, due_on: date, customer: str | None, reference: str) -> str:
    """What names a demand in an address: a demand has no code."""
    return urlencode({"item": item, "due_on": due_on.isoformat(), "customer": customer or "", "reference": reference})


# --- what leaves -------------------------------------------------------------------------------------------

DISPATCHES: Listed = Dispatch.objects.values(
    "pk", "code", "kind", "customer__code", "customer__name", "customer__address", "public_place", "dispatched_on",
    "reference",
)  # fmt: skip
DISPATCH_LINES: Listed = DispatchLine.objects.order_by("pk").values(
    "pk", "dispatch_id", *_LOT_ITEM, "lot__number", "lot__status", "lot__expires_on", "lot__item__caution", "quantity",
    "returned", "corrected", "demand__due_on", "demand__reference",
)  # fmt: skip


def dispatch_rows(dispatches: list[Row]) -> list[Row]:
    """Rows of DISPATCHES with their lines, numbered from 1. One query."""
    lines: dict[int, list[Row]] = {row["pk"]: [] for row in dispatches}
    for row in DISPATCH_LINES.filter(dispatch__in=list(lines)):
        number = len(lines[row["dispatch_id"]]) + 1
        out = 0 if row["corrected"] else row["quantity"] - row["returned"]
        lines[row["dispatch_id"]].append(row | {"item": _item_of(row, "lot__item__"), "number": number, "out": out})
    for row in dispatches:
        row["lines"] = lines[row["pk"]]
    return dispatches


def dispatch_card(code: str) -> Row:
    """One dispatch with its lines. Raises NotFound. Two queries."""
    row = DISPATCHES.filter(code=code).first()
    if row is None:
        raise NotFound(f"no dispatch {code!r}")
    return dispatch_rows([row])[0]


@dataclass(frozen=True, slots=True)
class Leaving:
    """So much of an item that is to leave, and the demand that it serves."""

    item: Item
    quantity: int
    demand: Demand | None = None


@dataclass(frozen=True, slots=True)
class Pick:
    """What one want gets of one portion; no lot for what nothing is there for."""

    item: str
    quantity: int
    lot: str = ""
    place: str = ""
    container: str = ""
    demand: Demand | None = None


def picks(wants: Sequence[Leaving], on: date, *, min_remaining_days: int | None = None) -> list[Pick]:
    """The lots that each want takes: what is set aside for its demand, then what is free, first to end first.

    Only what may leave on the day, and lives as long after it as the customer wants. What is not there stands at its
    end without a lot. Two queries.
    """
    held = _held({want.demand.pk for want in wants if want.demand is not None}, on)
    usable = selectors.usable_portions({want.item.pk for want in wants}, on, min_remaining_days)
    left = {portion.pk: portion.free for portions in usable.values() for portion in portions}
    found: list[Pick] = []
    for want in wants:
        rest = want.quantity
        own = held.get(want.demand.pk, []) if want.demand is not None else []
        taken: dict[tuple[str, str, str], int] = {}
        for reservation in own:
            part = min(rest, reservation.quantity)
            _take(taken, reservation.portion.lot.number, reservation.portion, part)
            rest -= part
        for portion in usable[want.item.pk]:
            part = min(rest, left[portion.pk])
            _take(taken, portion.number, portion, part)
            left[portion.pk] -= part
            rest -= part
        found += [Pick(want.item.code, part, *spot, want.demand) for spot, part in taken.items()]
        if rest:
            found.append(Pick(want.item.code, rest, demand=want.demand))
    return found


def _take(taken: dict[tuple[str, str, str], int], lot: str, portion: Any, quantity: int) -> None:
    if quantity > 0:
        spot = (lot, portion.place, portion.container)
        taken[spot] = taken.get(spot, 0) + quantity


def _held(demand_ids: set[int], on: date) -> dict[int, list[Reservation]]:
    """Per demand what is set aside for it and may leave on the day, first to end first. One query."""
    rows = [
        row
        for row in Reservation.objects.filter(demand__in=demand_ids).select_related("portion__lot__item")
        if not unusable_reason(row.portion.lot, row.portion, row.portion.lot.item, on)
    ]
    rows.sort(
        key=lambda row: (last_day_of(row.portion.lot, row.portion, row.portion.lot.item) or date.max, row.portion_id)
    )
    found: dict[int, list[Reservation]] = {}
    for row in rows:
        assert row.demand_id is not None
        found.setdefault(row.demand_id, []).append(row)
    return found


def lots_numbered(number: str, item: str | None = None) -> list[Lot]:
    """Lots that bear this number of ours and of which something is here, with their items. One query."""
    rows = Lot.objects.filter(number=number, portions__on_hand__gt=0).select_related("item").order_by("item__code")
    return list((rows.filter(item__code=item) if item else rows).distinct())


def spot_of(lot: Lot) -> Portion | None:
    """The portion of a lot that is taken first: the one with most free, not set apart. One query."""
    rows = Portion.objects.filter(lot=lot, set_apart=False, on_hand__gt=0)
    return rows.order_by(F("reserved") - F("on_hand"), "pk").first()


# --- a market day ------------------------------------------------------------------------------------------


def markets_expected() -> list[Row]:
    """What is expected at markets and not served yet, by day and reference, the first days first, with its ``lines``.

    Two queries.
    """
    rows = DEMANDS.filter(STILL_WANTED, customer=None).order_by("due_on", "reference", "pk")
    found: dict[tuple[date, str], Row] = {}
    for row in demand_rows(list(rows[:MOST_EXPECTED])):
        key = (row["due_on"], row["reference"])
        market = found.setdefault(key, {"due_on": key[0], "reference": key[1], "lines": []})
        market["lines"].append(row)
    return list(found.values())


def expected_at(day: date, reference: str) -> list[Demand]:
    """What is still expected at the market of this day and reference, by item. One query."""
    rows = Demand.objects.filter(STILL_WANTED, customer=None, due_on=day, reference=reference)
    return list(rows.select_related("item").order_by("item__code", "pk"))


def read_portion(portion: Portion) -> Portion:
    """A portion as it is now, with its lot and item. One query."""
    return Portion.objects.select_related("lot__item").get(pk=portion.pk)


def places_with_products() -> list[Row]:
    """Every named place where finished goods stand, with how many lots. One query."""
    rows = Portion.objects.filter(on_hand__gt=0, set_apart=False, lot__item__kind=Item.Kind.PRODUCT).exclude(place="")
    found: Listed = rows.values("place")
    return list(found.annotate(lots=Count("lot", distinct=True)).order_by("place"))


def standing_at(place: str) -> list[Portion]:
    """The finished goods that stand at a place and are not set apart, by item and lot, at most MOST_STANDING.

    One query.
    """
    rows = Portion.objects.filter(place=place, on_hand__gt=0, set_apart=False, lot__item__kind=Item.Kind.PRODUCT)
    rows = rows.select_related("lot__item").order_by("lot__item__code", "lot__number", "container")
    return list(rows[:MOST_STANDING])


# --- parties -----------------------------------------------------------------------------------------------

PARTIES: Listed = Party.objects.values("pk", "code", "name", "role", "email", "phone", "address", "min_remaining_days")


def offers_of(supplier: str) -> list[Row]:
    """What a supplier offers, by item and pack. One query."""
    rows = Offer.objects.filter(supplier__code=supplier).order_by("item__code", "pack")
    return [
        {**row, "item": _item_of(row), "asks": _offer_address(row)}
        for row in rows.values("pk", *_ITEM, "pack", "price_e4", "lead_time_days", "min_packs", "supplier_code")
    ]


def _offer_address(row: Mapping[str, Any]) -> str:
    """What names an offer at its supplier's address."""
    return urlencode({"item": row["item__code"], "pack": show_quantity(row["pack"], row["item__measure"])})


def names_of_customers() -> list[tuple[str, str]]:
    return list(Party.objects.exclude(role=Party.Role.SUPPLIER).order_by("code").values_list("code", "name"))


def names_of_leaving() -> list[tuple[str, str]]:
    """Code and name of what is sold, by code, to be suggested; other items are named by hand. One query."""
    return list(Item.objects.filter(kind=Item.Kind.PRODUCT).order_by("code").values_list("code", "name"))
