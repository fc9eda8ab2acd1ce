"""Firm batches in order of service, their lines and outputs as columns.

A line becomes a need of its own only where supply does not cover it, and a row only where a plan is shown (``lines``).
Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.batches import BatchColumns
from planner.engine.columns import narrow
from planner.engine.explode import PERCENT, line_quantities, split_charges
from planner.engine.formula_lines import LineColumns
from planner.engine.needs import BATCH_ORDER
from planner.engine.problem import Formula


class FirmBatches:
    """The firm batches in order of service, and their lines: by item number, then in order of service.

    Of each batch ``batch`` is its place in the problem and ``day`` the day its lines are needed. Of each line
    ``head_of`` is its batch in order of service, ``place_of`` its place among the batch's, ``line`` its place among
    the lines of all formulas. ``bounds[n]`` to ``bounds[n + 1]`` are the lines of item number n.
    """

    def __init__(
        self,
        batches: BatchColumns,
        formulas: Sequence[Formula],
        lines: LineColumns,
        first_line: np.ndarray,
        past_line: np.ndarray,
        item_of_line: np.ndarray,
        items: int,
        from_day: int,
    ) -> None:
        """``first_line`` and ``past_line`` of each formula among ``lines``, which have item numbers below ``items``."""
        self.batches, self.lines = batches, lines
        day = np.maximum(from_day, batches.planned_for)
        status = np.array([BATCH_ORDER[each] for each in batches.status], dtype=np.int64)
        self.batch = np.lexsort((ranks(batches.code), batches.priority, status, day))
        self.number_of_batch = {batches.code[place]: number for number, place in enumerate(self.batch.tolist())}

        formula = batches.formula[self.batch]
        self.line_count = (past_line - first_line)[formula]
        first = np.cumsum(self.line_count) - self.line_count
        use_of = np.repeat(np.arange(len(formula)), self.line_count)
        place = np.arange(len(use_of)) - first[use_of]
        line = first_line[formula][use_of] + place
        quantity = self._quantities(formulas, formula, first, use_of, lines.percent[line])
        # Stable, so that the lines of one item stay in order of service.
        by_item = np.argsort(narrow(item_of_line[line], items), kind="stable")
        self.line, self.head_of, self.place_of = line[by_item], use_of[by_item], place[by_item]
        self.item, self.quantity = item_of_line[self.line], quantity[by_item]
        self.single_lot = lines.single_lot[self.line]
        self.day = day[self.batch][self.head_of]
        self.bounds = np.searchsorted(self.item, np.arange(items + 1)).tolist()

    def __len__(self) -> int:
        return len(self.batch)

    def _quantities(
        self,
        formulas: Sequence[Formula],
        formula: np.ndarray,
        first: np.ndarray,
        use_of: np.ndarray,
        percent: np.ndarray,
    ) -> np.ndarray:
        """What each line still needs, batch by batch: its own quantity or the formula's, less what is weighed."""
        batches, charges = self.batches, self.batches.charge[self.batch]
        quantities = split_charges(charges, percent, use_of)
        per_unit = np.array([each.basis != PERCENT for each in formulas], dtype=np.bool_)
        for head in np.flatnonzero(per_unit[formula]).tolist() if len(formula) else ():
            whole = slice(first[head], first[head] + self.line_count[head])
            quantities[whole] = line_quantities(formulas[formula[head]], int(charges[head]))
        head_of_batch = np.argsort(self.batch)
        for place in batches.required.keys() | batches.weighed.keys():
            head = int(head_of_batch[place])
            required, weighed = batches.required.get(place, {}), batches.weighed.get(place, {})
            for at, line in enumerate(formulas[formula[head]].lines, start=int(first[head])):
                quantity = required.get(line.position, int(quantities[at])) - weighed.get(line.position, 0)
                quantities[at] = max(0, quantity)
        return quantities

    def code_of(self, place: int) -> str:
        """The batch of one line."""
        return self.batches.code[self.batch[self.head_of[place]]]


def ranks(texts: Sequence[str]) -> np.ndarray:
    """The place of each text among all of them sorted; equal ones keep their order."""
    ranks = np.empty(len(texts), dtype=np.int64)
    ranks[sorted(range(len(texts)), key=texts.__getitem__)] = np.arange(len(texts))
    return ranks
