"""Firm batches: the needs of their lines, and the rows that show how each line is covered.

The lines of all batches are kept as arrays and become needs and rows only when their item is netted:
objects made batch by batch and read item by item would be spread over memory, and fetching them would
take longer than the planning itself. Pure; the standard library and numpy.
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


class _Head:
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
    """The firm batches in order of service, and their lines by item."""

    def __init__(
        self, batches: Iterable[tuple[Batch, Formula]], items: Mapping[str, Item], from_day: int, to_day: int
    ) -> None:
        """``batches`` with their formulas, whose lines are in order of position."""
        self._heads = [_Head(batch, formula, from_day, to_day) for batch, formula in batches]
        self._heads.sort(key=lambda head: (head.day, head.order))
        self._number_of = {code: number for number, code in enumerate(items)}
        self._items = items
        quantities: list[int] = []
        numbers: list[int] = []
        splits: dict[tuple[int, int], list[int]] = {}
        item_numbers: dict[int, list[int]] = {}
        for head in self._heads:
            quantities += _needed(head.batch, head.formula, splits)
            of_formula = item_numbers.get(id(head.formula))
            if of_formula is None:
                of_formula = [self._number_of[line.item] for line in head.formula.lines]
                item_numbers[id(head.formula)] = of_formula
            numbers += of_formula
        lengths = [len(head.formula.lines) for head in self._heads]
        item_of_line = np.array(numbers, dtype=np.int64)
        # Stable, so that the lines of one item stay in order of service.
        by_item = np.argsort(item_of_line, kind="stable")
        self._quantities = np.array(quantities, dtype=np.int64)[by_item]
        self._head_of = np.repeat(np.arange(len(lengths)), lengths)[by_item]
        first_line = np.repeat(np.cumsum(lengths, dtype=np.int64) - lengths, lengths)
        self._place_of = (np.arange(len(numbers)) - first_line)[by_item]
        self._bounds = np.searchsorted(item_of_line[by_item], np.arange(len(items) + 1)).tolist()

    def needs_of(self, item: Item) -> list[Need]:
        """The needs of one item in order of service; writes the rows of its shown lines."""
        number = self._number_of[item.code]
        part = slice(self._bounds[number], self._bounds[number + 1])
        code, min_remaining_days = item.code, item.min_remaining_days
        heads = self._heads
        needs: list[Need] = []
        for place, quantity, of_head in zip(
            self._place_of[part].tolist(),
            self._quantities[part].tolist(),
            self._head_of[part].tolist(),
            strict=True,
        ):
            head = heads[of_head]
            line = head.lines[place]
            row: BatchLine | None = None
            if head.rows is not None:
                row = head.rows[place] = BatchLine(
                    line.position,
                    line.phase,
                    code,
                    quantity,
                    _NO_LOTS,
                    _NOTHING_EXPECTED,
                    quantity,
                    0,
                    _NO_SUBSTITUTES,
                    _NONE_PASSED_OVER,
                )
            if quantity:
                needs.append(
                    Need(
                        head.day,
                        head.order,
                        line.position,
                        quantity,
                        head.day + min_remaining_days,
                        head.to,
                        head.code,
                        line.single_lot,
                        row,
                    )
                )
        return needs

    def coverage(self) -> list[BatchCoverage]:
        """The shown batches by day and code, once every item is netted."""
        shown = [
            BatchCoverage(head.batch.batch, head.formula.item, head.batch.planned_for, _coverage(head.rows), head.rows)
            for head in self._heads
            if head.rows is not None
        ]
        return sorted(shown, key=lambda each: (each.planned_for, each.batch))

    def short_with_substitutes(self) -> Iterable[tuple[BatchLine, Line, int]]:
        """The shown lines that are short and have substitutes: the row, the formula's line, the day."""
        for head in self._heads:
            for line, row in zip(head.formula.lines, head.rows or (), strict=False):
                if line.substitutes and row.short:
                    yield row, line, head.day


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
