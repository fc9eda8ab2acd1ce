"""A plan as the document that ``plan --json`` prints: steps become "1250 g", ordinals become ISO days.

The order of keys and rows is fixed, so that equal plans are equal bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from functools import cache
from typing import Any

from inventory.quantities import show_quantity
from planner.engine import result
from planner.engine.problem import Problem

Row = dict[str, Any]


@cache
def iso(day: int) -> str:
    return date.fromordinal(day).isoformat()


def show_money(amount_e4: int | None) -> str | None:
    """Ten-thousandths of the currency as a plain decimal with at least two places."""
    if amount_e4 is None:
        return None
    whole, rest = divmod(abs(amount_e4), 10_000)
    sign = "-" if amount_e4 < 0 else ""
    places = f"{rest:04d}"
    return f"{sign}{whole}.{places[:2]}{places[2:].rstrip('0')}"


def plan_document(plan: result.Plan, problem: Problem) -> Row:
    """The document of design: from, to, requirements, batches, make, buy, expiring, unmet."""
    measure = {item.code: item.measure for item in problem.items}

    def show(item: str, steps: int) -> str:
        return show_quantity(steps, measure[item])

    return {
        "from": iso(plan.from_day),
        "to": iso(plan.to_day),
        "requirements": [
            {
                "item": row.item,
                "day": iso(row.day),
                "gross": show(row.item, row.gross),
                "covered": show(row.item, row.covered),
                "short": show(row.item, row.short),
            }
            for row in plan.requirements
        ],
        "batches": [batch_row(row, measure) for row in plan.batches],
        "make": [make_row(row, measure) for row in plan.make],
        "buy": [buy_row(row, measure) for row in plan.buy],
        "expiring": [
            {
                "lot": row.lot,
                "item": row.item,
                "quantity": show(row.item, row.quantity),
                "expires_on": iso(row.expires_on),
            }
            for row in plan.expiring
        ],
        "unmet": [
            {
                "item": row.item,
                "day": iso(row.day),
                "quantity": show(row.item, row.quantity),
                "reason": row.reason,
            }
            for row in plan.unmet
        ],
    }


def batch_row(row: result.BatchCoverage, measure: dict[str, str]) -> Row:
    return {
        "batch": row.batch,
        "item": row.item,
        "planned_for": iso(row.planned_for),
        "coverage": row.coverage,
        "lines": [line_row(line, measure) for line in row.lines],
    }


def line_row(line: result.BatchLine, measure: dict[str, str]) -> Row:
    unit = measure[line.item]
    return {
        "position": line.position,
        "phase": line.phase,
        "item": line.item,
        "required": show_quantity(line.required, unit),
        "lots": [{"lot": lot, "quantity": show_quantity(quantity, unit)} for lot, quantity in line.lots],
        "expected": expected_rows(line.expected, unit),
        "short": show_quantity(line.short, unit),
        "proposed": show_quantity(line.proposed, unit),
        "substitutes": [
            {
                "item": one.item,
                "ratio": one.ratio,
                "free": show_quantity(one.free, measure[one.item]),
                "enough": one.enough,
            }
            for one in line.substitutes
        ],
        "passed_over": [{"lot": lot, "reason": reason} for lot, reason in line.passed_over],
    }


def expected_rows(rows: Iterable[result.Expected], unit: str) -> list[Row]:
    return [{"source": one.source, "quantity": show_quantity(one.quantity, unit), "day": iso(one.day)} for one in rows]


def peg_rows(pegs: Iterable[result.Peg], unit: str) -> list[Row]:
    return [{"to": peg.to, "day": iso(peg.day), "quantity": show_quantity(peg.quantity, unit)} for peg in pegs]


def make_row(row: result.Make, measure: dict[str, str]) -> Row:
    unit = measure[row.item]
    return {
        "id": row.id,
        "item": row.item,
        "formula": row.formula,
        "version": row.version,
        "quantity": show_quantity(row.quantity, unit),
        "charge": show_quantity(row.charge, unit),
        "start_on": iso(row.start_on),
        "due_on": iso(row.due_on),
        "late": row.late,
        "coming": expected_rows(row.coming, unit),
        "excess": show_quantity(row.excess, unit),
        "pegged_to": peg_rows(row.pegged_to, unit),
    }


def buy_row(row: result.Buy, measure: dict[str, str]) -> Row:
    unit = measure[row.item]
    return {
        "id": row.id,
        "item": row.item,
        "quantity": show_quantity(row.quantity, unit),
        "packs": [
            {"supplier": pack.supplier, "pack": show_quantity(pack.pack, unit), "count": pack.count}
            for pack in row.packs
        ],
        "cost": show_money(row.cost_e4),
        "need_on": iso(row.need_on),
        "order_by": iso(row.order_by),
        "late": row.late,
        "free": show_quantity(row.free, unit),
        "coming": expected_rows(row.coming, unit),
        "runs_out_on": None if row.runs_out_on is None else iso(row.runs_out_on),
        "excess": show_quantity(row.excess, unit),
        "waste": show_quantity(row.waste, unit),
        "pegged_to": peg_rows(row.pegged_to, unit),
    }
