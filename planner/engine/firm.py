"""Firm batches: their lines as columns, and the rows that show how each line is covered.

A line becomes a need of its own only where its item is netted need by need, and a row only where a plan is
shown. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from planner.engine.explode import PERCENT, line_quantities, split_charges
from planner.engine.needs import BATCH_ORDER, NO_PRIORITY, Need
from planner.engine.problem import Batch, Formula, Item, Line
from planner.engine.result import BatchCoverage, BatchLine, Expected, SubstituteFree

# A line starts with no lots, nothing expected, no substitutes; a list is put in place when there is
# something to say. A quarter of a million lines share these, and nobody writes into them.
_NO_LOTS: list[tuple[str, int]] = []
_NOTHING_EXPECTED: list[Expected] = []
_NO_SUBSTITUTES: list[SubstituteFree] = []
_NONE_PASSED_OVER: list[tuple[str, str]] = []


class Head:
    """What the lines of one batch have in common."""

    __slots__ = ("batch", "code", "day", "formula", "lines", "order", "rows", "shown", "to")

    def __init__(self, batch: Batch, formula: Formula, from_day: int, to_day: int | None) -> None:
        self.batch, self.formula = batch, formula
        self.code, self.lines = batch.batch, formula.lines
        self.day = max(from_day, batch.planned_for)
        self.order = _batch_order(batch)
        self.to = "batch:" + batch.batch
        self.shown = to_day is not None and batch.planned_for <= to_day
        self.rows: list[BatchLine] = []  # one for each line, where the batch is shown: see ``put_row``

    def put_row(self, place: int, quantity: int) -> BatchLine:
        """A new row for a line that nothing serves yet."""
        if not self.rows:
            self.rows = [_UNWRITTEN] * len(self.lines)
        row = self.rows[place] = unserved_row(self.lines[place], quantity)
        return row


class FormulaLines:
    """The lines of formulas as columns, once for each use: the lines of a use together, in order of position."""

    def __init__(self, uses: Sequence[Formula], numbers: Mapping[str, int]) -> None:
        """``uses``: a formula for each batch; ``numbers`` of the items."""
        known = {id(formula): formula for formula in uses}
        begin: dict[int, int] = {}
        lines: list[Line] = []
        for key, formula in known.items():
            begin[key] = len(lines)
            lines += formula.lines
        lengths = np.array([len(formula.lines) for formula in uses], dtype=np.int64)
        self.first = np.cumsum(lengths) - lengths  # of each use
        self.use_of = np.repeat(np.arange(len(uses)), lengths)
        self.place = np.arange(len(self.use_of)) - self.first[self.use_of]
        line = np.array([begin[id(formula)] for formula in uses], dtype=np.int64)[self.use_of] + self.place
        self.item = np.array([numbers[each.item] for each in lines], dtype=np.int64)[line]
        self.percent = np.array([each.percent for each in lines], dtype=np.int64)[line]
        self.single_lot = np.array([each.single_lot for each in lines], dtype=np.bool_)[line]


class FirmBatches:
    """The firm batches in order of service, and their lines as columns: by item number, then in order of service.

    ``bounds[n]`` to ``bounds[n + 1]`` are the lines of item number n.
    """

    def __init__(
        self,
        batches: Iterable[tuple[Batch, Formula]],
        numbers: Mapping[str, int],
        from_day: int,
        to_day: int | None,
    ) -> None:
        """``batches`` with their formulas, whose lines are in order of position; ``numbers`` of the items.

        Batches up to ``to_day`` are shown; None: none is, and no rows are made.
        """
        self.heads = [Head(batch, formula, from_day, to_day) for batch, formula in batches]
        self.heads.sort(key=lambda head: (head.day, head.order))
        self.number_of_batch = {head.code: number for number, head in enumerate(self.heads)}
        days = np.array([head.day for head in self.heads], dtype=np.int64)
        lines = FormulaLines([head.formula for head in self.heads], numbers)
        # Stable, so that the lines of one item stay in order of service.
        by_item = np.argsort(_narrow(lines.item, len(numbers)), kind="stable")
        self.item = lines.item[by_item]
        self.quantity = self._quantities(lines)[by_item]
        self.single_lot = lines.single_lot[by_item]
        self.head_of = lines.use_of[by_item]
        self.place_of = lines.place[by_item]
        self.day = days[self.head_of]
        self.bounds = np.searchsorted(self.item, np.arange(len(numbers) + 1)).tolist()
        self._short: list[tuple[BatchLine, Line, int]] = []

    def _quantities(self, lines: FormulaLines) -> np.ndarray:
        """What each line still needs, batch by batch: its own quantity or the formula's, less what is weighed."""
        charges = np.array([head.batch.charge for head in self.heads], dtype=np.int64)
        quantities = split_charges(charges, lines.percent, lines.use_of)
        for head, begin in zip(self.heads, lines.first.tolist(), strict=True):
            batch, whole = head.batch, slice(begin, begin + len(head.lines))
            if head.formula.basis != PERCENT:
                quantities[whole] = line_quantities(head.formula, batch.charge)
            if batch.required or batch.weighed:
                quantities[whole] = [
                    max(0, batch.required.get(line.position, quantity) - batch.weighed.get(line.position, 0))
                    for line, quantity in zip(head.lines, quantities[whole].tolist(), strict=True)
                ]
        return quantities

    def needs(self, places: np.ndarray, open_quantities: Iterable[int], item: Item) -> Iterator[Need]:
        """The needs of some lines of one item, each with the row it fills where the batch is shown."""
        min_remaining_days = item.min_remaining_days
        for of_head, of_batch, quantity, open_quantity in zip(
            self.head_of[places].tolist(),
            self.place_of[places].tolist(),
            self.quantity[places].tolist(),
            open_quantities,
            strict=True,
        ):
            head = self.heads[of_head]
            line, day = head.lines[of_batch], head.day
            row: BatchLine | None = None
            if head.shown:
                row = head.put_row(of_batch, quantity)
                if line.substitutes:
                    self._short.append((row, line, day))
            valid_through = day + min_remaining_days
            need = Need(
                day, head.order, line.position, quantity, valid_through, head.to, head.code, line.single_lot, row
            )
            need.open = open_quantity
            yield need

    def coverage(self) -> list[BatchCoverage]:
        """The shown batches by day and code, once every line has its row."""
        shown = [
            BatchCoverage(head.batch.batch, head.formula.item, head.batch.planned_for, _coverage(head.rows), head.rows)
            for head in self.heads
            if head.shown
        ]
        return sorted(shown, key=lambda each: (each.planned_for, each.batch))

    def short_with_substitutes(self) -> Iterable[tuple[BatchLine, Line, int]]:
        """The shown lines that are short and have substitutes: the row, the formula's line, the day."""
        return [each for each in self._short if each[0].short]


def _narrow(values: np.ndarray, bound: int) -> np.ndarray:
    """The same values below ``bound`` in two bytes where they fit: numpy sorts those in linear time."""
    return values.astype(np.uint16) if bound <= 1 << 16 else values


def unserved_row(line: Line, quantity: int) -> BatchLine:
    """The row of a line that nothing serves yet. Its lists are shared: put another in place, write into none."""
    return BatchLine(
        line.position,
        line.phase,
        line.item,
        quantity,
        _NO_LOTS,
        _NOTHING_EXPECTED,
        quantity,
        0,
        _NO_SUBSTITUTES,
        _NONE_PASSED_OVER,
    )


_UNWRITTEN = BatchLine(0, "", "", 0, _NO_LOTS, _NOTHING_EXPECTED, 0, 0, _NO_SUBSTITUTES, _NONE_PASSED_OVER)


def _batch_order(batch: Batch) -> tuple[int, int, str]:
    priority = NO_PRIORITY if batch.priority is None else batch.priority
    return BATCH_ORDER[batch.status], priority, batch.batch


def _coverage(rows: list[BatchLine]) -> str:
    coverage = "covered"
    for row in rows:
        if row.short:
            return "short"
        if row.expected:
            coverage = "expected"
    return coverage
