"""Planning, whole: a problem in, a plan out.

Pure: the same problem gives the same plan, whatever the order of its rows. No clock, no I/O; imports
the standard library and the engine's own modules only.
"""

from __future__ import annotations

import gc
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction

from planner.engine.book import Book
from planner.engine.explode import line_quantities
from planner.engine.needs import BATCH_ORDER, DEMANDED, NO_PRIORITY, Need
from planner.engine.netting import net_item
from planner.engine.problem import Batch, Formula, Line, Problem
from planner.engine.propose import buy_content
from planner.engine.result import (
    BatchCoverage,
    BatchLine,
    Buy,
    Expected,
    Expiring,
    Make,
    Plan,
    Requirement,
    SubstituteFree,
    Unmet,
)

# A line starts with no lots, nothing expected, no substitutes; a list is put in place when there is
# something to say. A quarter of a million lines share these, and nobody writes into them.
_NO_LOTS: list[tuple[str, int]] = []
_NOTHING_EXPECTED: list[Expected] = []
_NO_SUBSTITUTES: list[SubstituteFree] = []
_NONE_PASSED_OVER: list[tuple[str, str]] = []


def plan(problem: Problem) -> Plan:
    """What to make and what to buy, by when, and what covers each firm batch.

    1. Read the problem, refuse loops and unknown codes.
    2. Write down the needs of firm batches and of demands.
    3. Net the items in order of their low-level codes; makings add needs to items further down.
    4. Fill in what only the whole plan can say: coverage, substitutes, free stock, expiring lots.

    Lists of the answer may be shared between rows: read only.
    Raises PlanError: unknown_item, unknown_formula, loop, formula_size, percent_sum, too_many_cuts,
    no_open_days.
    """
    with _collector_paused():
        return _plan(problem)


@contextmanager
def _collector_paused() -> Iterator[None]:
    """Pause the cyclic garbage collector: every row made here stays, and none is part of a cycle.

    Its full passes over a million live rows would take longer than the planning.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


def _plan(problem: Problem) -> Plan:
    book = Book(problem)
    coverage, substitutable = _add_batch_needs(book)
    _add_demand_needs(book)
    for code in sorted(book.items, key=lambda each: (book.levels[each], each)):
        net_item(book, book.items[code])
    _write_substitutes(book, substitutable)
    return Plan(
        from_day=book.from_day,
        to_day=book.to_day,
        requirements=_requirements(book),
        batches=_batches(coverage),
        make=_makes(book),
        buy=_buys(book),
        expiring=_expiring(book),
        unmet=_unmet(book),
        lots_left=book.lots_left,
    )


Substitutable = list[tuple[BatchLine, Line, int]]  # a shown line, its formula's line, the day of its need


def _add_batch_needs(book: Book) -> tuple[list[BatchCoverage], Substitutable]:
    """Write the needs of firm batches, in order of service; returns the rows of those that are shown."""
    firm = sorted(
        zip(book.problem.batches, book.batch_formulas, strict=True),
        key=lambda each: (max(book.from_day, each[0].planned_for), _batch_order(each[0])),
    )
    splits: dict[tuple[int, int], list[int]] = {}
    coverage: list[BatchCoverage] = []
    substitutable: Substitutable = []
    for batch, formula in firm:
        key = (id(formula), batch.charge)
        quantities = splits.get(key)
        if quantities is None:
            quantities = splits[key] = line_quantities(formula, batch.charge)
        if batch.required or batch.weighed:
            quantities = _still_needed(batch, formula, quantities)
        lines = _add_needs_of_batch(book, batch, formula, quantities)
        if batch.planned_for <= book.to_day:
            coverage.append(BatchCoverage(batch.batch, formula.item, batch.planned_for, "", lines))
            day = max(book.from_day, batch.planned_for)
            for shown, line in zip(lines, formula.lines, strict=True):
                if line.substitutes:
                    substitutable.append((shown, line, day))
    return coverage, substitutable


def _add_needs_of_batch(book: Book, batch: Batch, formula: Formula, quantities: list[int]) -> list[BatchLine]:
    day = max(book.from_day, batch.planned_for)
    shown = batch.planned_for <= book.to_day
    order = _batch_order(batch)
    to = "batch:" + batch.batch
    code = batch.batch
    rows: list[BatchLine] = []
    row: BatchLine | None = None
    for (position, phase, item, single_lot, min_remaining_days, needs), quantity in zip(
        book.lines_of(formula), quantities, strict=True
    ):
        if shown:
            row = BatchLine(
                position,
                phase,
                item,
                quantity,
                _NO_LOTS,
                _NOTHING_EXPECTED,
                quantity,
                0,
                _NO_SUBSTITUTES,
                _NONE_PASSED_OVER,
            )
            rows.append(row)
        if quantity:
            valid_through = day + min_remaining_days
            needs.append(Need(day, order, position, quantity, valid_through, to, code, single_lot, row))
    return rows


def _batch_order(batch: Batch) -> tuple[int, int, str]:
    priority = NO_PRIORITY if batch.priority is None else batch.priority
    return BATCH_ORDER[batch.status], priority, batch.batch


def _still_needed(batch: Batch, formula: Formula, quantities: list[int]) -> list[int]:
    """What the batch's own lines say in place of the formula's, less what is already weighed."""
    return [
        max(0, batch.required.get(line.position, quantity) - batch.weighed.get(line.position, 0))
        for line, quantity in zip(formula.lines, quantities, strict=True)
    ]


def _add_demand_needs(book: Book) -> None:
    for index, demand in enumerate(book.problem.demands):
        if not demand.quantity:
            continue
        day = max(book.from_day, demand.due_on)
        priority = NO_PRIORITY if demand.priority is None else demand.priority
        min_remaining_days = demand.min_remaining_days
        if min_remaining_days is None:
            min_remaining_days = book.items[demand.item].min_remaining_days
        # Two overdue demands of one customer and reference count as of the same day: the older first.
        order = (DEMANDED, priority, demand.customer, demand.reference, demand.due_on, demand.quantity, index)
        to = f"demand:{demand.customer}/{demand.reference}"
        book.needs[demand.item].append(Need(day, order, 0, demand.quantity, day + min_remaining_days, to, index))


def _batches(coverage: list[BatchCoverage]) -> list[BatchCoverage]:
    for batch in coverage:
        batch.coverage = "covered"
        for line in batch.lines:
            if line.short:
                batch.coverage = "short"
                break
            if line.expected:
                batch.coverage = "expected"
    return sorted(coverage, key=lambda batch: (batch.planned_for, batch.batch))


def _write_substitutes(book: Book, substitutable: Substitutable) -> None:
    """On short lines: what the plan leaves of each substitute, usable on the line's day."""
    for shown, line, day in substitutable:
        if not shown.short:
            continue
        shown.substitutes = []
        for substitute in line.substitutes:
            item = book.items[substitute.item]
            free = book.free_of(item, day + item.min_remaining_days)
            enough = free >= substitute.ratio * shown.short
            shown.substitutes.append(SubstituteFree(item.code, plain_decimal(substitute.ratio), free, enough))


