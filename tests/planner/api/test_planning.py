"""The plan and what comes of it through the API: proposals, alerts, traces and holds, tables in and out."""

from __future__ import annotations

from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from rest_framework.test import APIClient

from tests.planner.api.house import everything

PLAN = "/api/v1/plan?from=2027-03-01&weeks=4"


def post(client: APIClient, address: str, body: Any = None) -> Any:
    return client.post(f"/api/v1/{address}", body or {}, format="json")


def printed(*arguments: str) -> str:
    out = StringIO()
    call_command(*arguments, "--json", stdout=out)
    return out.getvalue().strip()


# --- the plan ----------------------------------------------------------------------------------------------


def test_the_plan_is_byte_for_byte_what_the_command_prints(house: dict[str, APIClient]) -> None:
    answer = house["viewer"].get(PLAN)
    assert answer.content.decode() == printed("plan", "--from", "2027-03-01", "--weeks", "4")
    assert answer.headers["content-type"] == "application/json"


def test_a_plan_is_of_today_and_four_weeks_unless_asked_otherwise(house: dict[str, APIClient]) -> None:
    assert house["viewer"].get("/api/v1/plan").content == house["viewer"].get(PLAN).content
    longer = house["viewer"].get("/api/v1/plan/requirements?weeks=5").json()
    assert (longer["from"], longer["to"]) == ("2027-03-01", "2027-04-04")


def test_the_requirements_alone_are_those_of_the_plan(house: dict[str, APIClient]) -> None:
    whole = house["viewer"].get(PLAN).json()
    alone = house["viewer"].get("/api/v1/plan/requirements?from=2027-03-01&weeks=4").json()
    assert alone == {name: whole[name] for name in ("from", "to", "requirements")}
    assert len(alone["requirements"]) == 9


@pytest.mark.parametrize(
    "query", ["weeks=0", "weeks=261", "weeks=2.5", "from=2027-02-30", "from=3000-01-01", "from=01.03.2027"]
)
def test_days_and_weeks_that_are_none_are_refused(house: dict[str, APIClient], query: str) -> None:
    for address in ("plan", "plan/requirements"):
        answer = house["viewer"].get(f"/api/v1/{address}?{query}")
        name, _, value = query.partition("=")
        assert answer.status_code == 400
        assert [(one["field"], one["value"]) for one in answer.json()["errors"]] == [(name, value)]


@pytest.mark.parametrize("query", ["from=1900-01-01&weeks=1", "from=2999-12-31&weeks=260"])
def test_the_first_and_the_last_day_there_can_be_have_a_plan(house: dict[str, APIClient], query: str) -> None:
    assert house["viewer"].get(f"/api/v1/plan?{query}").status_code == 200


def test_a_loop_of_formulas_is_a_conflict_that_names_its_path(house: dict[str, APIClient]) -> None:
    from production.models import Line

    Line.objects.filter(version__formula__code="RUB", item__code="OIL").update(
        item_id=Line.objects.get(item__code="RUB").version.formula.item_id
    )
    for address in ("plan", "plan/requirements"):
        answer = house["viewer"].get(f"/api/v1/{address}")
        assert (answer.status_code, answer.json()["code"]) == (409, "plan_loop")
        assert {"RUB", "RUB-50"} <= set(answer.json()["path"])


# --- proposals ---------------------------------------------------------------------------------------------


def accept(client: APIClient, *proposals: str) -> Any:
    return post(client, "proposals/accept", {"proposals": proposals, "from": "2027-03-01", "weeks": 4})


def test_what_is_accepted_is_firm_in_the_next_plan(house: dict[str, APIClient]) -> None:
    before = house["maker"].get(PLAN).json()
    bought = next(row for row in before["buy"] if row["item"] == "WAX")
    assert accept(house["maker"], bought["id"]).status_code == 200
    after = house["maker"].get(PLAN).json()
    assert "WAX" not in {row["item"] for row in after["buy"]}
    (late,) = [row for row in after["batches"] if row["batch"] == "B-2"]
    assert late["coverage"] == "expected"


def test_a_proposal_accepted_twice_becomes_one_thing(house: dict[str, APIClient]) -> None:
    first = accept(house["maker"], "924cf636007b", "924cf636007b").json()["accepted"]
    kept = everything()
    second = accept(house["buyer"], "924cf636007b").json()["accepted"]
    assert [row["again"] for row in first + second] == [False, True]
    assert {row["result"] for row in first + second} == {"B20270319-1"}
    assert everything() == kept


def test_all_proposals_are_accepted_or_none(house: dict[str, APIClient]) -> None:
    before = everything()
    answer = accept(house["owner"], "924cf636007b", "000000000000")
    assert (answer.status_code, answer.json()["code"]) == (409, "proposal_gone")
    assert answer.json()["proposals"] == ["000000000000"]
    assert everything() == before
