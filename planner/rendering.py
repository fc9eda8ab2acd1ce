"""A plan as the document that ``plan --json`` prints: steps become "1250 g", ordinals become ISO days.

The order of keys and rows is fixed, so that equal plans are equal bytes. Requirements and lines of batches, of which
there may be hundreds of thousands, are written as JSON at once: a dict for each would take twice the time and memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from functools import cache
from json.encoder import encode_basestring as quote
from typing import Any

import numpy as np
import orjson

from inventory.quantities import COUNT, MASS, show_quantity
from planner.collector import collector_paused
from planner.engine import result
from planner.engine.problem import Problem

Row = dict[str, Any]
Measures = dict[str, str]  # by item code

NOTHING = {measure: show_quantity(0, measure) for measure in (MASS, COUNT)}
PIECE = 20_000  # rows that are written at once
# What follows the whole number of a quantity: by milligrams beyond the gram, and last that of a count.
ENDS = np.array([*(show_quantity(steps, MASS)[1:] for steps in range(1000)), show_quantity(0, COUNT)[1:]], dtype=object)
SHORT_OF_NOTHING = np.array([f'","short":"{NOTHING[measure]}"}}' for measure in (MASS, COUNT)], dtype=object)


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
    yield from requirements_json(_columns_of(plan.requirements), measures)
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


def _columns_of(rows: Sequence[result.Requirement]) -> result.RequirementColumns:
    place_of = {code: place for place, code in enumerate(dict.fromkeys(row.item for row in rows))}
    item = np.array([place_of[row.item] for row in rows], dtype=np.int64)
    quantities = [np.array([getattr(row, name) for row in rows]) for name in ("day", "gross", "covered", "short")]
    return result.RequirementColumns(list(place_of), item, *quantities)


def requirements_json(columns: result.RequirementColumns, measures: Measures) -> Iterator[str]:
    """Requirements from columns, separated by commas; in pieces."""
    heads = np.array([f'{{"item":{quote(code)},"day":"' for code in columns.codes], dtype=object)
    counted = np.array([measures[code] == COUNT for code in columns.codes], dtype=np.bool_)
    for begin in range(0, len(columns.item), PIECE):
        item, day, gross, covered, short = (column[begin : begin + PIECE] for column in columns[1:])
        texts = _requirement_texts(heads[item], counted[item], day, gross, covered, short)
        yield ("," if begin else "") + ",".join(texts)


def _requirement_texts(
    head: np.ndarray, counted: np.ndarray, day: np.ndarray, gross: np.ndarray, covered: np.ndarray, short: np.ndarray
) -> list[str]:
    days, day_of = np.unique(day, return_inverse=True)
    on = np.array([f'{iso(each)}","gross":"' for each in days.tolist()], dtype=object)[day_of]
    # A whole number and what is written after it: looking that up costs less than writing each quantity by itself.
    whole, end = np.where(counted, gross, gross // 1000), np.where(counted, 1000, gross % 1000).astype(np.int64)
    short_of_nothing = SHORT_OF_NOTHING[counted.astype(np.int64)]
    texts = [
        f'{item}{at}{number}{rest}","covered":"{number}{rest}{nothing}'
        for item, at, number, rest, nothing in zip(
            head.tolist(), on.tolist(), whole.tolist(), ENDS[end].tolist(), short_of_nothing.tolist(), strict=True
        )
    ]
    for place in np.flatnonzero((covered != gross) | (short != 0)).tolist():
        measure = COUNT if counted[place] else MASS
        needed, served, missing = (show_quantity(int(each[place]), measure) for each in (gross, covered, short))
        texts[place] = f'{head[place]}{on[place]}{needed}","covered":"{served}","short":"{missing}"}}'
    return texts


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