def plain_decimal(ratio: Fraction) -> str:
    """``ratio`` without exponent or trailing zeros; exact where it ends, else six places, half up."""
    places = next((each for each in range(19) if 10**each % ratio.denominator == 0), 6)
    steps = (2 * ratio.numerator * 10**places + ratio.denominator) // (2 * ratio.denominator)
    whole, part = divmod(steps, 10**places)
    digits = str(part).rjust(places, "0").rstrip("0") if part else ""
    return f"{whole}.{digits}" if digits else str(whole)


def _requirements(book: Book) -> list[Requirement]:
    rows: list[Requirement] = []
    for day in sorted(book.requirements):
        rows.extend(sorted(book.requirements[day], key=lambda row: row.item))
    return rows


def _makes(book: Book) -> list[Make]:
    shown = [each for each in book.makes if each[1].start_on <= book.to_day]
    shown.sort(key=lambda each: (each[1].start_on, each[1].item, each[1].due_on, each[0]))
    return [make for _, make in shown]


def _buys(book: Book) -> list[Buy]:
    """The rows to show, with the item's free stock and then the id, which covers all that the row says."""
    shown = [each for each in book.buys if each[1].order_by <= book.to_day]
    shown.sort(key=lambda each: (each[1].order_by, each[1].item, each[1].need_on, each[0]))
    free: dict[str, int] = {}
    for _, buy in shown:
        if buy.item not in free:
            free[buy.item] = book.free_of(book.items[buy.item], book.from_day)
        buy.free = free[buy.item]
        buy.id = book.row_id(buy_content(buy))
    return [buy for _, buy in shown]


def _expiring(book: Book) -> list[Expiring]:
    """Every lot on hand whose last day is up to the plan's last, with what no need uses before."""
    left: dict[tuple[int, str, str], int] = defaultdict(int)
    for lot, rest in zip(book.problem.lots, book.lots_left, strict=True):
        if lot.quantity and lot.last_day <= book.to_day and not book.items[lot.item].drawn:
            left[lot.last_day, lot.item, lot.lot] += rest
    return [Expiring(lot, item, left[day, item, lot], day) for day, item, lot in sorted(left)]


def _unmet(book: Book) -> list[Unmet]:
    return [
        Unmet(item, day, book.unmet[day, item, reason], reason)
        for day, item, reason in sorted(book.unmet)
        if day <= book.to_day
    ]
