"""What a plan stands on besides stock, needs and promises: items, methods, offers, and the days it looks at.

It changes seldom. A plan after another in the same terms takes them as they are, and what was netted in them. Pure.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from operator import is_
from typing import NamedTuple

import numpy as np

from planner.engine.explode import PERCENT
from planner.engine.formula_lines import LinesOf, line_columns
from planner.engine.levels import levels_of
from planner.engine.lotsize import largest_charges
from planner.engine.opendays import OpenDays
from planner.engine.packs import by_supplier
from planner.engine.problem import WHOLE, Formula, Item, Offer, Problem
from planner.engine.result import PlanError


class Order(NamedTuple):
    """The order in which items are netted: one level after the other, by code. An item's number is its place in it."""

    items: Sequence[Item]
    numbers: Mapping[str, int]
    levels: Sequence[int]  # by number, the low-level code
    largest_charges: Mapping[str, int | None]  # by the code of what is made

    def level_bounds(self) -> Iterator[tuple[int, int]]:
        """The numbers of each level's items, from the top down: the first, and one past the last."""
        edges = [0, *(np.flatnonzero(np.diff(self.levels)) + 1).tolist(), len(self.levels)]
        return pairwise(edges) if len(self.levels) else iter(())


class Terms:
    def __init__(self, problem: Problem) -> None:
        """Raises PlanError: unknown_item, no_open_days."""
        self.from_day = problem.from_day
        # Not the problem: its stock must not stay as long as the terms do.
        self._rows = problem.items, problem.formulas, problem.offers
        self._days = problem.from_day, problem.to_day, problem.open_weekdays
        self.open_days = OpenDays(problem.open_weekdays)
        self.items = {item.code: item for item in problem.items}
        self.drawn = {code for code, item in self.items.items() if item.drawn}
        self._place_of = {code: place for place, code in enumerate(self.items)}
        self.lines, self.first_line, self.past_line = line_columns(problem.formulas)
        named = {row.item for rows in (problem.offers, problem.formulas) for row in rows}
        named.update(each.item for several in self.lines.substitutes.values() for each in several)
        self.check(named)
        self.place_of_line = self.places_of(self.lines.item)
        self.formulas = [
            _with_lines(formula, LinesOf(self.lines, first, past))
            for formula, first, past in zip(
                problem.formulas, self.first_line.tolist(), self.past_line.tolist(), strict=True
            )
        ]
        self.chosen = chosen_formulas(self.formulas)
        self._offers_of: dict[str, list[Offer]] = defaultdict(list)
        for offer in problem.offers:
            self._offers_of[offer.item].append(offer)
        self._order: tuple[np.ndarray, Order] | None = None

    def suit(self, problem: Problem) -> bool:
        """Whether a problem is of these terms. Its rows must be the same objects: to compare them takes long."""
        rows = problem.items, problem.formulas, problem.offers
        days = problem.from_day, problem.to_day, problem.open_weekdays
        return all(map(is_, rows, self._rows)) and days == self._days

    def check(self, codes: Iterable[str]) -> None:
        """Raises PlanError ``unknown_item`` where a code is not that of an item."""
        missing = sorted(set(codes) - self.items.keys())
        if missing:
            raise PlanError("unknown_item", f"no item {missing[0]}")

    def places_of(self, codes: Sequence[str]) -> np.ndarray:
        """Where items stand in the problem. Raises PlanError ``unknown_item``."""
        try:
            return np.fromiter(map(self._place_of.__getitem__, codes), dtype=np.int64, count=len(codes))
        except KeyError:
            self.check(codes)
            raise

    def suppliers_of(self, code: str) -> list[list[Offer]]:
        """The item's offers by supplier."""
        return by_supplier(self._offers_of.get(code, ()))

    def order_with(self, used: np.ndarray) -> Order:
        """The order of netting where batches are made by the formulas at these places, ascending.

        Raises PlanError: loop, percent_sum.
        """
        kept = self._order  # looked at once: another plan may put its own here meanwhile
        if kept is not None and np.array_equal(kept[0], used):
            return kept[1]
        levels = self._levels(used)
        items = sorted(self.items.values(), key=lambda item: (levels[item.code], item.code))
        by_number = [levels[item.code] for item in items]
        if kept is not None and by_number == kept[1].levels and all(map(is_, items, kept[1].items)):
            order = kept[1]  # the same items in the same places
        else:
            numbers = {item.code: number for number, item in enumerate(items)}
            order = Order(items, numbers, by_number, largest_charges(self.chosen, levels, self.drawn))
        self._order = used, order
        return order

    def _levels(self, used_by_batches: np.ndarray) -> dict[str, int]:
        """Low-level codes over the formulas in use: those chosen and those of firm batches."""
        used = np.zeros(len(self.formulas), dtype=np.bool_)
        used[used_by_batches] = True
        chosen = {id(formula) for formula in self.chosen.values()}
        used[[place for place, formula in enumerate(self.formulas) if id(formula) in chosen]] = True
        before = np.concatenate([[0], np.cumsum(self.lines.percent)])
        sums = before[self.past_line] - before[self.first_line]
        for place in np.flatnonzero(used & (sums != WHOLE)).tolist():
            if self.formulas[place].basis == PERCENT:
                raise PlanError("percent_sum", f"formula {self.formulas[place].formula}: lines do not sum to 100 %")
        made, part = self.places_of([formula.item for formula in self.formulas]), self.place_of_line
        by_line = np.argsort(self.first_line)
        formula = np.repeat(by_line, (self.past_line - self.first_line)[by_line])
        return dict(
            zip(self.items, levels_of(made[formula[used[formula]]], part[used[formula]], list(self.items)), strict=True)
        )


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
