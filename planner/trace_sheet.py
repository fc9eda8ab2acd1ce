"""A trace as a sheet to work from in a recall: whom to call, what is still here, whether every gram is accounted for.

Reads only. The same rows serve the page, the print and the file.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import xlsxwriter  # type: ignore[import-untyped]

from inventory.ledger import MakingBalance
from inventory.models import Lot, Party
from inventory.quantities import COUNT
from inventory.tracing import Departure, Here, Link, Trace, TracedLot, trace
from planner.collector import collector_paused
from planner.exchange.escaping import escaped
from planner.genealogy import receiver_of
from production.selectors import BatchRow, batch_rows

EVERYTHING = Decimal(100)


@dataclass(frozen=True, slots=True)
class Receiver:
    """Who received something, with what they received. ``party`` is None for the public at a place."""

    name: str
    party: Party | None
    departures: tuple[Departure, ...]


@dataclass(frozen=True, slots=True)
class TracedBatch:
    batch: BatchRow
    balance: MakingBalance


@dataclass(frozen=True, slots=True)
class TraceSheet:
    origins: tuple[Lot, ...]
    trace: Trace
    lots: tuple[TracedLot, ...]
    batches: tuple[TracedBatch, ...]  # by the day they were made
    links: tuple[Link, ...]
    receivers: tuple[Receiver, ...]
    here: tuple[Here, ...]
    unaccounted: tuple[TracedLot, ...]  # lots of which not all that came is told of
    held: int  # lots that are held or rejected by now

    @property
    def forward(self) -> bool:
        return self.trace.forward

    @property
    def reached(self) -> int:
        return len(self.lots) - len(self.origins)


@collector_paused()
def trace_sheet(origins: Sequence[Lot], *, forward: bool) -> TraceSheet:
    """The sheet of one or several lots: as many queries whatever they reach, but for one a level."""
    found = trace(origins, forward)
    named = batch_rows(found.makings)
    batches = [TracedBatch(named[pk], balance) for pk, balance in found.makings.items() if pk in named]
    return TraceSheet(
        origins=tuple(origins),
        trace=found,
        lots=found.lots,
        batches=tuple(sorted(batches, key=lambda row: (row.batch.made_on or date.max, row.batch.batch))),
        links=found.links,
        receivers=_receivers(found.departures),
        here=found.here,
        unaccounted=tuple(lot for lot in found.lots if lot.balance.accounted_percent not in (None, EVERYTHING)),
        held=sum(lot.status in ("held", "rejected") for lot in found.lots),
    )


def _receivers(departures: Sequence[Departure]) -> tuple[Receiver, ...]:
    by_name: dict[str, list[Departure]] = {}
    for row in departures:
        by_name.setdefault(receiver_of(row), []).append(row)
    parties = Party.objects.in_bulk({row.customer for row in departures if row.customer}, field_name="code")
    return tuple(
        Receiver(name, parties.get(rows[0].customer or ""), tuple(rows)) for name, rows in sorted(by_name.items())
    )


# --- the file ----------------------------------------------------------------------------------------------

# One sortable table for everything, so that a receiver's or an authority's program can take it in.
COLUMNS = (
    *("record", "item", "lot", "status", "links_from_origin", "batch", "into_lot", "quantity", "unit", "on"),
    *("customer", "name", "email", "phone", "address", "place", "container", "reference"),
)


def records(sheet: TraceSheet) -> Iterator[dict[str, Any]]:
    """Every lot, every link, what left and what is here, as rows of ``COLUMNS``. Masses are in g."""
    items = {lot.lot_id: lot.item for lot in sheet.lots}
    for lot in sheet.lots:
        yield {
            "record": "lot", "item": lot.item, "lot": lot.lot, "status": lot.status, "links_from_origin": lot.depth,
            **_measured(lot.balance.began, lot.measure),
        }  # fmt: skip
    for link in sheet.links:
        yield {
            "record": "went into", "item": items[link.from_lot_id], "lot": link.from_lot, "batch": link.batch,
            "into_lot": link.to_lot or "", **_measured(link.quantity, link.measure),
        }  # fmt: skip
    for receiver in sheet.receivers:
        party = receiver.party
        called = (
            {"name": party.name, "email": party.email, "phone": party.phone, "address": party.address} if party else {}
        )
        for row in receiver.departures:
            yield {
                "record": "left", "item": items[row.lot_id], "lot": row.lot, "on": row.on.isoformat(),
                "customer": row.customer or "", "place": row.public_place, "reference": row.reference or row.dispatch,
                **called, **_measured(row.quantity - row.returned, row.measure),
            }  # fmt: skip
    for here in sheet.here:
        yield {
            "record": "is here", "item": here.item, "lot": here.lot, "place": here.place, "container": here.container,
            "status": "set apart" if here.set_apart else "", **_measured(here.quantity, here.measure),
        }  # fmt: skip


def _measured(steps: int, measure: str) -> dict[str, Any]:
    return {"quantity": Decimal(steps), "unit": "pc"} if measure == COUNT else {
        "quantity": Decimal(steps) / 1000, "unit": "g",
    }  # fmt: skip


def csv_of(sheet: TraceSheet) -> bytes:
    """UTF-8 with its mark, so that spreadsheets read it as such; texts that they would run are escaped."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for row in records(sheet):
        writer.writerow([_plain(row.get(column, "")) for column in COLUMNS])
    return text.getvalue().encode("utf-8-sig")


def _plain(value: Any) -> str:
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    return escaped(value) if isinstance(value, str) else str(value)


def workbook_of(sheet: TraceSheet) -> bytes:
    """The same table as one sheet, its head kept in sight and every column to be sorted and chosen by."""
    content = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(content, options) as book:
        page = book.add_worksheet("trace")
        bold = book.add_format({"bold": True})
        page.write_row(0, 0, COLUMNS, bold)
        last = 0
        for last, row in enumerate(records(sheet), start=1):
            for at, column in enumerate(COLUMNS):
                value = row.get(column, "")
                if isinstance(value, Decimal | int):
                    page.write_number(last, at, float(value))
                elif value:
                    page.write_string(last, at, escaped(value))
        page.freeze_panes(1, 0)
        page.autofilter(0, 0, last, len(COLUMNS) - 1)
    return content.getvalue()
