"""The plan while it is being made: what the problem holds, by item, and the rows written so far.

Private to one run of ``plan``; pure otherwise.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from hashlib import sha256
from itertools import groupby, pairwise

import numpy as np

from planner.engine.allocate import FIRM_OUTPUT, ORDER, Supply
from planner.engine.explode import PERCENT, formula_output
from planner.engine.firm import FirmBatches
from planner.engine.levels import low_level_codes
from planner.engine.lotsize import largest_charges
from planner.engine.needs import Need
from planner.engine.opendays import OpenDays
from planner.engine.packs import by_supplier
from planner.engine.passed_over import LotReasons, here_on
from planner.engine.portions import Portions
from planner.engine.problem import NEVER, WHOLE, Batch, Formula, Item, Offer, Order, Problem, Reservation
from planner.engine.result import BatchLine, Buy, Expected, Make, PlanError
from planner.engine.stock import StockColumns

# By batch or demand what it has reserved of each portion (index among the lots).
OwnReserved = dict[str | int | None, dict[int, int]]
# A line, its day, what its batch has reserved of each portion, and the lots that were too small for it.
Asked = tuple[BatchLine, int, Mapping[int, int] | None, Collection[str]]


class Book:
    """One problem read into maps by item, and the answer as it grows."""

    def __init__(self, problem: Problem, *, with_lines: bool = True) -> None:
        """``with_lines``: the lines of batches get rows to show.

        Raises PlanError: unknown_item, unknown_formula, loop, formula_size, percent_sum, no_open_days.
        """
        self.problem = problem
        self.lots = Portions.of(problem.lots)
        self.from_day, self.to_day = problem.from_day, problem.to_day
        self.open_days = OpenDays(problem.open_weekdays)
        self.items = {item.code: item for item in problem.items}
        check_references(problem, self.lots.item, self.items)
        self.formulas = {(each.formula, each.version): _by_position(each) for each in problem.formulas}
        self.chosen = chosen_formulas(self.formulas.values())
        self.batch_formulas = [self._formula_of(batch) for batch in problem.batches]
        used = {id(each): each for each in [*self.chosen.values(), *self.batch_formulas]}
        self.levels = self._levels(used.values())
        self.drawn = {code for code, item in self.items.items() if item.drawn}
        self.largest_charges = largest_charges(self.chosen, self.levels, self.drawn)

        # Items are numbered in the order in which they are netted: one level after the other, by code.
        self.order = sorted(self.items.values(), key=lambda item: (self.levels[item.code], item.code))
        self.numbers = {item.code: number for number, item in enumerate(self.order)}
        self._lots_of: dict[str, list[int]] | None = None
        offers_of: dict[str, list[Offer]] = defaultdict(list)
        for offer in problem.offers:
            offers_of[offer.item].append(offer)
        self.suppliers_of = {item: by_supplier(offers) for item, offers in offers_of.items()}
        self._orders_of: dict[str, list[Order]] = defaultdict(list)
        for order in problem.orders:
            self._orders_of[order.item].append(order)
        self._made_by: dict[str, list[tuple[Batch, int]]] = defaultdict(list)
        for batch, formula in zip(problem.batches, self.batch_formulas, strict=True):
            output = 0 if batch.trial else formula_output(formula, batch.charge)
            if output:
                self._made_by[formula.item].append((batch, output))

        self.reserved_on = [0] * len(self.lots)
        self.reserved_used = [0] * len(self.lots)  # the part of it that needs can use
        self.reservations_of: dict[str, list[Reservation]] = defaultdict(list)
        for reservation in problem.reservations:
            self.reserved_on[reservation.lot] += reservation.quantity
            self.reservations_of[self.lots.item[reservation.lot]].append(reservation)
        reserved_on = np.array(self.reserved_on, dtype=np.int64)
        on_hand = self.lots.quantity
        of_lot = np.array([self.numbers[code] for code in self.lots.item], dtype=np.int64)
        drawn_lot = np.array([item.drawn for item in self.order], dtype=bool)[of_lot]
        self.lots_left = np.where(drawn_lot, on_hand, np.maximum(0, on_hand - reserved_on))
        self.left: list[int] = []  # the same once every item is netted
        self.stock = StockColumns(
            lots=self.lots,
            item_of_lot=np.where(drawn_lot, -1, of_lot),
            lots_left=self.lots_left,
            others=[*self._all_orders(), *self._all_outputs()],
            items=len(self.order),
            from_day=self.from_day,
        )
        self.firm = FirmBatches(
            zip(problem.batches, self.batch_formulas, strict=True),
            self.numbers,
            self.from_day,
            self.to_day if with_lines else None,
        )
        self.needs: dict[str, list[Need]] = defaultdict(list)  # of demands and of proposals' lines
        self.places_of_lots = self.stock.places_of_lots()
        self.kept: dict[int, list[tuple[int, int]]] = {}  # by line of a firm batch: rows of the stock reserved for it
        # By item number lines that netting wrote, and what their passed-over lots hang on; told when a plan is shown.
        self.asked: dict[int, list[Asked]] = defaultdict(list)
        self.own_reserved: dict[str, OwnReserved] = {}  # by item, where anything is set aside
        self.requirements: list[tuple[int, int, int, int, int]] = []  # item number, day, gross, covered, short
        self.unmet: dict[tuple[int, str, str], int] = defaultdict(int)  # (day, item, reason) -> steps
        self.makes: list[tuple[int, Make]] = []  # with the number of the cut on its day
        self.buys: list[tuple[int, Buy]] = []  # with the number of the row on its day
        self._receipts: dict[str, list[Expected]] = {}
        self._ids: dict[str, int] = defaultdict(int)

    def _formula_of(self, batch: Batch) -> Formula:
        formula = self.formulas.get((batch.formula, batch.version))
        if formula is None:
            raise PlanError("unknown_formula", f"batch {batch.batch}: no formula {batch.formula} {batch.version}")
        return formula

    def _levels(self, used: Iterable[Formula]) -> dict[str, int]:
        """Low-level codes over the formulas in use: those chosen and those of firm batches."""
        uses: dict[str, set[str]] = {code: set() for code in self.items}
        for formula in used:
            if formula.basis == PERCENT and sum(line.percent for line in formula.lines) != WHOLE:
                raise PlanError("percent_sum", f"formula {formula.formula}: lines do not sum to 100 %")
            uses[formula.item].update(line.item for line in formula.lines)
        return low_level_codes(uses)

    def level_bounds(self) -> Iterator[tuple[int, int]]:
        """The numbers of each level's items, from the top down: the first, and one past the last."""
        first = 0
        for _, items in groupby(self.order, key=lambda item: self.levels[item.code]):
            last = first + sum(1 for _ in items)
            yield first, last
            first = last

    def _all_orders(self) -> Iterator[tuple[int, Supply]]:
        for code, orders in self._orders_of.items():
            for number, order in enumerate(orders):
                yield self.numbers[code], self._order(order, number, self.items[code])

    def _all_outputs(self) -> Iterator[tuple[int, Supply]]:
        for code, made in self._made_by.items():
            for batch, output in made:
                yield self.numbers[code], self._output(batch, output, self.items[code])

    def lots_of(self, item: Item) -> Sequence[int]:
        """The item's lots, as places in the problem."""
        if self._lots_of is None:
            self._lots_of = defaultdict(list)
            for index, code in enumerate(self.lots.item):
                self._lots_of[code].append(index)
        return self._lots_of.get(item.code, ())

    def reasons_of(self, item: Item) -> LotReasons:
        """Why lines take nothing of the item's lots, to be asked by day."""
        portions = [(index, self.lots[index], self.reserved_on[index]) for index in self.lots_of(item)]
        return LotReasons(portions, self.from_day, item.min_remaining_days)

    def _order(self, order: Order, number: int, item: Item) -> Supply:
        received = max(self.from_day, order.due_on)
        last_day = order.expires_on
        if last_day is None:
            last_day = lives_through(received, item.life_days)
        return Supply(
            last_day=last_day,
            here_on=max(self.from_day, order.due_on + item.release_days),
            kind=ORDER,
            code=order.order,
            rest=order.quantity,
            received_on=received,
            tie=(order.due_on, number),
        )

    def _output(self, batch: Batch, output: int, item: Item) -> Supply:
        planned = batch.planned_for + item.lead_time_days
        made = max(self.from_day, planned)
        return Supply(
            last_day=lives_through(made, item.life_days),
            here_on=max(self.from_day, planned + item.release_days),
            kind=FIRM_OUTPUT,
            code=batch.batch,
            rest=output,
            received_on=made,
        )

    def coming_after(self, item: Item, day: int) -> list[Expected]:
        """Every order and firm batch of the item that is here after ``day``, whole, by day and code."""
        receipts = self._receipts.get(item.code)
        if receipts is None:
            rows = [self._order(order, 0, item) for order in self._orders_of.get(item.code, ())]
            rows.extend(self._output(batch, output, item) for batch, output in self._made_by.get(item.code, ()))
            rows.sort(key=lambda row: (row.here_on, row.code, row.kind, row.rest))
            receipts = [Expected(source_name(row), row.rest, row.here_on) for row in rows]
            self._receipts[item.code] = receipts
        return receipts[bisect_right(receipts, day, key=lambda each: each.day) :]

    def is_ready(self, index: int) -> bool:
        """Whether a portion is released, here and unexpired on the plan's first day."""
        lot = self.lots[index]
        return (
            lot.status == "released"
            and not lot.set_apart
            and lot.retest_on >= self.from_day
            and lot.last_day >= self.from_day
            and here_on(lot, self.from_day) == self.from_day
        )

    def free_of(self, item: Item, last_day: int) -> int:
        """What the plan leaves of the item's ready portions that live through ``last_day``."""
        if item.drawn:
            return 0
        return sum(
            self.left[index]
            for index in self.lots_of(item)
            if self.lots.last_day[index] >= last_day and self.is_ready(index)
        )

    def row_id(self, content: Sequence[object]) -> str:
        """A hash of a row's content; rows equal in content are told apart by a running number."""
        text = json.dumps(content)
        number = self._ids[text]
        self._ids[text] += 1
        return sha256(f"{text}#{number}".encode() if number else text.encode()).hexdigest()[:12]


