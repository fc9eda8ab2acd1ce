"""Gross-to-net, need by need: one item's needs against its supply, day by day, and proposals for what is left open.

The method is gross-to-net netting of material requirements planning, on calendar days and with lots that
expire. Items are netted in order of their low-level codes, so all needs of an item are known. This is the rule
in full; ``sweep`` serves as many needs as it can before.
"""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heappop, heappush

from planner.engine.allocate import SURPLUS, Shelf, Supply, Takes, surplus_row
from planner.engine.book import Book
from planner.engine.columns import whole_numbers
from planner.engine.needs import Need
from planner.engine.outcome import Given, ItemNeeds, Outcome
from planner.engine.pegs import Taken
from planner.engine.problem import NEVER, Item
from planner.engine.propose import Buying, LaterUse, Making, OpenNeeds, lead_days_of, source_of

ENDLESS = 1 << 60


class Netting:
    """One item being netted, once; what came before its needs is served and gone from its supply."""

    def __init__(self, book: Book, item: Item, given: Given) -> None:
        self.book, self.item, self.given, self.needs = book, item, given, given.needs
        self.supply = [
            Supply(last_day, here_on, kind, rest, place, lot)
            for place, last_day, here_on, kind, rest, lot in zip(*given.supply, strict=True)
        ]
        self.outcome = Outcome()
        self.taken = Taken([], [], [])
        self.source: Making | Buying | None = source_of(book, item, given, self.outcome)
        self.runs_out_on: int | None = None
        self.shelf = Shelf(self.supply)
        self.later_from = 0  # place of the first need after the day being netted
        self.floor_from = NEVER
        self.floor_days: list[int] = []
        if item.safety_stock:
            self._plan_floor_days()

    def run(self) -> Outcome:
        """Day by day: serve the needs in order, look at the safety floor, propose for what is open."""
        days, outcome = self.needs.day, self.outcome
        place, count = 0, len(days)
        while place < count or self.floor_days:
            day = days[place] if place < count else NEVER
            while self.floor_days and self.floor_days[0] <= day:
                day = heappop(self.floor_days)
            first = place
            while place < count and days[place] == day:
                place += 1
            self.later_from = place
            self._net_day(day, first, place)
        outcome.taken = self.taken.pegs()
        outcome.rows = whole_numbers(self.given.supply.place)
        outcome.rest = whole_numbers([row.rest for row in self.supply])
        for _, buy in outcome.buys:
            buy.runs_out_on = self.runs_out_on
        return outcome

    def _net_day(self, day: int, first: int, past: int) -> None:
        """Net the needs of ``day``, those at the places from ``first`` up to ``past``."""
        needs, shelf = self.needs, self.shelf
        shelf.advance(day)
        gross = short = 0
        open_needs: list[tuple[Need, int]] = []
        for place in range(first, past):
            gross += needs.quantity[place]
            takes, rest, late, too_small = _take(shelf, needs, place)
            if needs.of_batch[place]:
                self._note_pegs(place, takes, too_small)
            if late and not needs.safety_only[place]:
                self.outcome.unmet[day, "late"] += late
            if rest:
                short += rest
                open_needs.append((needs.need(place), rest))
                if self.runs_out_on is None and not needs.safety_only[place]:
                    self.runs_out_on = day
        covered = gross - short
        if open_needs or (self.floor_from <= day and self._floor_missing(day)):
            short += self._answer(day, open_needs)
        if day <= self.book.to_day and (gross or short):
            self.outcome.requirements.append((day, gross, covered, short))

    def _note_pegs(self, place: int, takes: Takes, too_small: Sequence[str]) -> None:
        """What a line of a firm batch takes: of firm supply, and of what proposals leave."""
        outcome = self.outcome
        for row, part in takes:
            if row.kind == SURPLUS:
                outcome.proposed[place] += part
            else:
                self.taken.add(place, row.place, part)
        if too_small:
            outcome.too_small[place] = too_small

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
        item, outcome = self.item, self.outcome
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
                if need.line >= 0:
                    outcome.proposed[need.line] += quantity
            elif not need.safety_only:
                outcome.unmet[day, reason] += quantity
        return answered

    def _later_use(self, todays_surplus: Sequence[Supply]) -> LaterUse:
        """What needs of later days would draw from an endless surplus, tried on a copy of the shelf."""

        def later_use(last_day: int, here_on: int, at_most: int) -> int:
            shelf = self.shelf.copy()
            for row in todays_surplus:
                shelf.add_surplus(row.twin())
            endless = surplus_row(last_day, here_on, ENDLESS, order=NEVER)
            shelf.add_surplus(endless)
            for place in range(self.later_from, len(self.needs.day)):
                day = self.needs.day[place]
                if day > last_day or ENDLESS - endless.rest >= at_most:
                    break
                shelf.advance(day)
                _take(shelf, self.needs, place)
            return min(at_most, ENDLESS - endless.rest)

        return later_use

    def _plan_floor_days(self) -> None:
        """The floor is looked at when a fresh proposal can first be here, then after needs and expiries."""
        served_through = self.given.served_through
        self.floor_from = floor_looked_at_from(self.book, self.item)
        if served_through < self.floor_from <= self.book.to_day:
            self.floor_days = [self.floor_from]
        for last_day in self.given.expiries:
            if last_day >= served_through:
                self._watch_floor_after(last_day)

    def _watch_floor_after(self, last_day: int) -> None:
        if self.floor_from < last_day + 1 <= self.book.to_day:
            heappush(self.floor_days, last_day + 1)


def floor_looked_at_from(book: Book, item: Item) -> int:
    """The first day on which safety stock is looked at: when a fresh proposal can first be here."""
    return book.from_day + lead_days_of(book, item) + item.release_days


def _take(shelf: Shelf, needs: ItemNeeds, place: int) -> tuple[Takes, int, int, Sequence[str]]:
    """Serve one need from the shelf: from what is here, else from late surplus.

    Returns the takes, what is still uncovered, how much was late, and the lots that were too small for a single one.
    """
    single_lot = needs.single_lot[place]
    too_small: Sequence[str] = ()
    if single_lot:
        takes, rest, too_small = shelf.take_single(needs.valid_through[place], needs.open[place])
    else:
        takes, rest = shelf.take(needs.valid_through[place], needs.open[place])
    if not rest or not shelf.late_surplus:
        return takes, rest, 0, too_small
    late, uncovered = shelf.take_late(needs.valid_through[place], rest, single=single_lot)
    return takes + late, uncovered, rest - uncovered, too_small
