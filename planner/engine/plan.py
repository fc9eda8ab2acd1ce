"""Planning, whole: a problem in, a plan out.

Pure: the same problem gives the same plan, whatever the order of its rows. No clock, no I/O; imports
the standard library, numpy and the engine's own modules only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from planner.engine.book import Book, RowIds
from planner.engine.collector import collector_paused
from planner.engine.columns import narrow
from planner.engine.level import Served, net_level
from planner.engine.lines import ShortLine, covers_of, write_lines
from planner.engine.pegs import NO_PEGS, Pegs, in_order_of_lines
from planner.engine.problem import Problem
from planner.engine.propose import buy_content
from planner.engine.result import (
    BatchCoverage,
    Buy,
    Cover,
    Expiring,
    Make,
    Plan,
    Requirement,
    RequirementColumns,
    SubstituteFree,
    Unmet,
)


def plan(problem: Problem) -> Plan:
    """What to make and what to buy, by when, and what covers each firm batch.

    Lists of the answer may be shared between rows: read only.
    Raises PlanError: unknown_item, unknown_formula, loop, formula_size, percent_sum, too_many_cuts,
    no_open_days.
    """
    return net(problem).plan()


def net(
    problem: Problem, *, before: Netted | None = None, progress: Callable[[int, int], None] | None = None
) -> Netted:
    """The netting of a whole problem: all that ``plan`` answers, before it is written down row by row.

    ``before`` is an earlier netting: what it was given for an item in the same terms (items, formulas and offers that
    are the same objects, the same days) is taken from it again. The answer is the same without it.

    1. Read the problem, refuse loops and unknown codes.
    2. Write down the needs of firm batches and of demands.
    3. Net the items level by level, in order of their low-level codes; makings add needs to levels further down.

    After each level ``progress`` is told how many items are netted, of how many; what it raises ends the netting.
    Raises PlanError as ``plan`` does.
    """
    with collector_paused():
        book = Book(problem, before._book if before is not None else None)
        served = []
        for first, last in book.level_bounds():
            served.append(net_level(book, first, last))
            if progress is not None:
                progress(last, len(book.order))
        portions = np.flatnonzero(book.stock.source >= 0)
        book.lots_left[book.stock.source[portions]] = book.stock.rest[portions]
        book.left = book.lots_left.tolist()
        book.outcomes_before, book.levels_before = {}, {}  # an earlier plan is not kept because a later one is
        return Netted(book, served)


class Netted:
    """A problem netted. What it answers is made when it is asked for, once; it is shared and read only."""

    def __init__(self, book: Book, served: Sequence[Served]) -> None:
        self._book, self._served = book, served
        self.from_day, self.to_day = book.from_day, book.to_day
        self.needs = sum(level.needs for level in served)  # how many were netted, those of proposals' lines included

    @cached_property
    def requirements(self) -> RequirementColumns:
        """What is needed of each item on each day up to the plan's last, and how much of it supply covers."""
        book = self._book
        nothing = (np.zeros(0, dtype=np.int64),) * 5
        swept = [_columns_of(served) for served in self._served]
        netted = [np.array(column) for column in zip(*book.requirements, strict=True)] or nothing
        item, day, gross, covered, short = (np.concatenate(each) for each in zip(nothing, *swept, netted, strict=True))
        shown = day <= book.to_day
        item, day, gross, covered, short = (each[shown] for each in (item, day, gross, covered, short))
        by_code = np.empty(len(book.order), dtype=np.int64)
        by_code[sorted(range(len(book.order)), key=lambda number: book.order[number].code)] = np.arange(len(book.order))
        order = np.argsort(narrow(by_code[item], len(by_code)), kind="stable")
        since = day[order] - book.from_day
        order = order[np.argsort(narrow(since, int(since.max(initial=0)) + 1), kind="stable")]
        return RequirementColumns(
            [item.code for item in book.order], *(each[order] for each in (item, day, gross, covered, short))
        )

    @cached_property
    def pegs(self) -> Pegs:
        """What lines of firm batches take, by line."""
        return in_order_of_lines([NO_PEGS, *(pegs for level in self._served for pegs in level.pegs())])

    @cached_property
    def _open_lines(self) -> tuple[np.ndarray, np.ndarray]:
        """Of each firm batch, also of those after the plan's last day: lines that are short, and not here yet."""
        return covers_of(self._book, self._served)

    def _codes(self, heads: np.ndarray) -> list[str]:
        firm = self._book.firm
        return [firm.batches.code[place] for place in firm.batch[heads].tolist()]

    @cached_property
    def covers(self) -> dict[str, Cover]:
        """How each firm batch up to the plan's last day is covered."""
        heads = np.flatnonzero(self._shown())
        short, expected = (lines[heads].tolist() for lines in self._open_lines)
        return dict(zip(self._codes(heads), map(Cover, short, expected), strict=True))

    def cover(self, code: str) -> Cover | None:
        """How one firm batch is covered; None where none has this number, or one after the plan's last day."""
        firm = self._book.firm
        head = firm.number_of_batch.get(code)
        if head is None or firm.batches.planned_for[firm.batch[head]] > self.to_day:
            return None
        return Cover(*(int(lines[head]) for lines in self._open_lines))

    def short_batches(self) -> set[str]:
        """Firm batches that existing supply does not cover, also those after the plan's last day."""
        return set(self._codes(np.flatnonzero(self._open_lines[0])))

    def batch(self, code: str) -> BatchCoverage | None:
        """One firm batch line by line; None where none has this number."""
        head = self._book.firm.number_of_batch.get(code)
        if head is None:
            return None
        return self._batches(np.arange(len(self._book.firm)) == head)[0]

    def _shown(self) -> np.ndarray:
        firm = self._book.firm
        return firm.batches.planned_for[firm.batch] <= self.to_day

    def _batches(self, shown: np.ndarray) -> list[BatchCoverage]:
        """``shown`` by batch in order of service."""
        batches, short = write_lines(self._book, self.pegs, shown)
        _write_substitutes(self._book, short)
        return batches

    @cached_property
    def makes(self) -> list[Make]:
        """What to make that begins up to the plan's last day."""
        return _makes(self._book)

    @cached_property
    def buys(self) -> list[Buy]:
        """What to order up to the plan's last day."""
        return _buys(self._book)

    @cached_property
    def expiring(self) -> list[Expiring]:
        return _expiring(self._book)

    def spoiling(self, code: str) -> list[tuple[int, int]]:
        """What no need uses of an item's usable supply, up to the plan's last day: the first day on which it is past
        its life, and how much. Of what is here, on order and made by firm batches; not of what is only proposed.
        """
        book, stock = self._book, self._book.stock
        number = book.numbers[code]
        spoils: dict[int, int] = defaultdict(int)
        for row in range(int(stock.bounds[number]), int(stock.bounds[number + 1])):
            last_day, source = int(stock.last_day[row]), int(stock.source[row])
            rest = _unused(book, source) if source >= 0 else int(stock.rest[row])
            if last_day < book.to_day and rest:
                spoils[max(last_day + 1, int(stock.here_on[row]), book.from_day)] += rest
        return sorted(spoils.items())

    @cached_property
    def unmet(self) -> list[Unmet]:
        return _unmet(self._book)

    def proposed(self) -> Iterator[tuple[str, int]]:
        """Item and size of every proposal, also of those that begin after the plan's last day."""
        for _, make in self._book.makes:
            yield make.item, max(make.charge, make.quantity)
        for _, buy in self._book.buys:
            yield buy.item, buy.quantity

    def plan(self) -> Plan:
        """The plan row by row, with the lines of every batch up to its last day."""
        with collector_paused():
            book = self._book
            return Plan(
                from_day=book.from_day,
                to_day=book.to_day,
                requirements=_requirements(self.requirements),
                batches=self._batches(self._shown()),
                make=self.makes,
                buy=self.buys,
                expiring=self.expiring,
                unmet=self.unmet,
                lots_left=book.left,
            )


