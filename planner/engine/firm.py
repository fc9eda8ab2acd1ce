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
from planner.engine.needs import BATCH_ORDER
from planner.engine.problem import Formula
from planner.engine.terms import Terms


class FirmBatches:
    """The firm batches in order of service, and their lines: by item number, then in order of service.

    Of each batch ``batch`` is its place in the problem and ``day`` the day its lines are needed. Of each line
    ``head_of`` is its batch in order of service, ``place_of`` its place among the batch's, ``line`` its place among
    the lines of all formulas. ``bounds[n]`` to ``bounds[n + 1]`` are the lines of item number n.
    """

    def __init__(
        self,
        batches: BatchColumns,
        terms: Terms,
        item_of_line: np.ndarray,
        items: int,
        before: FirmBatches | None = None,
    ) -> None:
        """``item_of_line``: numbers, below ``items``, of the items of all formulas' lines.

        Of an earlier plan's batches that differ at most in what is weighed, all else is taken.
        """
        self.batches, self.lines = batches, terms.lines
        self._terms, self._item_of_line = terms, item_of_line
        same = before is not None and before._are_laid_as(batches, terms, item_of_line)
        self.laid: _Laid = before.laid if before is not None and same else _Laid(batches, terms, item_of_line, items)
        laid = self.laid
        self.batch, self.number_of_batch, self.line_count = laid.batch, laid.number_of_batch, laid.line_count
        self.line, self.head_of, self.place_of = laid.line, laid.head_of, laid.place_of
        self.item, self.single_lot, self.day, self.bounds, self.to = (
            laid.item, laid.single_lot, laid.day, laid.bounds, laid.to,
        )  # fmt: skip
        self.quantity = self._still_needed()

    def _are_laid_as(self, batches: BatchColumns, terms: Terms, item_of_line: np.ndarray) -> bool:
        """Whether batches are these, but for what is weighed, and their lines stand where these do."""
        mine = self.batches
        return (
            terms is self._terms
            and np.array_equal(item_of_line, self._item_of_line)
            and mine.code == batches.code
            and mine.status == batches.status
            and all(
                np.array_equal(getattr(mine, name), getattr(batches, name))
                for name in ("formula", "charge", "planned_for", "priority")
            )
        )

    def __len__(self) -> int:
        return len(self.batch)

    def _still_needed(self) -> np.ndarray:
        """What each line still needs: its own quantity or the formula's, less what is weighed."""
        batches, laid, formulas = self.batches, self.laid, self._terms.formulas
        quantities = laid.quantity
        if batches.required or batches.weighed:
            quantities, head_of_batch = quantities.copy(), np.argsort(laid.batch)
            for place in batches.required.keys() | batches.weighed.keys():
                head = int(head_of_batch[place])
                required, weighed = batches.required.get(place, {}), batches.weighed.get(place, {})
                for at, line in enumerate(formulas[batches.formula[place]].lines, start=int(laid.first[head])):
                    quantity = required.get(line.position, int(quantities[at])) - weighed.get(line.position, 0)
                    quantities[at] = max(0, quantity)
        return quantities[laid.by_item]


class _Laid:
    """What of firm batches does not depend on what is weighed. Its columns are shared and read only.

    ``first`` and ``quantity`` are batch by batch: where each batch's lines begin, and what the formula splits to;
    ``by_item`` puts lines so in the order of the other columns.
    """

    def __init__(self, batches: BatchColumns, terms: Terms, item_of_line: np.ndarray, items: int) -> None:
        lines, first_line, past_line = terms.lines, terms.first_line, terms.past_line
        day = np.maximum(terms.from_day, batches.planned_for)
        status = np.array([BATCH_ORDER[each] for each in batches.status], dtype=np.int64)
        self.batch = np.lexsort((ranks(batches.code), batches.priority, status, day))
        self.number_of_batch = {batches.code[place]: number for number, place in enumerate(self.batch.tolist())}
        self.to = [f"batch:{batches.code[place]}" for place in self.batch.tolist()]

        formula = batches.formula[self.batch]
        self.line_count = (past_line - first_line)[formula]
        self.first = np.cumsum(self.line_count) - self.line_count
        use_of = np.repeat(np.arange(len(formula)), self.line_count)
        place = np.arange(len(use_of)) - self.first[use_of]
        line = first_line[formula][use_of] + place
        self.quantity = self._split(batches, terms.formulas, formula, use_of, lines.percent[line])
        # Stable, so that the lines of one item stay in order of service.
        self.by_item = by_item = np.argsort(narrow(item_of_line[line], items), kind="stable")
        self.line, self.head_of, self.place_of = line[by_item], use_of[by_item], place[by_item]
        self.item = item_of_line[self.line]
        self.single_lot = lines.single_lot[self.line]
        self.day = day[self.batch][self.head_of]
        self.bounds = np.searchsorted(self.item, np.arange(items + 1)).tolist()

    def _split(
        self,
        batches: BatchColumns,
        formulas: Sequence[Formula],
        formula: np.ndarray,
        use_of: np.ndarray,
        percent: np.ndarray,
    ) -> np.ndarray:
        """What each line needs by the formula, batch by batch."""
        charges = batches.charge[self.batch]
        quantities = split_charges(charges, percent, use_of)
        per_unit = np.array([each.basis != PERCENT for each in formulas], dtype=np.bool_)
        for head in np.flatnonzero(per_unit[formula]).tolist() if len(formula) else ():
            whole = slice(self.first[head], self.first[head] + self.line_count[head])
            quantities[whole] = line_quantities(formulas[formula[head]], int(charges[head]))
        return quantities


def ranks(texts: Sequence[str]) -> np.ndarray:
    """The place of each text among all of them sorted; equal ones keep their order."""
    ranks = np.empty(len(texts), dtype=np.int64)
    ranks[sorted(range(len(texts)), key=texts.__getitem__)] = np.arange(len(texts))
    return ranks
