"""Proposals: batches to make and packs to buy for what supply does not cover on one day.

Writes make and buy rows, and the needs of the makings' lines, into an item's outcome. No clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from math import gcd

from planner.engine.allocate import Supply, surplus_row
from planner.engine.book import Book, RowIds, lives_through
from planner.engine.explode import line_quantities
from planner.engine.lotsize import cut_sizes, single_lot_limits
from planner.engine.needs import PROPOSED, Need
from planner.engine.outcome import Given, Outcome
from planner.engine.packs import Choice, choose_packs, no_waste
from planner.engine.problem import Formula, Item, Line, Offer
from planner.engine.result import Buy, Expected, Make, Pack, Peg

# Needs with what is still open of them, in order of service; None is the safety stock, last.
OpenNeeds = list[tuple[Need | None, int]]
# What needs after ``day`` would draw from an endless surplus: (last day, here on, at most) -> steps.
LaterUse = Callable[[int, int, int], int]


class Making:
    """Proposes batches of one made item by its chosen formula."""

    def __init__(self, book: Book, item: Item, given: Given, outcome: Outcome) -> None:
        """What is proposed is written into ``outcome``."""
        self.book, self.item, self.given, self.outcome = book, item, given, outcome
        self._id = RowIds()
        self.lead_days = item.lead_time_days
        self.largest_charge = book.largest_charges[item.code]
        self.limits: list[tuple[int, int]] = []
        if self.largest_charge is not None:
            self.limits = single_lot_limits(item.code, book.chosen, book.largest_charges, book.drawn)

    @cached_property
    def formula(self) -> Formula:
        """With its lines as objects: each making goes through all of them."""
        chosen = self.book.chosen[self.item.code]
        return replace(chosen, lines=tuple(chosen.lines))

    @cached_property
    def _lines(self) -> list[tuple[Line, int]]:
        """Each line, and how many days its item must still live."""
        return [(line, self.book.items[line.item].min_remaining_days) for line in self.formula.lines]

    def fresh_last_day(self, day: int) -> int:
        """The last day of what would be made for ``day``, judged by the start that would be in time."""
        return lives_through(self._start(day) + self.lead_days, self.item.life_days)

    def propose(self, day: int, open_needs: OpenNeeds, number: int, later_use: LaterUse) -> list[Supply]:
        """Cut batches for ``open_needs`` of ``day``, numbered from ``number``; returns a supply row for each.

        A row's rest is what the batch gives beyond its needs, which may be nothing; what goes to the
        safety stock is free for later needs and so is part of it.
        """
        book, item, outcome = self.book, self.item, self.outcome
        start = self._start(day)
        made = max(start, book.from_day) + self.lead_days
        wanted = sum(quantity for _, quantity in open_needs)
        cuts = cut_sizes(wanted, self.formula, self.largest_charge, self.limits)
        rows = []
        for shares, (charge, output) in zip(_fill(open_needs, [output for _, output in cuts]), cuts, strict=True):
            safety_only = _safety_only(shares)
            late = start < book.from_day and not safety_only
            excess = output - sum(quantity for _, quantity in shares)
            make = Make(
                id="",
                item=item.code,
                formula=self.formula.formula,
                version=self.formula.version,
                quantity=output,
                charge=charge,
                start_on=start,
                due_on=day,
                late=late,
                coming=_coming(self.given, day, shares),
                excess=excess,
                pegged_to=_pegs(shares, day),
            )
            make.id = self._id(_make_content(make))
            outcome.makes.append((number, make))
            if late:
                _note_late(outcome, day, shares)
            self._add_line_needs(make, number, safety_only)
            rows.append(_surplus(outcome, item, made, output, shares))
            number += 1
        return rows

    def _start(self, day: int) -> int:
        return self.book.open_days.last_not_after(day - self.lead_days - self.item.release_days)

    def _add_line_needs(self, make: Make, number: int, safety_only: bool) -> None:
        """The lines of a making are needed on the day it really starts."""
        needs = self.outcome.line_needs
        day = max(make.start_on, self.book.from_day)
        order = (PROPOSED, make.item, make.due_on, number)
        to = f"make:{make.id}"
        quantities = line_quantities(self.formula, make.charge)
        for (line, remaining), quantity in zip(self._lines, quantities, strict=True):
            if quantity:
                need = Need(day, order, line.position, quantity, day + remaining, to, line.single_lot, safety_only)
                needs.append((line.item, need))


class Buying:
    """Proposes packs of one bought item."""

    def __init__(
        self, book: Book, item: Item, suppliers: Sequence[Sequence[Offer]], given: Given, outcome: Outcome
    ) -> None:
        """What is proposed is written into ``outcome``."""
        self.book, self.item, self.suppliers, self.given, self.outcome = book, item, suppliers, given, outcome
        leads = [offer.lead_time_days for offers in suppliers for offer in offers]
        self._longest_lead_days = max(leads)
        self._step = gcd(*(offer.pack for offers in suppliers for offer in offers))
        self._chosen: dict[tuple[int, int], Choice] = {}

    def fresh_last_day(self, day: int) -> int:
        """The last day of what would arrive in time for ``day``."""
        return lives_through(self._arrival_in_time(day), self.item.life_days)

    def propose(self, day: int, open_needs: OpenNeeds, number: int, later_use: LaterUse) -> list[Supply]:
        """One row of packs for ``open_needs`` of ``day``; returns a supply row with what it leaves."""
        book, item = self.book, self.item
        wanted = sum(quantity for _, quantity in open_needs)
        slack_days = day - item.release_days - book.from_day
        choice = self._choose(wanted, day, slack_days, later_use)
        order_by = day - choice.longest_lead_days - item.release_days
        safety_only = _safety_only(open_needs)
        late = order_by < book.from_day and not safety_only
        buy = Buy(
            id="",  # given when free and runs_out_on are known
            item=item.code,
            quantity=choice.quantity,
            packs=_packs(choice),
            cost_e4=choice.cost_e4,
            need_on=day,
            order_by=order_by,
            late=late,
            free=0,
            coming=_coming(self.given, day, open_needs),
            runs_out_on=None,
            excess=choice.quantity - wanted,
            waste=choice.waste,
            pegged_to=_pegs(open_needs, day),
        )
        self.outcome.buys.append((number, buy))
        if late:
            _note_late(self.outcome, day, open_needs)
        arrival = self._arrival(day, choice.longest_lead_days)
        return [_surplus(self.outcome, item, arrival, choice.quantity, open_needs)]

    def _choose(self, wanted: int, day: int, slack_days: int, later_use: LaterUse) -> Choice:
        """The packs for what is wanted.

        Where nothing that is bought for the day spoils before the plan ends, quantities that the same numbers of packs
        cover have one choice: the excess of all that cover them differs by the same. Plans ask for it again and again.
        """
        if self.fresh_last_day(day) <= self.book.to_day:
            return choose_packs(wanted, self.suppliers, slack_days, self._waste_of(day, later_use))
        key = min(slack_days, self._longest_lead_days), -(-wanted // self._step)
        choice = self._chosen.get(key)
        if choice is None:
            choice = choose_packs(key[1] * self._step, self.suppliers, slack_days, no_waste)
            self._chosen[key] = choice
        return choice

    def _arrival_in_time(self, day: int) -> int:
        return self.book.open_days.last_not_after(day - self.item.release_days)

    def _arrival(self, day: int, longest_lead_days: int) -> int:
        """The day the packs are here when ordered in time, else when ordered on the plan's first day."""
        if day - longest_lead_days - self.item.release_days >= self.book.from_day:
            return self._arrival_in_time(day)
        return self.book.from_day + longest_lead_days

    def _waste_of(self, day: int, later_use: LaterUse) -> Callable[[int, int], int]:
        known: dict[int, tuple[int, int]] = {}  # longest lead -> (asked up to, used)

        def waste_of(excess: int, longest_lead_days: int) -> int:
            arrival = self._arrival(day, longest_lead_days)
            last_day = lives_through(arrival, self.item.life_days)
            if last_day > self.book.to_day:
                return 0
            asked, used = known.get(longest_lead_days, (0, 0))
            if asked < excess and used == asked:
                asked = 2 * excess
                used = later_use(last_day, arrival + self.item.release_days, asked)
                known[longest_lead_days] = asked, used
            return max(0, excess - used)

        return waste_of


