"""A market day: goods carried to the stall, and what came of them in the evening."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, DomainError, Fault, Unusable
from inventory.models import Demand, Dispatch, Portion, StockEvent, Transformation
from inventory.quantities import show_quantity
from inventory.services import counting, lots
from inventory.services.dispatching import Leaving, close_demand, dispatch
from inventory.services.ledger import check_quantity, fresh_portion
from inventory.services.reserving import free, reserve_exact
from inventory.transactions import lock_items, write
from inventory.usability import check_usable

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@dataclass(frozen=True, slots=True)
class Carried:
    """So much of one portion that goes to the stall."""

    portion: Portion
    quantity: int


@dataclass(frozen=True, slots=True)
class CameBack:
    """What became of one portion at the stall: sold, and still there; ``why`` says where the difference went."""

    portion: Portion
    sold: int
    back: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class MarketDay:
    """The sale, where anything was sold; the counts, where something differed; how much went back, by portion."""

    dispatch: Dispatch | None
    counts: tuple[StockEvent, ...]
    demands_closed: int


@write
def take_out(
    *, lines: Sequence[Carried], place: str, demands: Sequence[Demand] = (), why: str = "", who: User | None = None
) -> list[Portion]:
    """Carry goods to a place together, or none; answers the portions there. Only what may be sold today goes.

    What was set aside for ``demands`` (what is expected at this market) may go; at the stall so much as they want is
    set aside for them. What is set aside for others stays.
    Raises BadInput, Unusable, Shortage; faults name the field (``lines[2].quantity``).
    """
    if not lines:
        raise BadInput("nothing is to be carried", code="no_lines", faults=[Fault("lines", "", "at least one line")])
    if not place.strip():
        raise BadInput("no place is named", code="no_place", faults=[Fault("place", place, "the name of the stall")])
    lock_items({line.portion.lot.item_id for line in lines} | {demand.item_id for demand in demands})
    for demand in demands:
        free(demand=demand, who=who)
    there = []
    for at, line in enumerate(lines):
        portion, item = fresh_portion(line.portion), line.portion.lot.item
        check_quantity(item, line.quantity, field=f"lines[{at}].quantity")
        try:
            check_usable(portion, clock.today())
        except Unusable as error:
            error.faults = [Fault(f"lines[{at}].lot", portion.lot.number, "a lot that may be sold today")]
            raise
        if line.quantity > portion.free:
            most = show_quantity(portion.free, item.measure)
            fault = Fault(f"lines[{at}].quantity", show_quantity(line.quantity, item.measure), f"at most {most}")
            told = f"lot {portion.lot.number} of {item.code}: {most} free at {portion.place or 'no named place'}"
            raise BadInput(told, code="shortage", faults=[fault])
        there.append(
            lots.move(
                portion=portion,
                place=place,
                container=portion.container,
                quantity=line.quantity,
                why=why,
                who=who,
            )
        )
    reserve_exact(rows=_for_whom(lines, there, demands), who=who)
    return there


def _for_whom(
    lines: Sequence[Carried], there: Sequence[Portion], demands: Sequence[Demand]
) -> list[tuple[Portion, Transformation | Demand, int]]:
    """What is set aside at the stall: of what went, as much as each demand wants."""
    found: list[tuple[Portion, Transformation | Demand, int]] = []
    left = [line.quantity for line in lines]
    for demand in demands:
        wanted = demand.open_quantity
        for at, portion in enumerate(there):
            part = min(wanted, left[at]) if portion.lot.item_id == demand.item_id else 0
            if part:
                found.append((portion, demand, part))
                left[at] -= part
                wanted -= part
    return found


@write
def come_back(
    *,
    lines: Sequence[CameBack],
    place: str,
    to_place: str = "",
    dispatched_on: date | None = None,
    happened_at: datetime | None = None,
    demands: Sequence[Demand] = (),
    close_rest: bool = False,
    who: User | None = None,
) -> MarketDay:
    """Put on the books what a market day came to, all of it or nothing.

    1. Where sold and still there are not what the books hold, the count says what was there, with the reason in words.
    2. What was sold leaves in one dispatch to the public at ``place``; it serves ``demands`` (what was expected at
       this market, at most one for an item) as far as they go. Of an item in several lots the first lines serve first.
    3. What is still there moves to ``to_place``, where one is named.
    4. With ``close_rest`` the demands that are still open are closed: the market is over.

    Raises BadInput where a difference has no reason; what the counts, the dispatch and the moves raise.
    """
    if not lines:
        raise BadInput("nothing stands there", code="no_lines", faults=[Fault("lines", "", "at least one line")])
    lock_items({line.portion.lot.item_id for line in lines} | {demand.item_id for demand in demands})
    counts = _count(lines, happened_at, who)
    leaving = _leaving(lines, demands)
    sent = None
    if leaving:
        try:
            sent = dispatch(
                lines=[one for _, one in leaving],
                public_place=place,
                dispatched_on=dispatched_on,
                happened_at=happened_at,
                reference=demands[0].reference if demands else "",
                who=who,
            )
        except DomainError as error:  # it counts the lines that left; the faults name those that were asked
            error.faults = [replace(fault, field=_asked_as(fault.field, leaving)) for fault in error.faults]
            raise
    if to_place and to_place != place:
        for line in lines:
            if line.back:
                portion = fresh_portion(line.portion)
                lots.move(portion=portion, place=to_place, container=portion.container, why="back from market", who=who)
    closed = 0
    for demand in demands if close_rest else ():
        demand.refresh_from_db()
        if demand.open_quantity:
            close_demand(demand=demand, why="the market is over", who=who)
            closed += 1
    return MarketDay(sent, tuple(counts), closed)


def _count(lines: Sequence[CameBack], happened_at: datetime | None, who: User | None) -> list[StockEvent]:
    """A count of each portion that holds another quantity than was sold and is still there."""
    differing, faults = [], []
    for at, line in enumerate(lines):
        portion, item = fresh_portion(line.portion), line.portion.lot.item
        for name, steps in (("sold", line.sold), ("back", line.back)):
            check_quantity(item, steps, field=f"lines[{at}].{name}", minimum=0)
        difference = line.sold + line.back - portion.on_hand
        if not difference:
            continue
        differing.append((portion, line))
        if not line.why.strip():
            how = "more" if difference > 0 else "less"
            told = f"{show_quantity(abs(difference), item.measure)} {how} than went out: say in words where from or to"
            faults.append(Fault(f"lines[{at}].why", "", told))
    if faults:
        told = "what was sold and what came back is not what went out"
        raise BadInput(told, code="difference_unexplained", faults=faults)
    return [
        counting.count(portion=portion, counted=line.sold + line.back, why=f"at the market: {line.why}", who=who)
        for portion, line in differing
    ]


def _leaving(lines: Sequence[CameBack], demands: Sequence[Demand]) -> list[tuple[int, Leaving]]:
    """What was sold, each with the number of its line: what serves a demand, and what goes beyond it."""
    by_item = {demand.item_id: demand for demand in demands}
    left = {demand.pk: demand.open_quantity for demand in demands}
    found = []
    for at, line in enumerate(lines):
        demand = by_item.get(line.portion.lot.item_id)
        served = min(line.sold, left[demand.pk]) if demand is not None else 0
        if demand is not None and served:
            left[demand.pk] -= served
            found.append((at, Leaving(line.portion, served, demand)))
        if line.sold > served:
            found.append((at, Leaving(line.portion, line.sold - served)))
    return found


def _asked_as(field: str, leaving: Sequence[tuple[int, Leaving]]) -> str:
    place = re.match(r"lines\[([0-9]+)\]\.(\w+)$", field)
    if place is None:
        return field
    name = "sold" if place[2] == "quantity" else place[2]
    return f"lines[{leaving[int(place[1])][0]}].{name}"
