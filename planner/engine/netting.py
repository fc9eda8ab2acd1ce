"""Gross-to-net, need by need: one item's needs against its supply, day by day, and proposals for what is left open.

The method is gross-to-net netting of material requirements planning, on calendar days and with lots that
expire. Items are netted in order of their low-level codes, so all needs of an item are known. This is the rule
in full; ``sweep`` serves as many needs as it can before.
"""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heappop, heappush

from planner.engine.allocate import SURPLUS, Shelf, Supply, Takes, surplus_row
from planner.engine.book import Book, source_name
from planner.engine.needs import Need
from planner.engine.problem import NEVER, Item
from planner.engine.propose import Buying, LaterUse, Making, OpenNeeds, source_of
from planner.engine.result import BatchLine, Expected

ENDLESS = 1 << 60


class Netting:
    """One item being netted, from the first of ``needs`` on; what came before is served and gone from the stock."""

    def __init__(self, book: Book, number: int, needs: Sequence[Need]) -> None:
        """``needs`` in order of service, reservations taken off."""
        self.book, self.number = book, number
        self.item = item = book.order[number]
        self.needs = needs
        self.supply = book.stock.rows_of(number)
        self.source: Making | Buying | None = source_of(book, item)
        self.first_buy = len(book.buys)
        self.runs_out_on: int | None = None
        self.own_reserved = book.own_reserved.get(item.code, {})
        self.shelf = Shelf(self.supply)
        self.asked = book.asked[number]
        self.later_from = 0  # place of the first need after the day being netted
        self.floor_from = NEVER
        self.floor_days: list[int] = []
        if item.safety_stock:
            self._plan_floor_days()

    def run(self) -> None:
        """Day by day: serve the needs in order, look at the safety floor, propose for what is open."""
        needs, book = self.needs, self.book
        place, count = 0, len(needs)
        while place < count or self.floor_days:
            day = needs[place].day if place < count else NEVER
            while self.floor_days and self.floor_days[0] <= day:
                day = heappop(self.floor_days)
            first = place
            while place < count and needs[place].day == day:
                place += 1
            self.later_from = place
            self._net_day(day, needs[first:place])
        for row in self.supply:
            if row.lot_index >= 0:
                book.lots_left[row.lot_index] = row.rest
        for _, buy in book.buys[self.first_buy :]:
            buy.runs_out_on = self.runs_out_on

    def _net_day(self, day: int, todays: Sequence[Need]) -> None:
        self.shelf.advance(day)
        gross = short = 0
        open_needs: list[tuple[Need, int]] = []
        serve, holders = self._serve, self.own_reserved
        for need in todays:
            gross += need.quantity
            rest = self._serve_one(need) if need.single_lot or need.owner in holders else serve(need)
            if rest:
                short += rest
                open_needs.append((need, rest))
                if self.runs_out_on is None and not need.safety_only:
                    self.runs_out_on = day
        covered = gross - short
        if open_needs or self._floor_missing(day):
            short += self._answer(day, open_needs)
        if day <= self.book.to_day and (gross or short):
            self.book.requirements.append((self.number, day, gross, covered, short))

    def _serve(self, need: Need) -> int:
        """Serve an ordinary need, for which nothing is reserved; returns what is still uncovered."""
        takes, rest = self.shelf.take(need.valid_through, need.quantity)
        if rest and self.shelf.late_surplus:
            late, rest = self.shelf.take_late(need.valid_through, rest, single=False)
            self._note_late(need, late)
            takes += late
        line = need.line
        if line is not None:
            if takes:
                write_takes(line, takes)
            self.asked.append((line, need.day, None, ()))
        return rest

    def _serve_one(self, need: Need) -> int:
        """As ``_serve``, with the need's own reservations before, and from one source where it must be."""
        takes, late, rest, too_small = _take(self.shelf, need)
        self._note_late(need, late)
        line = need.line
        if line is not None:
            write_takes(line, [*need.reserved, *takes, *late])
            # A lot whose reserved part was taken is not passed over, however small its rest.
            taken = {row.code for row, _ in need.reserved}
            too_small = [lot for lot in too_small if lot not in taken]
            self.asked.append((line, need.day, self.own_reserved.get(need.owner), too_small))
        return rest

    def _note_late(self, need: Need, late: Takes) -> None:
        if late and not need.safety_only:
            self.book.unmet[need.day, self.item.code, "late"] += sum(part for _, part in late)

    def _floor_missing(self, day: int) -> int:
        """How far supply is below the safety stock on ``day``, on the days when that is looked at."""
        if self.floor_from <= day <= self.book.to_day:
            return self.shelf.missing_from(self.item.safety_stock, day)
        return 0

    def _answer(self, day: int, open_needs: list[tuple[Need, int]]) -> int:
        """Propose for the open needs of ``day`` and for its safety floor; returns the floor's difference.

        Needs that take one lot each come first, a proposal of its own for each; what those leave
        counts for the floor; then the other needs and the floor's difference as one.
        """
        source = self.source
        answered = self._answerable(day, open_needs)
        number = 1
        surplus: list[Supply] = []
        for need, quantity in answered:
            if need.single_lot and source:
                surplus += source.propose(day, [(need, quantity)], number, self._later_use(surplus))
                number = len(surplus) + 1
        pooled: OpenNeeds = [(need, quantity) for need, quantity in answered if not need.single_lot]
        todays = sum(row.rest for row in surplus if row.last_day >= day)
        missing = max(0, self._floor_missing(day) - todays)
        if missing and source and source.fresh_last_day(day) >= day:
            pooled.append((None, missing))
        if pooled and source:
            surplus += source.propose(day, pooled, number, self._later_use(surplus))
        # Only now: what a day's proposals leave serves later days.
        for row in surplus:
            self.shelf.add_surplus(row)
            if row.rest:
                self._watch_floor_after(row.last_day)
        return missing

    def _answerable(self, day: int, open_needs: list[tuple[Need, int]]) -> list[tuple[Need, int]]:
        """The open needs a proposal can answer; the others are unmet, with the reason."""
        book, item = self.book, self.item
        if not open_needs:
            return []
        if self.source is None:
            reason = "no_formula" if item.kind in ("product", "intermediate") else "no_offer"
            fresh_last_day = -1
        else:
            reason = "life"
            fresh_last_day = self.source.fresh_last_day(day)
        answered = []
        for need, quantity in open_needs:
            if fresh_last_day >= need.valid_through:
                answered.append((need, quantity))
                if need.line is not None:
                    need.line.proposed += quantity
            elif not need.safety_only:
                book.unmet[day, item.code, reason] += quantity
        return answered

    def _later_use(self, todays_surplus: Sequence[Supply]) -> LaterUse:
        """What needs of later days would draw from an endless surplus, tried on a copy of the shelf."""

        def later_use(last_day: int, here_on: int, at_most: int) -> int:
            shelf = self.shelf.copy()
            for row in todays_surplus:
                shelf.add_surplus(row.twin())
            endless = surplus_row(last_day, here_on, ENDLESS, order=NEVER)
            shelf.add_surplus(endless)
            for place in range(self.later_from, len(self.needs)):
                need = self.needs[place]
                if need.day > last_day or ENDLESS - endless.rest >= at_most:
                    break
                shelf.advance(need.day)
                _take(shelf, need)
            return min(at_most, ENDLESS - endless.rest)

        return later_use

    def _plan_floor_days(self) -> None:
        """The floor is looked at when a fresh proposal can first be here, then after needs and expiries."""
        self.floor_from = floor_looked_at_from(self.book, self.item, self.source)
        if self.floor_from <= self.book.to_day:
            self.floor_days = [self.floor_from]
        for row in self.supply:
            self._watch_floor_after(row.last_day)

    def _watch_floor_after(self, last_day: int) -> None:
        if self.floor_from < last_day + 1 <= self.book.to_day:
            heappush(self.floor_days, last_day + 1)