def _write_substitutes(book: Book, short: Iterable[ShortLine]) -> None:
    """On short lines: what the plan leaves of each substitute, usable on the line's day."""
    for row, line, day in short:
        row.substitutes = []
        for substitute in line.substitutes:
            item = book.items[substitute.item]
            free = book.free_of(item, day + item.min_remaining_days)
            enough = free >= substitute.ratio * row.short
            row.substitutes.append(SubstituteFree(item.code, plain_decimal(substitute.ratio), free, enough))


def plain_decimal(ratio: Fraction) -> str:
    """``ratio`` without exponent or trailing zeros; exact where it ends, else six places, half up."""
    places = next((each for each in range(19) if 10**each % ratio.denominator == 0), 6)
    steps = (2 * ratio.numerator * 10**places + ratio.denominator) // (2 * ratio.denominator)
    whole, part = divmod(steps, 10**places)
    digits = str(part).rjust(places, "0").rstrip("0") if part else ""
    return f"{whole}.{digits}" if digits else str(whole)


def _columns_of(served: Served) -> tuple[np.ndarray, ...]:
    """All of it covered."""
    return served.item, served.day, served.gross, served.gross, np.zeros(len(served.gross), dtype=np.int64)


def _requirements(columns: RequirementColumns) -> list[Requirement]:
    codes = columns.codes
    rows = zip(*(column.tolist() for column in columns[1:]), strict=True)
    return [Requirement(codes[item], day, gross, covered, short) for item, day, gross, covered, short in rows]


