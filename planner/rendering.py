"""A plan as the document that ``plan --json`` prints: steps become "1250 g", ordinals become ISO days.

The order of keys and rows is fixed, so that equal plans are equal bytes. At ten thousand batches there are a
quarter of a million lines: texts and rows that recur are made once, and lists of the document may be shared.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from functools import cache
from typing import Any

from inventory.quantities import show_quantity
from planner.collector import collector_paused
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


class Shown(dict[int, str]):
    """The texts of one measure's quantities, each made when it is first asked for."""

    def __init__(self, measure: str) -> None:
        super().__init__()
        self.measure = measure

    def __missing__(self, steps: int) -> str:
        text = self[steps] = show_quantity(steps, self.measure)
        return text


ShownByItem = dict[str, Shown]  # item code -> texts of its measure


@collector_paused()
def plan_document(plan: result.Plan, problem: Problem) -> Row:
    """The document of design: from, to, requirements, batches, make, buy, expiring, unmet. Read only."""
    by_measure: dict[str, Shown] = {}
    shown: ShownByItem = {}
    for item in problem.items:
        shown[item.code] = by_measure.setdefault(item.measure, Shown(item.measure))
    return {
        "from": iso(plan.from_day),
        "to": iso(plan.to_day),
        "requirements": [requirement_row(row, shown[row.item]) for row in plan.requirements],
        "batches": batch_rows(plan.batches, shown),
        "make": [make_row(row, shown[row.item]) for row in plan.make],
        "buy": [buy_row(row, shown[row.item]) for row in plan.buy],
        "expiring": [
            {
                "lot": row.lot,
                "item": row.item,
                "quantity": shown[row.item][row.quantity],
                "expires_on": iso(row.expires_on),
            }
            for row in plan.expiring
        ],
        "unmet": [
            {
                "item": row.item,
                "day": iso(row.day),
                "quantity": shown[row.item][row.quantity],
                "reason": row.reason,
            }
            for row in plan.unmet
        ],
    }


def requirement_row(row: result.Requirement, shown: Shown) -> Row:
    return {
        "item": row.item,
        "day": iso(row.day),
        "gross": shown[row.gross],
        "covered": shown[row.covered],
        "short": shown[row.short],
    }


def batch_rows(batches: Iterable[result.BatchCoverage], shown: ShownByItem) -> list[Row]:
    """Batches with their lines. Lines of one item often pass over the same lots: those are one list here too."""
    passed_over: dict[int, list[Row]] = {}
    return [
        {
            "batch": batch.batch,
            "item": batch.item,
            "planned_for": iso(batch.planned_for),
            "coverage": batch.coverage,
            "lines": [line_row(line, shown, passed_over) for line in batch.lines],
        }
        for batch in batches
    ]


def line_row(line: result.BatchLine, shown: ShownByItem, passed_over: dict[int, list[Row]]) -> Row:
    own = shown[line.item]
    # The plan holds every list until the document is made, so that an id names one list.
    passed = passed_over.get(id(line.passed_over))
    if passed is None:
        passed = [{"lot": lot, "reason": reason} for lot, reason in line.passed_over]
        passed_over[id(line.passed_over)] = passed
    return {
        "position": line.position,
        "phase": line.phase,
        "item": line.item,
        "required": own[line.required],
        "lots": [{"lot": lot, "quantity": own[quantity]} for lot, quantity in line.lots],
        "expected": expected_rows(line.expected, own) if line.expected else [],
        "short": own[line.short],
        "proposed": own[line.proposed],
        "substitutes": substitute_rows(line.substitutes, shown) if line.substitutes else [],
        "passed_over": passed,
    }


def substitute_rows(rows: Iterable[result.SubstituteFree], shown: ShownByItem) -> list[Row]:
    return [
        {"item": one.item, "ratio": one.ratio, "free": shown[one.item][one.free], "enough": one.enough} for one in rows
    ]


def expected_rows(rows: Iterable[result.Expected], shown: Shown) -> list[Row]:
    return [{"source": one.source, "quantity": shown[one.quantity], "day": iso(one.day)} for one in rows]


def peg_rows(pegs: Iterable[result.Peg], shown: Shown) -> list[Row]:
    return [{"to": peg.to, "day": iso(peg.day), "quantity": shown[peg.quantity]} for peg in pegs]


def make_row(row: result.Make, shown: Shown) -> Row:
    return {
        "id": row.id,
        "item": row.item,
        "formula": row.formula,
        "version": row.version,
        "quantity": shown[row.quantity],
        "charge": shown[row.charge],
        "start_on": iso(row.start_on),
        "due_on": iso(row.due_on),
        "late": row.late,
        "coming": expected_rows(row.coming, shown),
        "excess": shown[row.excess],
        "pegged_to": peg_rows(row.pegged_to, shown),
    }


def buy_row(row: result.Buy, shown: Shown) -> Row:
    return {
        "id": row.id,
        "item": row.item,
        "quantity": shown[row.quantity],
        "packs": [{"supplier": pack.supplier, "pack": shown[pack.pack], "count": pack.count} for pack in row.packs],
        "cost": show_money(row.cost_e4),
        "need_on": iso(row.need_on),
        "order_by": iso(row.order_by),
        "late": row.late,
        "free": shown[row.free],
        "coming": expected_rows(row.coming, shown),
        "runs_out_on": None if row.runs_out_on is None else iso(row.runs_out_on),
        "excess": shown[row.excess],
        "waste": shown[row.waste],
        "pegged_to": peg_rows(row.pegged_to, shown),
    }
