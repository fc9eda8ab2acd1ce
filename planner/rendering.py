"""A plan as the document that ``plan --json`` prints: steps become "1250 g", ordinals become ISO days.

The order of keys and rows is fixed, so that equal plans are equal bytes. Requirements and lines of batches, of which
there may be hundreds of thousands, are written as JSON at once: a dict for each would take twice the time and memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from functools import cache
from itertools import islice
from json.encoder import encode_basestring as quote
from typing import Any

import orjson

from inventory.quantities import COUNT, MASS, show_quantity
from planner.collector import collector_paused
from planner.engine import result
from planner.engine.problem import Problem

Row = dict[str, Any]
Measures = dict[str, str]  # by item code

NOTHING = {measure: show_quantity(0, measure) for measure in (MASS, COUNT)}


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


@collector_paused()
def plan_document(plan: result.Plan, problem: Problem) -> Row:
    """The document of design: from, to, requirements, batches, make, buy, expiring, unmet."""
    document: Row = orjson.loads("".join(plan_json(plan, problem)))
    return document


def plan_json(plan: result.Plan, problem: Problem) -> Iterator[str]:
    """The document as one JSON object, in pieces: written one after the other they are ``plan --json``."""
    measures = {item.code: item.measure for item in problem.items}
    yield f'{{"from":"{iso(plan.from_day)}","to":"{iso(plan.to_day)}","requirements":['
    yield ",".join(
        [
            requirement_json(requirement_head(row.item), row.day, row.gross, row.covered, row.short, measures[row.item])
            for row in plan.requirements
        ]
    )
    yield '],"batches":['
    yield from batches_json(plan.batches, measures)
    yield f'],"make":{rows_json([make_row(row, measures[row.item]) for row in plan.make])}'
    yield f',"buy":{rows_json([buy_row(row, measures[row.item]) for row in plan.buy])}'
    yield f',"expiring":{rows_json([expiring_row(row, measures[row.item]) for row in plan.expiring])}'
    yield f',"unmet":{rows_json([unmet_row(row, measures[row.item]) for row in plan.unmet])}}}'


def requirements_document(columns: result.RequirementColumns, problem: Problem) -> Iterator[str]:
    """The aggregated plan as one JSON object, in pieces."""
    measures = {item.code: item.measure for item in problem.items}
    yield f'{{"from":"{iso(problem.from_day)}","to":"{iso(problem.to_day)}","requirements":['
    yield from requirements_json(columns, measures)
    yield "]}"


def rows_json(rows: list[Row]) -> str:
    return orjson.dumps(rows).decode()


def requirements_json(columns: result.RequirementColumns, measures: Measures) -> Iterator[str]:
    """Requirements from columns, separated by commas; in pieces."""
    heads = [requirement_head(code) for code in columns.codes]
    measure_of = [measures[code] for code in columns.codes]
    rows = zip(*(column.tolist() for column in columns[1:]), strict=True)
    separator = ""
    while part := list(islice(rows, 10_000)):
        texts = [
            requirement_json(heads[item], day, gross, covered, short, measure_of[item])
            for item, day, gross, covered, short in part
        ]
        yield separator + ",".join(texts)
        separator = ","


@cache
def requirement_head(code: str) -> str:
    """How the requirements of one item begin."""
    return f'{{"item":{quote(code)},"day":"'


def requirement_json(head: str, day: int, gross: int, covered: int, short: int, measure: str) -> str:
    """One requirement, in base steps; ``head`` of its item."""
    needed = show_quantity(gross, measure)
    if covered == gross and not short:  # by far the most common case
        return f'{head}{iso(day)}","gross":"{needed}","covered":"{needed}","short":"{NOTHING[measure]}"}}'
    rest = f'"covered":"{show_quantity(covered, measure)}","short":"{show_quantity(short, measure)}"}}'
    return f'{head}{iso(day)}","gross":"{needed}",{rest}'


def batches_json(batches: Iterable[result.BatchCoverage], measures: Measures) -> Iterator[str]:
    """Batches with their lines, separated by commas. Lines that share a list of passed-over lots share its text."""
    passed_over: dict[int, str] = {}
    separator = ""
    for batch in batches:
        lines = []
        for line in batch.lines:
            # The plan holds every list until all is written, so that an id names one list.
            passed = passed_over.get(id(line.passed_over))
            if passed is None:
                passed = rows_json([{"lot": lot, "reason": reason} for lot, reason in line.passed_over])
                passed_over[id(line.passed_over)] = passed
            lines.append(line_json(line, measures, passed))
        yield (
            f'{separator}{{"batch":{quote(batch.batch)},"item":{quote(batch.item)},'
            f'"planned_for":"{iso(batch.planned_for)}","coverage":"{batch.coverage}","lines":[{",".join(lines)}]}}'
        )
        separator = ","


def line_json(line: result.BatchLine, measures: Measures, passed_over: str) -> str:
    measure = measures[line.item]
    required = show_quantity(line.required, measure)
    if len(line.lots) == 1 and line.lots[0][1] == line.required:  # by far the most common case
        lots = f'{{"lot":{quote(line.lots[0][0])},"quantity":"{required}"}}'
    else:
        lots = ",".join(
            [f'{{"lot":{quote(lot)},"quantity":"{show_quantity(steps, measure)}"}}' for lot, steps in line.lots]
        )
    short = show_quantity(line.short, measure) if line.short else NOTHING[measure]
    proposed = show_quantity(line.proposed, measure) if line.proposed else NOTHING[measure]
    expected = rows_json(expected_rows(line.expected, measure)) if line.expected else "[]"
    substitutes = rows_json(substitute_rows(line.substitutes, measures)) if line.substitutes else "[]"
    return (
        f'{{"position":{line.position},"phase":{quote(line.phase)},"item":{quote(line.item)},"required":"{required}",'
        f'"lots":[{lots}],"expected":{expected},"short":"{short}","proposed":"{proposed}",'
        f'"substitutes":{substitutes},"passed_over":{passed_over}}}'
    )


def substitute_rows(rows: Iterable[result.SubstituteFree], measures: Measures) -> list[Row]:
    return [
        {
            "item": one.item,
            "ratio": one.ratio,
            "free": show_quantity(one.free, measures[one.item]),
            "enough": one.enough,
        }
        for one in rows
    ]


def expected_rows(rows: Iterable[result.Expected], measure: str) -> list[Row]:
    return [
        {"source": one.source, "quantity": show_quantity(one.quantity, measure), "day": iso(one.day)} for one in rows
    ]


def peg_rows(pegs: Iterable[result.Peg], measure: str) -> list[Row]:
    return [{"to": peg.to, "day": iso(peg.day), "quantity": show_quantity(peg.quantity, measure)} for peg in pegs]


def expiring_row(row: result.Expiring, measure: str) -> Row:
    return {
        "lot": row.lot,
        "item": row.item,
        "quantity": show_quantity(row.quantity, measure),
        "expires_on": iso(row.expires_on),
    }


def unmet_row(row: result.Unmet, measure: str) -> Row:
    return {
        "item": row.item,
        "day": iso(row.day),
        "quantity": show_quantity(row.quantity, measure),
        "reason": row.reason,
    }


def make_row(row: result.Make, measure: str) -> Row:
    return {
        "id": row.id,
        "item": row.item,
        "formula": row.formula,
        "version": row.version,
        "quantity": show_quantity(row.quantity, measure),
        "charge": show_quantity(row.charge, measure),
        "start_on": iso(row.start_on),
        "due_on": iso(row.due_on),
        "late": row.late,
        "coming": expected_rows(row.coming, measure),
        "excess": show_quantity(row.excess, measure),
        "pegged_to": peg_rows(row.pegged_to, measure),
    }


def buy_row(row: result.Buy, measure: str) -> Row:
    return {
        "id": row.id,
        "item": row.item,
        "quantity": show_quantity(row.quantity, measure),
        "packs": [
            {"supplier": pack.supplier, "pack": show_quantity(pack.pack, measure), "count": pack.count}
            for pack in row.packs
        ],
        "cost": show_money(row.cost_e4),
        "need_on": iso(row.need_on),
        "order_by": iso(row.order_by),
        "late": row.late,
        "free": show_quantity(row.free, measure),
        "coming": expected_rows(row.coming, measure),
        "runs_out_on": None if row.runs_out_on is None else iso(row.runs_out_on),
        "excess": show_quantity(row.excess, measure),
        "waste": show_quantity(row.waste, measure),
        "pegged_to": peg_rows(row.pegged_to, measure),
    }
