"""Formulas and batches through the API, beyond the examples: a day at the bench, and what it refuses."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.test import APIClient

from planner.exchange.tables import CHECKS, FORMULA_LINES, FORMULAS, STEPS, SUBSTITUTES, Table
from production.api.formulas import CheckForm, LineForm, NewFormula, StepForm, SubstituteForm
from tests.planner.api.house import everything

Client = APIClient


def post(client: Client, address: str, body: dict[str, Any] | None = None, status: int = 200) -> Any:
    """The answer to a POST below /api/v1/, which must have this status."""
    answer = client.post(f"/api/v1/{address}", body or {}, format="json")
    assert answer.status_code == status, answer.content
    return answer.json()


def get(client: Client, address: str) -> Any:
    answer = client.get(f"/api/v1/{address}")
    assert answer.status_code == 200, answer.content
    return answer.json()


def refused(client: Client, address: str, body: dict[str, Any] | None = None, status: int = 409) -> Any:
    """The problem that a POST is answered with; it must have changed nothing."""
    before = everything()
    problem = post(client, address, body, status)
    assert everything() == before
    return problem


@pytest.mark.parametrize(
    ("form", "table", "elsewhere"),
    [
        (NewFormula, FORMULAS, {"version", "status"}),
        (LineForm, FORMULA_LINES, {"formula", "version"}),
        (SubstituteForm, SUBSTITUTES, {"formula", "version", "position", "item"}),
        (StepForm, STEPS, {"formula", "version"}),
        (CheckForm, CHECKS, {"formula", "version"}),
    ],
)
def test_a_form_has_the_columns_of_its_table(form: type, table: Table, elsewhere: set[str]) -> None:
    """Beside what the address says, and the lists that are tables of their own."""
    taken = {
        name: one.reader.accepted
        for name, one in form().fields.items()
        if name not in ("lines", "steps", "checks", "substitutes")
    }
    assert taken == {column.name: column.reader.accepted for column in table.columns if column.name not in elsewhere}


def test_a_formula_goes_from_draft_to_approved_to_retired(house: dict[str, APIClient]) -> None:
    content = {"basis": "percent", "lines": [{"item": "OIL", "amount": "70"}, {"item": "WAX", "amount": "30"}]}
    assert post(house["maker"], "formulas/RUB/versions", content, 201)["version"] == 2
    answer = house["maker"].put("/api/v1/formulas/RUB/2", content | {"steps": [{"text": "Melt."}]}, format="json")
    assert [step["position"] for step in answer.json()["steps"]] == [1]
    assert post(house["quality"], "formulas/RUB/2/approve")["warnings"] == []
    states = {one["version"]: one["status"] for one in get(house["viewer"], "formulas/RUB")["versions"]}
    assert states == {1: "retired", 2: "approved"}
    assert get(house["viewer"], "formulas/RUB/2")["approved_by"] == "quality"
    problem = house["maker"].put("/api/v1/formulas/RUB/2", content, format="json")
    assert (problem.status_code, problem.json()["code"]) == (409, "version_closed")
    post(house["quality"], "formulas/RUB/2/retire")
    refused(house["quality"], "formulas/RUB/2/retire")


def test_who_drafts_does_not_approve(house: dict[str, APIClient]) -> None:
    post(house["maker"], "formulas/RUB/1/copy", status=201)
    refused(house["maker"], "formulas/RUB/2/approve", status=403)
    refused(house["quality"], "formulas/RUB/2/copy", status=403)


def test_what_stands_against_approval_is_told_before_and_refused_then(house: dict[str, APIClient]) -> None:
    content = {"basis": "percent", "lines": [{"item": "OIL", "amount": "70"}, {"item": "RUB", "amount": "20"}]}
    findings = post(house["maker"], "formulas/RUB/versions", content, 201)["findings"]
    assert findings["faults"] == ["the lines sum to 90 %, not to 100", "a loop: RUB -> RUB"]
    problem = refused(house["quality"], "formulas/RUB/2/approve", status=400)
    assert problem["code"] == "not_approvable"
    assert [one["value"] for one in problem["errors"]] == findings["faults"]


def test_a_formula_written_in_masses_is_turned_into_percent(house: dict[str, APIClient]) -> None:
    lines = [{"item": "OIL", "amount": "300 g"}, {"item": "WAX", "amount": "100 g"}]
    body = {"formula": "SOFT", "item": "RUB", "basis": "percent", "lines": lines}
    written = post(house["maker"], "formulas", body, 201)
    assert [line["amount"] for line in written["lines"]] == ["75", "25"]


def test_a_formula_makes_one_item_and_keeps_its_versions_apart(house: dict[str, APIClient]) -> None:
    body = {"formula": "RUB", "item": "RUB", "basis": "percent", "lines": [{"item": "OIL", "amount": "100"}]}
    assert refused(house["maker"], "formulas", body)["code"] == "code_taken"


def test_every_fault_of_a_formula_is_named_by_its_place(house: dict[str, APIClient]) -> None:
    body = {
        "basis": "percent",
        "lines": [
            {"item": "OIL", "amount": "80"},
            {"item": "WAX", "amount": "2 pc", "substitutes": [{"substitute": "TIN", "ratio": "1"}]},
        ],
        "checks": [{"check": "pH", "stage": "release", "low": "6", "high": "5"}],
    }
    problem = refused(house["maker"], "formulas/RUB/versions", body, 400)
    assert {one["field"] for one in problem["errors"]} == {
        "lines[1].amount",
        "lines[1].substitutes[0].substitute",
        "checks[0].low",
    }


def test_formulas_are_listed_by_status(house: dict[str, APIClient]) -> None:
    post(house["maker"], "formulas/FILL/1/copy", status=201)
    assert [row["formula"] for row in get(house["viewer"], "formulas?status=draft")["rows"]] == ["FILL"]


def test_a_helper_sees_no_formula(house: dict[str, APIClient]) -> None:
    for address in ("formulas", "formulas/RUB", "formulas/RUB/1"):
        assert house["helper"].get(f"/api/v1/{address}").status_code == 403
