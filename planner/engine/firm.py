"""Firm batches: their lines as columns, and the rows that show how each line is covered.

A line becomes a need of its own only where its item is netted need by need, and a row only where a plan is
shown. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from planner.engine.explode import line_quantities
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
        quantities: list[int] = []
        items: list[int] = []
        single: list[bool] = []
        splits: dict[tuple[int, int], list[int]] = {}
        of_formula: dict[int, tuple[list[int], list[bool]]] = {}
        for head in self.heads:
            quantities += _needed(head.batch, head.formula, splits)
            found = of_formula.get(id(head.formula))
            if found is None:
                found = [numbers[line.item] for line in head.lines], [line.single_lot for line in head.lines]
                of_formula[id(head.formula)] = found
            items += found[0]
            single += found[1]
        lengths = [len(head.lines) for head in self.heads]
        item = np.array(items, dtype=np.int64)
        # Stable, so that the lines of one item stay in order of service.
        by_item = np.argsort(item, kind="stable")
        self.item = item[by_item]
        self.quantity = np.array(quantities, dtype=np.int64)[by_item]
        self.single_lot = np.array(single, dtype=bool)[by_item]
        self.head_of = np.repeat(np.arange(len(lengths)), lengths)[by_item]
        days = np.array([head.day for head in self.heads], dtype=np.int64)
        self.day = days[self.head_of]
        first_line = np.repeat(np.cumsum(lengths, dtype=np.int64) - lengths, lengths)
        self.place_of = (np.arange(len(items)) - first_line)[by_item]
        self.bounds = np.searchsorted(self.item, np.arange(len(numbers) + 1)).tolist()
        self._short: list[tuple[BatchLine, Line, int]] = []

    def need(self, place: int, item: Item, open_quantity: int) -> Need:
        """One line's need, with the row it fills where the batch is shown."""
        head, of_batch = self.heads[int(self.head_of[place])], int(self.place_of[place])
        line, quantity = head.lines[of_batch], int(self.quantity[place])
        row: BatchLine | None = None
        if head.rows is not None:
            row = head.rows[of_batch] = unserved_row(line, quantity)
            if line.substitutes:
                self._short.append((row, line, head.day))
        valid_through = head.day + item.min_remaining_days
        need = Need(
            head.day, head.order, line.position, quantity, valid_through, head.to, head.code, line.single_lot, row
        )
        need.open = open_quantity
        return need

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


def _needed(batch: Batch, formula: Formula, splits: dict[tuple[int, int], list[int]]) -> list[int]:
    """What each line of ``batch`` still needs: its own quantity or the formula's, less what is weighed.

    ``splits`` keeps what a formula's charge comes to, since batches of one size are often made again.
    """
    key = (id(formula), batch.charge)
    quantities = splits.get(key)
    if quantities is None:
        quantities = splits[key] = line_quantities(formula, batch.charge)
    if not batch.required and not batch.weighed:
        return quantities
    return [
        max(0, batch.required.get(line.position, quantity) - batch.weighed.get(line.position, 0))
        for line, quantity in zip(formula.lines, quantities, strict=True)
    ]


def _coverage(rows: list[BatchLine]) -> str:
    coverage = "covered"
    for row in rows:
        if row.short:
            return "short"
        if row.expected:
            coverage = "expected"
    return coverage