def floor_looked_at_from(book: Book, item: Item, source: Making | Buying | None) -> int:
    """The first day on which safety stock is looked at: when a fresh proposal can first be here."""
    lead_days = source.lead_days if source else item.lead_time_days
    return book.from_day + lead_days + item.release_days


def _take(shelf: Shelf, need: Need) -> tuple[Takes, Takes, int, Sequence[str]]:
    """Serve one need from the shelf: what is here, else late surplus.

    Returns the takes of each, what is still uncovered, and the lots that were too small for a single one.
    """
    too_small: Sequence[str] = ()
    late: Takes = []
    if need.single_lot:
        takes, rest, too_small = shelf.take_single(need.valid_through, need.open)
    else:
        takes, rest = shelf.take(need.valid_through, need.open)
    if rest and shelf.late_surplus:
        late, rest = shelf.take_late(need.valid_through, rest, single=need.single_lot)
    return takes, late, rest, too_small


def write_takes(line: BatchLine, takes: Takes) -> None:
    """Fill a shown line: lots that are ready, what is expected, and the part that proposals answer."""
    if len(takes) == 1 and takes[0][0].kind != SURPLUS:  # by far the most common case
        row, quantity = takes[0]
        line.short -= quantity
        if row.ready:
            line.lots = [(row.code, quantity)]
        else:
            line.expected = [Expected(source_name(row), quantity, row.here_on)]
        return
    lots: dict[str, int] = {}
    expected: dict[tuple[int, str], int] = {}  # by day, then source
    for row, quantity in takes:
        if row.kind == SURPLUS:
            line.proposed += quantity
            continue
        line.short -= quantity
        if row.ready:
            lots[row.code] = lots.get(row.code, 0) + quantity
        else:
            key = (row.here_on, source_name(row))
            expected[key] = expected.get(key, 0) + quantity
    if lots:
        line.lots = list(lots.items())
    if expected:
        line.expected = [Expected(source, expected[day, source], day) for day, source in sorted(expected)]