def source_of(book: Book, item: Item, given: Given, outcome: Outcome) -> Making | Buying | None:
    """How the item is got: made by its chosen formula, else bought by its offers, else not at all."""
    if item.code in book.chosen:
        return Making(book, item, given, outcome)
    suppliers = book.terms.suppliers_of(item.code)
    return Buying(book, item, suppliers, given, outcome) if suppliers else None


def lead_days_of(book: Book, item: Item) -> int:
    """How long it takes to make, else to get from the quickest offer; the item's own where nobody offers it."""
    leads = [offer.lead_time_days for offers in book.terms.suppliers_of(item.code) for offer in offers]
    return item.lead_time_days if item.code in book.chosen else min(leads, default=item.lead_time_days)


def _fill(open_needs: OpenNeeds, outputs: list[int]) -> Iterator[OpenNeeds]:
    """Fill the cuts one after another with the needs in their order; the shares of each cut."""
    waiting = open_needs[::-1]
    for room in outputs:
        shares: OpenNeeds = []
        while room and waiting:
            need, quantity = waiting.pop()
            share = min(room, quantity)
            shares.append((need, share))
            room -= share
            if share < quantity:
                waiting.append((need, quantity - share))
        yield shares


def _safety_only(shares: OpenNeeds) -> bool:
    return all(need is None or need.safety_only for need, _ in shares)


