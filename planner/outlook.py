"""How one item will fare over the plan's days: what is free, what comes, what is used, what spoils.

Reads a plan, changes nothing. A day's figure is what is left at its end, if everything goes as the plan says.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

import numpy as np

from inventory import selectors
from inventory.errors import NotFound
from inventory.models import Item
from planner.engine.batches import BatchColumns
from planner.engine.explode import formula_output
from planner.engine.plan import Netted
from planner.engine.portions import Portions
from planner.engine.problem import Problem
from planner.services import PlanRun
from planner.week import plan_from_today


@dataclass(frozen=True, slots=True)
class OutlookDay:
    """In base steps. ``comes`` is firm: orders and batches; ``proposed`` what the plan would buy or make."""

    day: date
    comes: int
    proposed: int
    used: int
    spoils: int
    left: int  # firm alone; below 0 where it is short
    left_with_proposals: int


@dataclass(frozen=True, slots=True)
class Outlook:
    item: Item
    start: int  # usable now
    days: tuple[OutlookDay, ...]  # those on which something happens, and the first and the last
    safety_stock: int
    short_on: date | None


def outlook_of(code: str) -> Outlook:
    """Raises NotFound for an item that there is not, or that is drawn as it is needed."""
    item = selectors.find_item(code)
    if item.drawn:
        raise NotFound(f"{code} is drawn as it is needed: it never runs out, and has no days to show")
    return outlook_in(plan_from_today(), item)


def outlook_in(run: PlanRun, item: Item) -> Outlook:
    plan = run.netted
    comes, start = _firm(run.problem, item.code)
    proposed = _proposed(plan, item.code)
    used: dict[int, int] = defaultdict(int)
    needs = plan.requirements
    mine = np.flatnonzero(needs.item == needs.codes.index(item.code))
    for day, gross in zip(needs.day[mine].tolist(), needs.gross[mine].tolist(), strict=True):
        used[max(day, plan.from_day)] += gross
    short = mine[needs.short[mine] > 0]
    short_on = date.fromordinal(int(needs.day[short[0]])) if len(short) else None
    spoils: dict[int, int] = defaultdict(int)
    for day, quantity in plan.spoiling(item.code):
        spoils[day] += quantity
    start -= spoils.pop(plan.from_day, 0)
    left, with_proposals, days = start, start, []
    last = plan.to_day
    for day in range(plan.from_day, last + 1):
        left += comes[day] - used[day] - spoils[day]
        with_proposals += comes[day] + proposed[day] - used[day] - spoils[day]
        if day in (plan.from_day, last) or comes[day] or proposed[day] or used[day] or spoils[day]:
            days.append(
                OutlookDay(
                    date.fromordinal(day), comes[day], proposed[day], used[day], spoils[day], left, with_proposals
                )
            )
    return Outlook(item, start, tuple(days), item.safety_stock, short_on)


def _firm(problem: Problem, code: str) -> tuple[dict[int, int], int]:
    """What is there at the start, and what comes by day: lots not here yet, orders, outputs of firm batches."""
    place = next(at for at, row in enumerate(problem.items) if row.code == code)
    row, from_day = problem.items[place], problem.from_day
    comes: dict[int, int] = defaultdict(int)
    start = 0
    lots = Portions.of(problem.lots)
    for at in [at for at, item in enumerate(lots.item) if item == code]:
        lot = lots[at]
        if lot.set_apart or lot.status in ("rejected", "held"):
            continue
        waits = lot.status == "quarantine" or lot.retest_on < from_day
        if waits and (lot.available_on is None or lot.status != "quarantine"):
            continue  # nobody knows when it may be used
        here = max(lot.available_on or 0, 0 if waits else lot.received_on or 0)
        if here <= from_day:
            start += lot.quantity
        else:
            comes[here] += lot.quantity
    for order in problem.orders:
        if order.item == code:
            comes[max(from_day, order.due_on + row.release_days)] += order.quantity
    batches = BatchColumns.of(problem.batches, problem.formulas)
    makes_it = np.array([formula.item == code for formula in problem.formulas], dtype=np.bool_)
    for at in np.flatnonzero(makes_it[batches.formula] & ~batches.trial).tolist():
        here = int(batches.planned_for[at]) + row.lead_time_days + row.release_days
        comes[max(from_day, here)] += formula_output(problem.formulas[batches.formula[at]], int(batches.charge[at]))
    return comes, start


def _proposed(plan: Netted, code: str) -> dict[int, int]:
    proposed: dict[int, int] = defaultdict(int)
    for make in plan.makes:
        if make.item == code:
            proposed[max(plan.from_day, make.due_on)] += make.quantity
    for buy in plan.buys:
        if buy.item == code:
            proposed[max(plan.from_day, buy.need_on)] += buy.quantity
    return proposed
