"""The plan's document is written as JSON by hand where there are many rows: it must still be JSON, and all of it."""

from __future__ import annotations

import json
from datetime import date

import orjson
import pytest

from planner.engine import plan
from planner.engine.plan import net
from planner.engine.problem import WHOLE, Batch, Demand, Formula, Item, Line, Lot, Problem
from planner.rendering import plan_document, plan_json, requirements_document
from tests.engine.medium_problem import medium_problem

FROM_DAY = date(2026, 11, 2).toordinal()
ODD = 'R "1" \\ é\tü'  # what a code may hold and JSON must escape, or must not


def odd_problem() -> Problem:
    return Problem(
        from_day=FROM_DAY,
        to_day=FROM_DAY + 27,
        items=(Item(ODD, "raw"), Item("OIL", "raw"), Item("MIX", "intermediate")),
        lots=(
            Lot(ODD, 'L "1"', 1500, "released"),
            Lot(ODD, "L\\2", 10_000, "held"),
            Lot("OIL", "L3", 9_000, "quarantine", available_on=FROM_DAY),
        ),
        formulas=(
            Formula("F", 1, "MIX", "percent", (Line(1, ODD, WHOLE // 2, phase='"A"'), Line(2, "OIL", WHOLE // 2))),
        ),
        batches=(Batch('B"1"', "F", 1, 4001, FROM_DAY),),
        demands=(Demand("MIX", 9_000, FROM_DAY + 9, 'C"', "é"),),
    )


def test_the_pieces_are_one_json_object_whatever_the_codes_hold() -> None:
    problem = odd_problem()
    document = json.loads("".join(plan_json(plan(problem), problem)))
    assert list(document) == ["from", "to", "requirements", "batches", "make", "buy", "expiring", "unmet"]
    (batch,) = document["batches"]
    assert (batch["batch"], batch["planned_for"], batch["coverage"]) == ('B"1"', "2026-11-02", "short")
    first, second = batch["lines"]
    assert first == {
        "position": 1,
        "phase": '"A"',
        "item": ODD,
        "required": "2.001 g",
        "lots": [{"lot": 'L "1"', "quantity": "1.5 g"}],
        "expected": [],
        "short": "0.501 g",
        "proposed": "0 g",
        "substitutes": [],
        "passed_over": [{"lot": "L\\2", "reason": "held"}],
    }
    assert second["expected"] == [{"source": "lot:L3", "quantity": "2 g", "day": "2026-11-02"}]
    requirements = {(row["item"], row["day"]): row for row in document["requirements"]}
    assert requirements[ODD, "2026-11-02"]["short"] == "0.501 g"


@pytest.mark.parametrize(
    "problem", [odd_problem(), medium_problem(items=120, batches=200, lots=2000)], ids=["odd", "usual"]
)
def test_requirements_alone_are_those_of_the_whole_plan(problem: Problem) -> None:
    whole = plan_document(plan(problem), problem)
    alone = json.loads("".join(requirements_document(net(problem).requirements, problem)))
    assert list(alone) == ["from", "to", "requirements"]
    assert alone == {key: whole[key] for key in alone}
    assert any(row["short"] != "0 g" for row in alone["requirements"])


def test_the_text_is_what_a_json_writer_would_write_for_the_document() -> None:
    problem = odd_problem()
    answer = plan(problem)
    assert "".join(plan_json(answer, problem)).encode() == orjson.dumps(plan_document(answer, problem))
