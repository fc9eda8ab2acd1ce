"""Reads that cross the apps, as the JSON-ready documents that commands, API and pages show."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.contrib.auth import get_user_model

from inventory import ledger, selectors, tracing, workshop
from inventory.errors import BadInput, Conflict, Fault, NotFound
from inventory.ledger import LotBalance, MakingBalance
from inventory.models import Dispatch, Item, Lot, LotDecision, Party, StockEvent
from inventory.quantities import COUNT, MASS, show_quantity
from planner.collector import collector_paused
from production.models import Batch, Formula
from production.selectors import BatchRow, batch_rows

Row = dict[str, Any]


def stock_document(day: date) -> Row:
    """Every portion at the end of a day. ``unit_cost`` is of one kilogram or one piece."""
    rows = ledger.stock_on(day)
    return {
        "on": day.isoformat(),
        "currency": workshop.currency(),
        "value": str(sum((row.value for row in rows if row.value is not None), Decimal("0.00"))),
        "unvalued": sum(row.value is None for row in rows),
        "portions": [
            {
                "item": row.item,
                "lot": row.lot,
                "status": row.status,
                "expires_on": row.last_day.isoformat() if row.last_day else None,
                "place": row.place,
                "container": row.container,
                "set_apart": row.set_apart,
                "quantity": show_quantity(row.quantity, row.measure),
                "unit_cost": None if row.unit_cost is None else plain(row.unit_cost),
                "unit": "kg" if row.measure == MASS else "pc",
                "value": None if row.value is None else str(row.value),
            }
            for row in rows
        ],
    }


def plain(amount: Decimal) -> str:
    """A decimal with at least two places, without exponent or further trailing zeros: "12.50", "0.0375"."""
    shown = amount.normalize()
    exponent = shown.as_tuple().exponent
    assert isinstance(exponent, int)
    return f"{shown:.2f}" if exponent >= -2 else f"{shown:f}"


def verification_document() -> Row:
    """Whether the books agree with the ledger, and each difference with a sentence."""
    differences = ledger.verify()
    return {
        "ok": not differences,
        "differences": [
            {
                "what": row.what,
                "item": row.item,
                "number": row.number,
                "place": row.place,
                "container": row.container,
                "books": row.books,
                "ledger": row.ledger,
                "sentence": f"{row.what} of {row.item} {row.number}: the books say {row.books}, "
                f"the ledger adds up to {row.ledger}",
            }
            for row in differences
        ],
    }


def find_one_lot(number: str, item_code: str | None) -> Lot:
    """The lot that bears a number.

    Raises NotFound, or Conflict ``ambiguous`` with ``facts["lots"]`` to choose from.
    """
    item = selectors.find_item(item_code) if item_code else None
    found = selectors.find_lots(number, item)
    if not found:
        raise NotFound(f'no lot bears the number "{number}"' + (f" for {item_code}" if item_code else ""))
    if len(found) > 1:
        told = "; ".join(f"lot {lot.number} of {lot.item.code}" for lot in found)
        raise Conflict(
            f'"{number}" fits several lots: {told}. Say which by its own number and its item',
            code="ambiguous",
            lots=[
                {
                    "lot": lot.number,
                    "item": lot.item.code,
                    "supplier_lot": lot.supplier_lot,
                    "maker_lot": lot.maker_lot,
                    "received_on": lot.received_on.isoformat() if lot.received_on else None,
                }
                for lot in found
            ],
        )
    return found[0]


def trace_document(*, number: str, item: str | None, forward: bool) -> Row:
    """The trace of one lot by any of its numbers, as ``trace --json`` prints it."""
    lot = find_one_lot(number, item)
    return trace_of([lot], forward=forward) | {"lot": lot.number, "item": lot.item.code}


def find_each_lot(numbers: Sequence[str], items: Sequence[str]) -> list[Lot]:
    """The lot that bears each of the numbers; ``items`` names the item of each, in the same order, or none at all.

    Raises BadInput where there are more or fewer items than numbers, else as ``find_one_lot``; faults name ``lot[0]``
    and ``item[0]``.
    """
    if items and len(items) != len(numbers):
        accepted = "no item, or the item of each lot in the order of the lots"
        raise BadInput(
            f"{len(numbers)} lots and {len(items)} items", faults=[Fault("item", ", ".join(items)[:100], accepted)]
        )
    return [_find_in_place(number, items[at] if items else None, at) for at, number in enumerate(numbers)]


def _find_in_place(number: str, item: str | None, at: int) -> Lot:
    try:
        if item is not None:
            selectors.find_item(item)
    except NotFound as error:
        raise NotFound(error.message, faults=[Fault(f"item[{at}]", item or "", "a code that is known")]) from None
    try:
        return find_one_lot(number, item)
    except NotFound as error:
        raise NotFound(error.message, faults=[Fault(f"lot[{at}]", number[:100], "a number that a lot bears")]) from None


def get_lots(pairs: Sequence[tuple[str, str]]) -> list[Lot]:
    """The lots of exactly these items and numbers, each once, in one or two queries.

    Raises NotFound with a fault for each that there is not: ``lots[0].lot``, or ``lots[0].item`` for an unknown item.
    """
    wanted = list(dict.fromkeys(pairs))
    items, numbers = {item for item, _ in wanted}, {number for _, number in wanted}
    rows = Lot.objects.select_related("item").filter(item__code__in=items, number__in=numbers)
    found = {(lot.item.code, lot.number): lot for lot in rows}
    missing = [(at, pair) for at, pair in enumerate(pairs) if pair not in found]
    if missing:
        known = set(Item.objects.filter(code__in=items).values_list("code", flat=True))
        raise NotFound(
            "; ".join(f"no lot {number!r} of item {item!r}" for _, (item, number) in missing[:10]),
            faults=[_missing_lot(at, item, number, known) for at, (item, number) in missing],
        )
    return [found[pair] for pair in wanted]


def _missing_lot(at: int, item: str, number: str, known: Collection[str]) -> Fault:
    if item not in known:
        return Fault(f"lots[{at}].item", item, "a code that is known")
    return Fault(f"lots[{at}].lot", number, f"the number of a lot of {item}")


@collector_paused()
def trace_of(origins: Sequence[Lot], *, forward: bool) -> Row:
    """The trace of one or several lots: balances, batches, links, dispatches, what is still here and where."""
    found = tracing.trace(origins, forward)
    batches = batch_rows(found.makings)
    first = origins[0]
    return {
        "lot": first.number,
        "item": first.item.code,
        "direction": "forward" if forward else "backward",
        "lots": [lot_row(lot) for lot in found.lots],
        "batches": [
            making_row(batches[pk], found.makings[pk])
            for pk in sorted(batches, key=lambda pk: (batches[pk].made_on or date.max, batches[pk].batch))
        ],
        "links": [
            {
                "from_lot": link.from_lot,
                "batch": link.batch,
                "to_lot": link.to_lot,
                "quantity": show_quantity(link.quantity, link.measure),
            }
            for link in found.links
        ],
        "dispatches": [
            {
                "lot": row.lot,
                "customer": row.customer,
                "public_place": row.public_place,
                "quantity": show_quantity(row.quantity, row.measure),
                "returned": show_quantity(row.returned, row.measure),
                "on": row.on.isoformat(),
                "reference": row.reference,
            }
            for row in found.departures
        ],
        "here": [
            {
                "lot": row.lot,
                "item": row.item,
                "place": row.place,
                "container": row.container,
                "set_apart": row.set_apart,
                "quantity": show_quantity(row.quantity, row.measure),
            }
            for row in found.here
        ],
    }


# What came, what went, what is here, in the order of the balance. How the lot began, its last field, is not shown.
BALANCE_COLUMNS = LotBalance._fields[:-1]


def lot_row(lot: tracing.TracedLot) -> Row:
    """One lot of a trace. Opening stock ends it backward: what was before is not known, and ``origin`` says so."""
    row = _EMPTY_LOT_ROWS[lot.measure].copy()
    row["lot"] = lot.lot
    row["item"] = lot.item
    row["kind"] = lot.kind
    row["depth"] = lot.depth
    row["status"] = lot.status
    if lot.expires_on:
        row["expires_on"] = lot.expires_on.isoformat()
    row["origin"] = lot.origin
    if lot.from_origin is not None:
        row["from_origin"] = show_quantity(lot.from_origin, MASS)
    for name, steps in zip(BALANCE_COLUMNS, lot.balance, strict=False):
        if steps:
            row[name] = show_quantity(steps, lot.measure)
    accounted = lot.balance.accounted_percent
    if accounted is not None:
        row["accounted_percent"] = str(accounted)
    return row


def _empty_lot_row(measure: str) -> Row:
    balance = dict.fromkeys(BALANCE_COLUMNS, show_quantity(0, measure))
    names = ("lot", "item", "kind", "depth", "status", "expires_on", "origin", "from_origin")
    return dict.fromkeys(names) | balance | {"accounted_percent": None}


# A row is filled in from an empty one: most columns of most lots stay as they are there, and a recall shows a thousand.
_EMPTY_LOT_ROWS = {measure: _empty_lot_row(measure) for measure in (MASS, COUNT)}


def making_row(batch: BatchRow, balance: MakingBalance) -> Row:
    """One batch on the way, with its balance by mass.

    Weighed in = made + packed + residue + evaporated + left in vessel + under way. ``packed`` is the mass that went
    into counted units, which nobody weighs: what an ended batch leaves over.
    """
    ended = batch.state in (Batch.Status.FINISHED, Batch.Status.ABANDONED)
    return {
        "batch": batch.batch,
        "formula": batch.formula,
        "version": batch.version,
        "state": batch.state,
        "made_on": batch.made_on.isoformat() if batch.made_on else None,
        "weighed_in": show_quantity(balance.weighed_in, MASS),
        "made": show_quantity(balance.made, MASS),
        "packed": show_quantity(balance.under_way if ended else 0, MASS),
        "residue": show_quantity(balance.residue, MASS),
        "evaporated": show_quantity(balance.evaporated, MASS),
        "left_in_vessel": show_quantity(balance.left_in_vessel, MASS),
        "under_way": show_quantity(0 if ended else balance.under_way, MASS),
    }


def decisions_of(action_uid: UUID) -> list[Row]:
    """Every lot that one action gave another status, in the order in which it did."""
    rows = LotDecision.objects.filter(action_uid=action_uid).order_by("pk")
    return [
        {"item": item, "lot": number, "from_status": before, "to_status": after}
        for item, number, before, after in rows.values_list(
            "lot__item__code", "lot__number", "from_status", "to_status"
        )
    ]


def workshop_counts() -> list[tuple[str, int]]:
    """How much of each thing the workshop holds, for the start page."""
    return [
        ("items", Item.objects.count()),
        ("parties", Party.objects.count()),
        ("formulas", Formula.objects.count()),
        ("lots", Lot.objects.count()),
        ("batches", Batch.objects.count()),
        ("dispatches", Dispatch.objects.count()),
        ("stock events", StockEvent.objects.count()),
    ]


def has_user() -> bool:
    """Whether anybody can sign in yet."""
    return bool(get_user_model().objects.filter(is_active=True).exists())