def lives_through(day: int, life_days: int | None) -> int:
    """The last day of what is made or received on ``day``."""
    return NEVER if life_days is None else day + life_days


def source_name(row: Supply) -> str:
    """How the answer names a lot, order or firm batch."""
    return f"{('lot', 'order', 'batch')[row.kind]}:{row.code}"


def chosen_formulas(formulas: Iterable[Formula]) -> dict[str, Formula]:
    """The formula each item is made by: preferred, then by code; its highest approved version."""
    chosen: dict[str, Formula] = {}
    for formula in formulas:
        if not formula.approved:
            continue
        other = chosen.get(formula.item)
        if other is None or _choice_rank(formula) < _choice_rank(other):
            chosen[formula.item] = formula
    return chosen


def _choice_rank(formula: Formula) -> tuple[bool, str, int]:
    return not formula.preferred, formula.formula, -formula.version


def _by_position(formula: Formula) -> Formula:
    positions = [line.position for line in formula.lines]
    if all(one <= other for one, other in pairwise(positions)):
        return formula
    return replace(formula, lines=tuple(sorted(formula.lines, key=lambda line: line.position)))


def check_references(problem: Problem, of_lots: Iterable[str], items: dict[str, Item]) -> None:
    """Raises PlanError ``unknown_item`` where a row names an item that is not among the problem's."""
    named = set(of_lots)
    for rows in (problem.orders, problem.offers, problem.formulas, problem.demands):
        named.update(row.item for row in rows)
    for formula in problem.formulas:
        for line in formula.lines:
            named.add(line.item)
            if line.substitutes:
                named.update(substitute.item for substitute in line.substitutes)
    missing = sorted(named - items.keys())
    if missing:
        raise PlanError("unknown_item", f"no item {missing[0]}")