def _makes(book: Book) -> list[Make]:
    shown = [each for each in book.makes if each[1].start_on <= book.to_day]
    shown.sort(key=lambda each: (each[1].start_on, each[1].item, each[1].due_on, each[0]))
    return [make for _, make in shown]


def _buys(book: Book) -> list[Buy]:
    """The rows to show, with the item's free stock and then the id, which covers all that the row says."""
    row_id = RowIds()
    shown = [each for each in book.buys if each[1].order_by <= book.to_day]
    shown.sort(key=lambda each: (each[1].order_by, each[1].item, each[1].need_on, each[0]))
    free: dict[str, int] = {}
    rows = []
    for _, buy in shown:
        if buy.item not in free:
            free[buy.item] = book.free_of(book.items[buy.item], book.from_day)
        # Another row: an earlier or a later plan may have the same outcome and other stock left.
        row = replace(buy, free=free[buy.item])
        row.id = row_id(buy_content(row))
        rows.append(row)
    return rows


def _expiring(book: Book) -> list[Expiring]:
    """Every lot on hand whose last day is up to the plan's last, with what no need uses before.

    What is set aside for a need that comes too late for it spoils as well.
    """
    lots, left = book.lots, defaultdict[tuple[int, str, str], int](int)
    for index in np.flatnonzero((lots.quantity > 0) & (lots.last_day <= book.to_day)).tolist():
        code = lots.item[index]
        if not book.items[code].drawn:
            left[int(lots.last_day[index]), code, lots.lot[index]] += _unused(book, index)
    return [Expiring(lot, item, left[day, item, lot], day) for day, item, lot in sorted(left)]


def _unused(book: Book, index: int) -> int:
    """What no need uses of a portion: also what is set aside for a need that cannot use it."""
    rest = book.left[index] + int(book.reserved_on[index] - book.reserved_used[index])
    return min(rest, int(book.lots.quantity[index]))


def _unmet(book: Book) -> list[Unmet]:
    return [
        Unmet(item, day, book.unmet[day, item, reason], reason)
        for day, item, reason in sorted(book.unmet)
        if day <= book.to_day
    ]