def _coming(given: Given, day: int, shares: OpenNeeds) -> list[Expected]:
    """The firm supply that comes after ``day``, where a need (not the safety stock alone) is answered."""
    if all(need is None for need, _ in shares):
        return []
    return given.coming[bisect_right(given.coming, day, key=lambda each: each.day) :]


def _pegs(shares: OpenNeeds, day: int) -> list[Peg]:
    return [Peg("safety" if need is None else need.to, day, quantity) for need, quantity in shares]


def _packs(choice: Choice) -> list[Pack]:
    return [Pack(choice.supplier, offer.pack, count, offer.pack_text) for offer, count in choice.packs]


def _note_late(outcome: Outcome, day: int, shares: OpenNeeds) -> None:
    """What a late proposal answers is unmet as ``late``, safety stock and what only refills it apart."""
    late = sum(quantity for need, quantity in shares if need is not None and not need.safety_only)
    if late:
        outcome.unmet[day, "late"] += late


def _surplus(outcome: Outcome, item: Item, made_or_received: int, quantity: int, shares: OpenNeeds) -> Supply:
    """What is left beyond needs, as supply; what is pegged to safety stays free for later needs."""
    needed = sum(share for need, share in shares if need is not None)
    return surplus_row(
        lives_through(made_or_received, item.life_days),
        made_or_received + item.release_days,
        quantity - needed,
        order=len(outcome.makes) + len(outcome.buys),  # earlier proposals first
    )


def _make_content(make: Make) -> list[object]:
    return [
        "make",
        *(make.item, make.formula, make.version, make.quantity, make.charge),
        *(make.start_on, make.due_on, make.late, make.excess),
        [[each.source, each.quantity, each.day] for each in make.coming],
        [[peg.to, peg.day, peg.quantity] for peg in make.pegged_to],
    ]


def buy_content(buy: Buy) -> list[object]:
    """What a buy row says, for its id."""
    return [
        "buy",
        *(buy.item, buy.quantity, buy.cost_e4, buy.need_on, buy.order_by, buy.late),
        *(buy.free, buy.runs_out_on, buy.excess, buy.waste),
        [[pack.supplier, pack.pack, pack.count] for pack in buy.packs],
        [[each.source, each.quantity, each.day] for each in buy.coming],
        [[peg.to, peg.day, peg.quantity] for peg in buy.pegged_to],
    ]
