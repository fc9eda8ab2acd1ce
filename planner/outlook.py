"""How one item will fare over the plan's days: what is free, what comes, what is used, what spoils.

Reads a plan, changes nothing. A day's figure is what is left at its end, if everything goes as the plan says.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from inventory import selectors
from inventory.models import Item
from planner.engine.explode import formula_output
from planner.engine.problem import Problem
from planner.engine.result import Plan
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
    """Raises NotFound for an item that there is not."""
    return outlook_in(plan_from_today(), selectors.find_item(code))


def outlook_in(run: PlanRun, item: Item) -> Outlook:
    problem, plan = run.problem, run.plan
    comes, start = _firm(problem, plan, item.code)
    proposed = _proposed(plan, item.code)
    used: dict[int, int] = defaultdict(int)
    short_on = None
    for row in plan.requirements:
        if row.item == item.code:
            used[max(row.day, plan.from_day)] += row.gross
            if row.short and short_on is None:
                short_on = date.fromordinal(row.day)
    spoils: dict[int, int] = defaultdict(int)
    for lot in plan.expiring:
        if lot.item == item.code:
            spoils[max(lot.expires_on + 1, plan.from_day)] += lot.quantity  # its last day is still a good one
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


def _firm(problem: Problem, plan: Plan, code: str) -> tuple[dict[int, int], int]:
    """What is there at the start, and what comes by day: lots not here yet, orders, outputs of firm batches."""
    place = next(at for at, row in enumerate(problem.items) if row.code == code)
    row = problem.items[place]
    comes: dict[int, int] = defaultdict(int)
    start = 0
    for lot in problem.lots:
        if lot.item != code or lot.set_apart or lot.status in ("rejected", "held"):
            continue
        waits = lot.status == "quarantine" or lot.retest_on < plan.from_day
        if waits and (lot.available_on is None or lot.status != "quarantine"):
            continue  # nobody knows when it may be used
        here = max(lot.available_on or 0, 0 if waits else lot.received_on or 0)
        if here <= plan.from_day:
            start += lot.quantity
        else:
            comes[here] += lot.quantity
    for order in problem.orders:
        if order.item == code:
            comes[max(plan.from_day, order.due_on + row.release_days)] += order.quantity
    made_of = {(one.formula, one.version): one for one in problem.formulas}
    for batch in problem.batches:
        formula = made_of.get((batch.formula, batch.version))
        if formula is None or formula.item != code or batch.trial:
            continue
        here = batch.planned_for + row.lead_time_days + row.release_days
        comes[max(plan.from_day, here)] += formula_output(formula, batch.charge)
    return comes, start


def _proposed(plan: Plan, code: str) -> dict[int, int]:
    proposed: dict[int, int] = defaultdict(int)
    for make in plan.make:
        if make.item == code:
            proposed[max(plan.from_day, make.due_on)] += make.quantity
    for buy in plan.buy:
        if buy.item == code:
            proposed[max(plan.from_day, buy.need_on)] += buy.quantity
    return proposed
