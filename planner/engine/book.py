"""The plan while it is being made: what the problem holds, by item, and the rows written so far.

Private to one run of ``plan``; pure otherwise.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import cached_property
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planner.engine.allocate import FIRM_OUTPUT, ORDER
from planner.engine.batches import BatchColumns
from planner.engine.columns import whole_numbers
from planner.engine.explode import formula_loss, outputs_of
from planner.engine.firm import FirmBatches
from planner.engine.needs import DEMANDED, Need
from planner.engine.outcome import Given, Outcome
from planner.engine.passed_over import LotReasons
from planner.engine.portions import Portions
from planner.engine.problem import NEVER, NO_PRIORITY, Item, Problem
from planner.engine.reservations import ReservationColumns
from planner.engine.result import Buy, Expected, Make
from planner.engine.stock import Receipts, StockColumns, receipt_name
from planner.engine.terms import Terms

if TYPE_CHECKING:
    from planner.engine.level import NettedLevel

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

    def __init__(self, problem: Problem, before: Book | None = None) -> None:
        """``before`` is that of an earlier plan: where the terms are the same, what it netted is taken again.

        Raises PlanError: unknown_item, unknown_formula, loop, formula_size, percent_sum, no_open_days.
        """
        self.problem = problem
        if before is not None and not before.terms.suit(problem):
            before = None  # nothing of it can be taken
        self.terms: Terms = before.terms if before is not None else Terms(problem)
        self.lots = Portions.of(problem.lots)
        self.from_day, self.to_day = problem.from_day, problem.to_day
        terms = self.terms
        self.open_days, self.items, self.drawn = terms.open_days, terms.items, terms.drawn
        self.lines, self.formulas, self.chosen = terms.lines, terms.formulas, terms.chosen
        terms.check(row.item for rows in (problem.orders, problem.demands) for row in rows)
        place_of_lot = terms.places_of(self.lots.item)
        self.batches = BatchColumns.of(problem.batches, problem.formulas)
        order = self.netting_order = terms.order_with(np.unique(self.batches.formula))
        self.order, self.numbers, self.largest_charges = order.items, order.numbers, order.largest_charges
        self.level_bounds = order.level_bounds
        self.receipts = self._receipts()

        self.reservations = ReservationColumns.of(problem.reservations)
        self.reserved_on = np.zeros(len(self.lots), dtype=np.int64)
        np.add.at(self.reserved_on, self.reservations.lot, self.reservations.quantity)
        self.reserved_used = np.zeros(len(self.lots), dtype=np.int64)  # the part of it that needs can use
        number_of_place = self.numbers_of(list(self.items))
        self.item_of_lot = number_of_place[place_of_lot]
        on_hand, drawn_lot = self.lots.quantity, self._column_of_items("drawn", np.bool_)[self.item_of_lot]
        self.lots_left = np.where(drawn_lot, on_hand, np.maximum(0, on_hand - self.reserved_on))
        self.left: list[int] = []  # the same once every item is netted
        self.stock: StockColumns = StockColumns(
            lots=self.lots,
            item_of_lot=np.where(drawn_lot, -1, self.item_of_lot),
            lots_left=self.lots_left,
            receipts=self.receipts,
            items=len(self.order),
            from_day=self.from_day,
            before=before.stock if before is not None else None,
        )
        self.firm: FirmBatches = FirmBatches(
            self.batches,
            terms,
            number_of_place[terms.place_of_line],
            len(self.order),
            before.firm if before is not None else None,
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
        # What was netted, by level and, need by need, by item; and in an earlier plan in the same terms.
        self.levels: dict[tuple[int, int], NettedLevel] = {}
        self.outcomes: dict[str, tuple[Given, Outcome]] = {}
        self.levels_before: Mapping[tuple[int, int], NettedLevel] = {}
        self.outcomes_before: Mapping[str, tuple[Given, Outcome]] = {}
        self.supply_is_named_as_before = False
        if before is not None:
            self.outcomes_before = before.outcomes
            # A level is told by the numbers of its items, so these must be of the same items.
            if before.netting_order is order:
                self.levels_before = before.levels
            same_rows = self.stock.order_is_of_before
            self.supply_is_named_as_before = same_rows and self.receipts.are_as(before.receipts)
        if before is not None and before.problem.demands is problem.demands:
            self.demand_needs: list[tuple[str, Need]] = before.demand_needs
        else:
            self.demand_needs = self._demand_needs()
        for code, need in self.demand_needs:
            self.needs[code].append(need)

    def numbers_of(self, codes: Sequence[str]) -> np.ndarray:
        """The items' numbers."""
        return np.fromiter(map(self.numbers.__getitem__, codes), dtype=np.int64, count=len(codes))

    def _column_of_items(self, name: str, dtype: type = np.int64) -> np.ndarray:
        return np.array([getattr(item, name) for item in self.order], dtype=dtype)

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

    def _demand_needs(self) -> list[tuple[str, Need]]:
        """The needs of demands, with their items."""
        found = []
        for index, demand in enumerate(self.problem.demands):
            if not demand.quantity:
                continue
            day = max(self.from_day, demand.due_on)
            priority = NO_PRIORITY if demand.priority is None else demand.priority
            min_remaining_days = demand.min_remaining_days
            if min_remaining_days is None:
                min_remaining_days = self.items[demand.item].min_remaining_days
            # Two overdue demands of one customer and reference count as of the same day: the older first.
            order = (DEMANDED, priority, demand.customer, demand.reference, demand.due_on, demand.quantity, index)
            to = f"demand:{demand.customer}/{demand.reference}"
            need = Need(day, order, 0, demand.quantity, day + min_remaining_days, to, demand=index)
            found.append((demand.item, need))
        return found

    def take_again(self, number: int) -> Outcome:
        """What netting an item came to in the earlier plan."""
        code = self.order[number].code
        kept = self.outcomes[code] = self.outcomes_before[code]
        return kept[1]

    def write(self, number: int, outcome: Outcome, lines: np.ndarray) -> None:
        """Write down what netting an item came to, but for what is taken.

        ``lines`` are the places in ``FirmBatches`` of the needs that are lines of firm batches.
        """
        code = self.order[number].code
        self.requirements += [(number, *row) for row in outcome.requirements]
        for (day, reason), steps in outcome.unmet.items():
            self.unmet[day, code, reason] += steps
        self.makes += outcome.makes
        self.buys += outcome.buys
        for part, need in outcome.line_needs:
            self.needs[part].append(need)
        for place, steps in outcome.proposed.items():
            self.proposed[int(lines[place])] += steps
        for place, lots in outcome.too_small.items():
            self.too_small[int(lines[place])] = lots

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

    def coming(self, number: int) -> list[Expected]:
        """Every order and firm batch of an item, whole, by day and code."""
        rows, places = self.receipts, self._receipts_of[number]
        days, kinds, quantities = (column[places].tolist() for column in (rows.here_on, rows.kind, rows.quantity))
        codes = [rows.code[place] for place in places.tolist()]
        named = sorted(zip(days, codes, kinds, quantities, places.tolist(), strict=True))
        return [Expected(receipt_name(rows, place), quantity, here_on) for here_on, _, _, quantity, place in named]

    @cached_property
    def _receipts_of(self) -> Sequence[np.ndarray]:
        """By item number the places of its receipts."""
        item = self.receipts.item
        order = np.argsort(item, kind="stable")
        bounds = np.searchsorted(item[order], np.arange(len(self.order) + 1)).tolist()
        return [order[bounds[number] : bounds[number + 1]] for number in range(len(self.order))]

    def free_of(self, item: Item, last_day: int) -> int:
        """What the plan leaves of the item's portions that are ready on its first day and live through ``last_day``,
        which is not before that.
        """
        stock, number = self.stock, self.numbers[item.code]
        rows = slice(stock.bounds[number], stock.bounds[number + 1])
        ready = stock.ready[rows] & (stock.last_day[rows] >= last_day)
        return sum(stock.rest[rows][ready].tolist())


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
