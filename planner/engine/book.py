"""The plan while it is being made: what the problem holds, by item, and the rows written so far.

Private to one run of ``plan``; pure otherwise.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from hashlib import sha256
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from planner.engine.allocate import FIRM_OUTPUT, ORDER
from planner.engine.batches import BatchColumns
from planner.engine.columns import whole_numbers
from planner.engine.explode import PERCENT, formula_loss, outputs_of
from planner.engine.firm import FirmBatches
from planner.engine.formula_lines import LinesOf, line_columns
from planner.engine.levels import levels_of
from planner.engine.lotsize import largest_charges
from planner.engine.needs import Need
from planner.engine.opendays import OpenDays
from planner.engine.packs import by_supplier
from planner.engine.passed_over import LotReasons, here_on
from planner.engine.portions import Portions
from planner.engine.problem import NEVER, WHOLE, Formula, Item, Offer, Problem
from planner.engine.reservations import ReservationColumns
from planner.engine.result import Buy, Expected, Make, PlanError
from planner.engine.stock import Receipts, StockColumns, receipt_name

# By batch or demand what it has reserved of each portion (index among the lots).
OwnReserved = Mapping[str | int | None, Mapping[int, int]]


class ReservedRows(NamedTuple):
    """Reservations of usable portions: item number, number of the holder, row of the stock, quantity."""

    item: np.ndarray
    holder: np.ndarray
    row: np.ndarray
    quantity: np.ndarray


class Book:
    """One problem read into columns and maps by item, and the answer as it grows."""

    def __init__(self, problem: Problem) -> None:
        """Raises PlanError: unknown_item, unknown_formula, loop, formula_size, percent_sum, no_open_days."""
        self.problem = problem
        self.lots = Portions.of(problem.lots)
        self.from_day, self.to_day = problem.from_day, problem.to_day
        self.open_days = OpenDays(problem.open_weekdays)
        self.items = {item.code: item for item in problem.items}
        self.lines, self.first_line, self.past_line = line_columns(problem.formulas)
        self._check_references()
        self.formulas = [
            _with_lines(formula, LinesOf(self.lines, first, past))
            for formula, first, past in zip(
                problem.formulas, self.first_line.tolist(), self.past_line.tolist(), strict=True
            )
        ]
        self.batches = BatchColumns.of(problem.batches, problem.formulas)
        self.chosen = chosen_formulas(self.formulas)
        self.levels = self._levels()
        self.drawn = {code for code, item in self.items.items() if item.drawn}
        self.largest_charges = largest_charges(self.chosen, self.levels, self.drawn)

        # Items are numbered in the order in which they are netted: one level after the other, by code.
        self.order = sorted(self.items.values(), key=lambda item: (self.levels[item.code], item.code))
        self.numbers = {item.code: number for number, item in enumerate(self.order)}
        self._offers_of: dict[str, list[Offer]] = defaultdict(list)
        for offer in problem.offers:
            self._offers_of[offer.item].append(offer)
        self.receipts = self._receipts()

        self.reservations = ReservationColumns.of(problem.reservations)
        self.reserved_on = np.zeros(len(self.lots), dtype=np.int64)
        np.add.at(self.reserved_on, self.reservations.lot, self.reservations.quantity)
        self.reserved_used = np.zeros(len(self.lots), dtype=np.int64)  # the part of it that needs can use
        number_of_place = self.numbers_of(list(self.items))
        self.item_of_lot = number_of_place[self._place_of_lot]
        on_hand, drawn_lot = self.lots.quantity, self._column_of_items("drawn", np.bool_)[self.item_of_lot]
        self.lots_left = np.where(drawn_lot, on_hand, np.maximum(0, on_hand - self.reserved_on))
        self.left: list[int] = []  # the same once every item is netted
        self.stock = StockColumns(
            lots=self.lots,
            item_of_lot=np.where(drawn_lot, -1, self.item_of_lot),
            lots_left=self.lots_left,
            receipts=self.receipts,
            items=len(self.order),
            from_day=self.from_day,
        )
        self.firm = FirmBatches(
            self.batches,
            self.formulas,
            self.lines,
            self.first_line,
            self.past_line,
            number_of_place[self._place_of_line],
            len(self.order),
            self.from_day,
        )
        self.holders = len(self.firm) + len(problem.demands)  # whoever may have something reserved, batches first
        self.reserved_rows = self._reserved_rows()
        self.needs: dict[str, list[Need]] = defaultdict(list)  # of demands and of proposals' lines
        # By line of a firm batch: what proposals and their surplus answer, and the lots too small for a single one.
        self.proposed: dict[int, int] = defaultdict(int)
        self.too_small: dict[int, Sequence[str]] = {}
        self.requirements: list[tuple[int, int, int, int, int]] = []  # item number, day, gross, covered, short
        self.unmet: dict[tuple[int, str, str], int] = defaultdict(int)  # (day, item, reason) -> steps
        self.makes: list[tuple[int, Make]] = []  # with the number of the cut on its day
        self.buys: list[tuple[int, Buy]] = []  # with the number of the row on its day
        self._coming: dict[str, list[Expected]] = {}
        self.make_id = RowIds()

    def numbers_of(self, codes: Sequence[str]) -> np.ndarray:
        """The items' numbers."""
        return np.fromiter(map(self.numbers.__getitem__, codes), dtype=np.int64, count=len(codes))

    def _column_of_items(self, name: str, dtype: type = np.int64) -> np.ndarray:
        return np.array([getattr(item, name) for item in self.order], dtype=dtype)

    def _check_references(self) -> None:
        """Raises PlanError ``unknown_item`` where a row names an item that is not among the problem's."""
        problem = self.problem
        named: set[str] = set()
        for rows in (problem.orders, problem.offers, problem.formulas, problem.demands):
            named.update([row.item for row in rows])
        for substitutes in self.lines.substitutes.values():
            named.update(substitute.item for substitute in substitutes)
        try:
            self._place_of_lot, self._place_of_line = self._places(self.lots.item), self._places(self.lines.item)
        except KeyError:
            named.update(self.lots.item, self.lines.item)
        missing = sorted(named - self.items.keys())
        if missing:
            raise PlanError("unknown_item", f"no item {missing[0]}")

    def _places(self, codes: Sequence[str]) -> np.ndarray:
        """Where items stand in the problem. Raises KeyError."""
        places = {code: place for place, code in enumerate(self.items)}
        return np.fromiter(map(places.__getitem__, codes), dtype=np.int64, count=len(codes))

    def _levels(self) -> dict[str, int]:
        """Low-level codes over the formulas in use: those chosen and those of firm batches."""
        used = np.zeros(len(self.formulas), dtype=np.bool_)
        used[np.unique(self.batches.formula)] = True
        chosen = {id(formula) for formula in self.chosen.values()}
        used[[place for place, formula in enumerate(self.formulas) if id(formula) in chosen]] = True
        before = np.concatenate([[0], np.cumsum(self.lines.percent)])
        sums = before[self.past_line] - before[self.first_line]
        for place in np.flatnonzero(used & (sums != WHOLE)).tolist():
            if self.formulas[place].basis == PERCENT:
                raise PlanError("percent_sum", f"formula {self.formulas[place].formula}: lines do not sum to 100 %")
        made, part = self._places([formula.item for formula in self.formulas]), self._place_of_line
        by_line = np.argsort(self.first_line)
        formula = np.repeat(by_line, (self.past_line - self.first_line)[by_line])
        return dict(
            zip(self.items, levels_of(made[formula[used[formula]]], part[used[formula]], list(self.items)), strict=True)
        )

    def level_bounds(self) -> Iterator[tuple[int, int]]:
        """The numbers of each level's items, from the top down: the first, and one past the last."""
        levels = whole_numbers([self.levels[item.code] for item in self.order])
        edges = [0, *(np.flatnonzero(np.diff(levels)) + 1).tolist(), len(levels)]
        return pairwise(edges) if len(levels) else iter(())

    def _receipts(self) -> Receipts:
        orders, from_day = self.problem.orders, self.from_day
        formulas, batches = self.formulas, self.batches
        life = self._column_of_items("life_days", object)
        life_days = np.array([NEVER if days is None else days for days in life], dtype=np.int64)
        lead_days, release_days = self._column_of_items("lead_time_days"), self._column_of_items("release_days")
        made = self.numbers_of([formula.item for formula in formulas])
        yields = whole_numbers([formula.yield_percent for formula in formulas])
        losses = whole_numbers([formula_loss(formula) for formula in formulas])
        outputs = outputs_of(batches.charge, yields[batches.formula], losses[batches.formula])
        giving = np.flatnonzero((outputs > 0) & ~batches.trial)
        item = np.concatenate([self.numbers_of([order.item for order in orders]), made[batches.formula[giving]]])
        due_on = whole_numbers([order.due_on for order in orders])
        planned = batches.planned_for[giving] + lead_days[item[len(orders) :]]
        day = np.concatenate([due_on, planned])
        received_on = np.maximum(from_day, day)
        last_day = np.where(life_days[item] == NEVER, NEVER, received_on + life_days[item])
        for place, order in enumerate(orders):
            if order.expires_on is not None:
                last_day[place] = order.expires_on
        return Receipts(
            item=item,
            last_day=last_day,
            here_on=np.maximum(from_day, day + release_days[item]),
            kind=np.repeat([ORDER, FIRM_OUTPUT], [len(orders), len(giving)]),
            received_on=received_on,
            quantity=np.concatenate([whole_numbers([order.quantity for order in orders]), outputs[giving]]),
            code=[*(order.order for order in orders), *map(batches.code.__getitem__, giving.tolist())],
            tie=[*((order.due_on, number) for number, order in enumerate(orders)), *[()] * len(giving)],
        )

    def _reserved_rows(self) -> ReservedRows:
        rows, number_of_batch, batches = self.reservations, self.firm.number_of_batch, len(self.firm)
        holder = whole_numbers(
            [
                number_of_batch.get(batch, -1) if batch is not None else -1 if demand is None else batches + demand
                for batch, demand in zip(rows.batch, rows.demand, strict=True)
            ]
        )
        row = self.stock.places_of_lots()[rows.lot]
        known = np.flatnonzero((row >= 0) & (holder >= 0))
        return ReservedRows(self.stock.item[row[known]], holder[known], row[known], rows.quantity[known])

    def suppliers_of(self, code: str) -> list[list[Offer]]:
        """The item's offers by supplier."""
        return by_supplier(self._offers_of.get(code, ()))

    @cached_property
    def _lots_of(self) -> Mapping[str, Sequence[int]]:
        lots_of: dict[str, list[int]] = defaultdict(list)
        for index, code in enumerate(self.lots.item):
            lots_of[code].append(index)
        return lots_of

    def lots_of(self, item: Item) -> Sequence[int]:
        """The item's lots, as places in the problem."""
        return self._lots_of.get(item.code, ())

    @cached_property
    def own_reserved(self) -> Mapping[str, OwnReserved]:
        """By item, where anything is set aside, what each batch or demand has reserved of each portion."""
        rows, lots = self.reservations, self.lots
        found: dict[str, dict[str | int | None, dict[int, int]]] = defaultdict(lambda: defaultdict(dict))
        for lot, quantity, batch, demand in zip(
            rows.lot.tolist(), rows.quantity.tolist(), rows.batch, rows.demand, strict=True
        ):
            own = found[lots.item[lot]][batch if batch is not None else demand]
            own[lot] = own.get(lot, 0) + quantity
        return found

    def reasons_of(self, item: Item) -> LotReasons:
        """Why lines take nothing of the item's lots, to be asked by day."""
        portions = [(index, self.lots[index], int(self.reserved_on[index])) for index in self.lots_of(item)]
        return LotReasons(portions, self.from_day, item.min_remaining_days)

    def coming_after(self, item: Item, day: int) -> list[Expected]:
        """Every order and firm batch of the item that is here after ``day``, whole, by day and code."""
        coming = self._coming.get(item.code)
        if coming is None:
            rows, places = self.receipts, self._receipts_of[self.numbers[item.code]]
            days, kinds, quantities = (column[places].tolist() for column in (rows.here_on, rows.kind, rows.quantity))
            codes = [rows.code[place] for place in places.tolist()]
            named = sorted(zip(days, codes, kinds, quantities, places.tolist(), strict=True))
            coming = [
                Expected(receipt_name(rows, place), quantity, here_on) for here_on, _, _, quantity, place in named
            ]
            self._coming[item.code] = coming
        return coming[bisect_right(coming, day, key=lambda each: each.day) :]

    @cached_property
    def _receipts_of(self) -> Sequence[np.ndarray]:
        """By item number the places of its receipts."""
        item = self.receipts.item
        order = np.argsort(item, kind="stable")
        bounds = np.searchsorted(item[order], np.arange(len(self.order) + 1)).tolist()
        return [order[bounds[number] : bounds[number + 1]] for number in range(len(self.order))]

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


class RowIds:
    """A hash of each row's content; rows equal in content are told apart by a running number."""

    def __init__(self) -> None:
        self._times: dict[str, int] = defaultdict(int)

    def __call__(self, content: Sequence[object]) -> str:
        text = json.dumps(content)
        number = self._times[text]
        self._times[text] += 1
        return sha256(f"{text}#{number}".encode() if number else text.encode()).hexdigest()[:12]


def lives_through(day: int, life_days: int | None) -> int:
    """The last day of what is made or received on ``day``."""
    return NEVER if life_days is None else day + life_days


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


def _with_lines(formula: Formula, lines: LinesOf) -> Formula:
    """With its lines among those of all; the few of what is made by the unit are often gone through, so at hand."""
    if formula.basis == PERCENT and isinstance(formula.lines, LinesOf):
        return formula
    return replace(formula, lines=lines if formula.basis == PERCENT else tuple(lines))
