"""Firm batches: their lines as columns, and the rows that show how each line is covered.

A line becomes a need of its own only where its item is netted need by need, and a row only where a plan is
shown. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

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

    __slots__ = ("batch", "code", "day", "formula", "lines", "order", "rows", "to")

    def __init__(self, batch: Batch, formula: Formula, from_day: int, to_day: int) -> None:
        self.batch, self.formula = batch, formula
        self.code, self.lines = batch.batch, formula.lines
        self.day = max(from_day, batch.planned_for)
        self.order = _batch_order(batch)
        self.to = "batch:" + batch.batch
        # One row for each line, where the batch is shown.
        self.rows: list[BatchLine] | None = None
        if batch.planned_for <= to_day:
            self.rows = [_UNWRITTEN] * len(formula.lines)


class FirmBatches:
    """The firm batches in order of service, and their lines as columns: by item number, then in order of service.

    ``bounds[n]`` to ``bounds[n + 1]`` are the lines of item number n.
    """

    def __init__(
        self,
        batches: Iterable[tuple[Batch, Formula]],
        numbers: Mapping[str, int],
        from_day: int,
        to_day: int,
    ) -> None:
        """``batches`` with their formulas, whose lines are in order of position; ``numbers`` of the items."""
        self.heads = [Head(batch, formula, from_day, to_day) for batch, formula in batches]
        self.heads.sort(key=lambda head: (head.day, head.order))
        self.number_of_batch = {head.code: number for number, head in enumerate(self.heads)}
        lengths = [len(head.lines) for head in self.heads]
        item = self._by_line(lambda line: numbers[line.item], np.int64)
        # Stable, so that the lines of one item stay in order of service.
        by_item = np.argsort(item, kind="stable")
        self.item = item[by_item]
        self.quantity = self._quantities(lengths)[by_item]
        self.single_lot = self._by_line(lambda line: line.single_lot, np.bool_)[by_item]
        self.head_of = np.repeat(np.arange(len(lengths)), lengths)[by_item]
        days = np.array([head.day for head in self.heads], dtype=np.int64)
        self.day = days[self.head_of]
        first_line = np.repeat(np.cumsum(lengths, dtype=np.int64) - lengths, lengths)
        self.place_of = (np.arange(len(item)) - first_line)[by_item]
        self.bounds = np.searchsorted(self.item, np.arange(len(numbers) + 1)).tolist()
        self._short: list[tuple[BatchLine, Line, int]] = []

    def _by_line(self, value: Callable[[Line], int], kind: type[np.generic]) -> np.ndarray:
        """A column of what the formulas' lines say, batch by batch."""
        of_formula: dict[int, np.ndarray] = {}
        for head in self.heads:
            if id(head.formula) not in of_formula:
                of_formula[id(head.formula)] = np.array([value(line) for line in head.lines], dtype=kind)
        return np.concatenate([np.zeros(0, dtype=kind), *(of_formula[id(head.formula)] for head in self.heads)])

    def _quantities(self, lengths: list[int]) -> np.ndarray:
        """What each line still needs, batch by batch: its own quantity or the formula's, less what is weighed."""
        head_of = np.repeat(np.arange(len(lengths)), lengths)
        first_line = np.cumsum(lengths, dtype=np.int64) - lengths
        charges = np.array([head.batch.charge for head in self.heads], dtype=np.int64)
        by_percent = np.array([head.formula.basis == PERCENT for head in self.heads], dtype=bool)[head_of]
        percents = self._by_line(lambda line: line.percent, np.int64)
        quantities = np.zeros(len(head_of), dtype=np.int64)
        quantities[by_percent] = split_charges(charges, percents, head_of)[by_percent]
        for number, head in enumerate(self.heads):
            batch, begin = head.batch, int(first_line[number])
            whole = slice(begin, begin + lengths[number])
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
            if head.rows is not None:
                row = head.rows[of_batch] = unserved_row(line, quantity)
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
            if head.rows is not None
        ]
        return sorted(shown, key=lambda each: (each.planned_for, each.batch))

    def short_with_substitutes(self) -> Iterable[tuple[BatchLine, Line, int]]:
        """The shown lines that are short and have substitutes: the row, the formula's line, the day."""
        return [each for each in self._short if each[0].short]


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
