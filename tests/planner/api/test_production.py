"""Formulas and batches through the API, beyond the examples: a day at the bench, and what it refuses."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from inventory import clock
from inventory.models import Item
from planner.exchange.tables import CHECKS, FORMULA_LINES, FORMULAS, STEPS, SUBSTITUTES, Table
from production.api.formulas import CheckForm, LineForm, NewFormula, StepForm, SubstituteForm
from production.selectors import find_batch
from production.services import batches
from production.services.formulas import LineSpec, SubstituteSpec
from tests.planner.api.areas.production import weigh_all
from tests.planner.api.house import everything, prepare
from tests.production.builders import formula, item, stock

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


# --- batches -----------------------------------------------------------------------------------------------


def test_a_batch_from_plan_to_lot(house: dict[str, APIClient]) -> None:
    maker, helper = house["maker"], house["helper"]
    body = {"batch": "B-9", "formula": "RUB", "size": "0.5 kg", "planned_for": "2027-03-01"}
    assert post(maker, "batches", body, 201)["status"] == "planned"
    assert post(maker, "batches/B-9/reserve")["status"] == "reserved"
    sheet = post(maker, "batches/B-9/start")
    assert [(line["item"], line["required"], line["take"][0]["lot"]) for line in sheet["lines"]] == [
        ("OIL", "400 g", "O1"),
        ("WAX", "100 g", "W1"),
    ]
    post(helper, "batches/B-9/weigh", {"position": 1, "lot": "O1", "quantity": "150 g"})
    line = post(helper, "batches/B-9/weigh", {"position": 1, "lot": "O1", "quantity": "250 g"})["line"]
    assert (line["weighed"], line["done"], [one["who"] for one in line["readings"]]) == ("400 g", True, ["helper"] * 2)
    answer = post(helper, "batches/B-9/weigh", {"position": 2, "lot": "W1", "quantity": "100 g"})
    assert answer["caution"] == "Hot wax: no water in, never left alone."
    ended = post(maker, "batches/B-9/finish", {"made": "480 g", "residue": "5 g"})
    assert (ended["status"], ended["residue"], ended["evaporated"]) == ("finished", "5 g", "15 g")
    assert [(lot["lot"], lot["status"], lot["on_hand"]) for lot in ended["lots"]] == [("B-9", "quarantine", "480 g")]
    problem = refused(maker, "batches/B-9/weigh", {"position": 1, "lot": "O1", "quantity": "1 g"})
    assert (problem["code"], problem["state"]) == ("wrong_state", "finished")


def test_the_sheet_of_a_helper_shows_cautions_and_no_cost(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-reopen"))  # B-1 is finished
    sheet = get(house["helper"], "batches/B-1")
    assert sheet["cautions"] == [{"item": "WAX", "caution": "Hot wax: no water in, never left alone."}]
    assert [lot["lot"] for lot in sheet["lots"]] == ["B-1"]
    assert "unit_cost" not in sheet["lots"][0]
    assert "unit_cost" in get(house["viewer"], "batches/B-1")["lots"][0]
    assert "80" not in {str(value) for line in sheet["lines"] for value in line.values()}


def test_a_caution_of_what_is_added_or_stands_in_comes_through(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-reserve"))
    Item.objects.filter(code="FIRM-WAX").update(caution="Goggles.")
    substitutes = [{"position": 2, "substitute": "FIRM-WAX"}]
    post(house["maker"], "batches/B-1/reserve", {"substitutes": substitutes})
    sheet = get(house["helper"], "batches/B-1")
    assert {one["item"]: one["caution"] for one in sheet["cautions"]}["FIRM-WAX"] == "Goggles."
    assert [(one["item"], one["lot"]) for one in sheet["lines"][1]["take"]] == [("FIRM-WAX", "F1")]
    post(house["maker"], "batches/B-1/start")
    body = {"position": 2, "item": "FIRM-WAX", "lot": "F1", "quantity": "160 g"}
    assert refused(house["helper"], "batches/B-1/weigh", body, 400)["code"] == "reason_needed"
    answer = post(house["helper"], "batches/B-1/weigh", body | {"why": "no pale wax"})
    assert (answer["caution"], answer["line"]["weighed"], answer["line"]["done"]) == ("Goggles.", "200 g", True)


def test_what_is_short_is_named_line_by_line(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/reserve")
    problem = refused(house["maker"], "batches/B-2/reserve")
    assert problem["code"] == "shortage"
    assert [(one["item"], one["wanted"], one["free"]) for one in problem["shortages"]] == [("WAX", "200 g", "0 g")]
    assert refused(house["maker"], "batches/B-2/start")["code"] == "shortage"
    post(house["maker"], "batches/B-1/unreserve")
    assert post(house["maker"], "batches/B-2/reserve")["became_short"] == ["B-1"]


def test_reserving_twice_sets_aside_once(house: dict[str, APIClient]) -> None:
    first = post(house["maker"], "batches/B-1/reserve")
    assert post(house["maker"], "batches/B-1/reserve") == first
    assert get(house["viewer"], "lots/OIL/O1")["reserved"] == "800 g"
    post(house["maker"], "batches/B-1/unreserve")
    refused(house["maker"], "batches/B-1/unreserve")


def test_another_size_frees_what_was_set_aside(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/reserve")
    changed = house["maker"].patch("/api/v1/batches/B-1", {"size": "500 g"}, format="json").json()
    assert (changed["status"], changed["size"]) == ("planned", "500 g")
    assert get(house["viewer"], "lots/OIL/O1")["reserved"] == "0 g"


def test_a_priority_is_given_kept_and_taken_away(house: dict[str, APIClient]) -> None:
    def changed(**changes: Any) -> Any:
        return house["maker"].patch("/api/v1/batches/B-1", changes, format="json").json()["priority"]

    assert [changed(priority=2), changed(planned_for="2027-03-09"), changed(priority=None)] == [2, 2, None]


def test_a_substitute_that_the_formula_does_not_name_is_refused(house: dict[str, APIClient]) -> None:
    for position, field in ((2, "substitute"), (9, "position")):
        body = {"substitutes": [{"position": position, "substitute": "OIL"}]}
        problem = refused(house["maker"], "batches/B-1/reserve", body, 400)
        assert problem["code"] == "no_substitute"
        assert [one["field"] for one in problem["errors"]] == [f"substitutes[0].{field}"]
    twice = {"substitutes": [{"position": 2, "substitute": "OIL"}] * 2}
    problem = refused(house["maker"], "batches/B-1/reserve", twice, 400)
    assert [one["field"] for one in problem["errors"]] == ["substitutes[1].position"]


def test_what_may_not_be_weighed_is_refused(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    weigh = "batches/B-1/weigh"
    quarantined = refused(house["helper"], weigh, {"position": 2, "lot": "W2", "quantity": "200 g", "why": "nearer"})
    assert (quarantined["code"], quarantined["reason"]) == ("unusable", "quarantine")
    other = refused(house["helper"], weigh, {"position": 2, "item": "OIL", "lot": "O1", "quantity": "200 g"}, 400)
    assert other["code"] == "wrong_item"
    much = refused(house["helper"], weigh, {"position": 1, "lot": "O1", "quantity": "900 g"}, 400)
    assert much["reasons"] == ["900 g is outside tolerance: 792 g to 808 g"]
    water = refused(house["helper"], "batches/B-1/draw-water", {"position": 1, "quantity": "800 g"}, 400)
    assert water["code"] == "not_drawn"


def test_more_than_the_books_hold_is_asked_about_once(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    body = {"position": 2, "lot": "W1", "quantity": "201 g"}
    assert refused(house["helper"], "batches/B-1/weigh", body)["code"] == "not_on_hand"
    assert post(house["helper"], "batches/B-1/weigh", body | {"found": True})["line"]["weighed"] == "201 g"


def test_a_helper_corrects_readings_of_their_own_only(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    body = {"position": 1, "quantity": "800 g", "lot": "O1"}
    makers = post(house["maker"], "batches/B-1/weigh", body)["event"]
    address, why = "batches/B-1/correct-weighing", "the tare was left out"
    refused(house["helper"], address, {"event": makers, "why": why}, 403)
    line = post(house["maker"], address, {"event": makers, "why": why})["line"]
    assert (line["weighed"], line["done"], [one["corrected"] for one in line["readings"]]) == ("0 g", False, [True])
    assert refused(house["maker"], address, {"event": makers, "why": why})["code"] == "corrected_before"
    helpers = post(house["helper"], "batches/B-1/weigh", body)["event"]
    assert post(house["helper"], address, {"event": helpers, "why": why})["line"]["weighed"] == "0 g"


def test_an_addition_is_a_line_of_its_own(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    body = {"item": "OIL", "lot": "O1", "quantity": "5 g", "why": "too stiff", "phase": "B"}
    line = post(house["helper"], "batches/B-1/add", body)["line"]
    assert (line["position"], line["addition"], line["weighed"], line["phase"]) == (3, True, "5 g", "B")
    without = {"item": "OIL", "quantity": "5 g", "why": "too stiff"}
    assert refused(house["helper"], "batches/B-1/add", without, 400)["errors"][0]["field"] == "lot"
    spot = refused(house["helper"], "batches/B-1/add", without | {"place": "shelf"}, 400)
    assert spot["errors"][0]["field"] == "place"


def test_steps_are_signed_once_and_the_last_look_at_a_check_counts(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-sign-step"))
    assert post(house["helper"], "batches/B-3/sign-step", {"position": 1})["signed_by"] == "helper"
    assert refused(house["maker"], "batches/B-3/sign-step", {"position": 1})["code"] == "signed_already"
    assert post(house["helper"], "batches/B-3/record-check", {"check": "pH", "value": "7"})["passed"] is False
    assert post(house["helper"], "batches/B-3/record-check", {"check": "pH", "value": "5"})["passed"] is True
    (check,) = get(house["helper"], "batches/B-3")["checks"]
    assert (check["value"], check["passed"]) == ("5", True)


def test_water_is_drawn_into_the_days_lot(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-draw-water"))
    line = post(house["helper"], "batches/B-3/draw-water", {"position": 1, "quantity": "400 g"})["line"]
    assert [(one["lot"], one["quantity"]) for one in line["readings"]] == [("20270301", "400 g")]


def test_a_bulk_is_made_and_filled_in_one_act_or_not_at_all(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-make-and-fill"))
    filling = {
        "batch": "B-4",
        "formula": "GEL-FILL",
        "size": "9 pc",
        "checks": [{"check": "lid tight", "value": "yes"}],
    }
    much = refused(house["maker"], "batches/B-3/make-and-fill", {"made": "600 g", "filling": filling})
    assert much["code"] == "more_out_than_in"
    unknown = filling | {"checks": [{"check": "colour", "value": "pale"}]}
    problem = refused(house["maker"], "batches/B-3/make-and-fill", {"made": "490 g", "filling": unknown}, 400)
    assert [one["field"] for one in problem["errors"]] == ["filling.checks[0].value"]
    done = post(house["maker"], "batches/B-3/make-and-fill", {"made": "490 g", "filling": filling})
    assert [(lot["lot"], lot["status"], lot["on_hand"]) for lot in done["bulk"]["lots"]] == [
        ("B-3", "released", "40 g")
    ]
    assert [(lot["lot"], lot["on_hand"]) for lot in done["packed"]["lots"]] == [("B-4", "9 pc")]


def test_a_bulk_that_is_not_released_is_not_filled(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-make-and-fill"))
    post(house["maker"], "batches/B-3/record-check", {"check": "pH", "value": "7"})
    body = {"made": "490 g", "filling": {"formula": "GEL-FILL", "size": "9 pc"}}
    assert refused(house["maker"], "batches/B-3/make-and-fill", body)["code"] == "bulk_not_released"


def test_a_batch_that_was_weighed_into_is_abandoned_and_not_cancelled(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    nothing = {"why": "burnt", "waste": "10 g"}
    assert refused(house["maker"], "batches/B-1/abandon", nothing)["code"] == "nothing_weighed"
    post(house["maker"], "batches/B-1/weigh", {"position": 1, "lot": "O1", "quantity": "800 g"})
    assert refused(house["maker"], "batches/B-1/cancel", {"why": "burnt"})["code"] == "already_weighed"
    assert refused(house["maker"], "batches/B-1/finish", {"made": "700 g"})["lines"] == ["2 WAX"]
    ended = post(house["maker"], "batches/B-1/abandon", {"why": "burnt", "waste": "790 g"})
    assert (ended["status"], ended["residue"], ended["evaporated"], ended["lots"]) == ("abandoned", "790 g", "10 g", [])


def test_an_end_taken_back_is_ended_anew_under_another_number(house: dict[str, APIClient]) -> None:
    prepare(("POST", "batch-reopen"))
    post(house["maker"], "batches/B-1/reopen", {"why": "misread"})
    ended = post(house["maker"], "batches/B-1/finish", {"made": "980 g"})
    assert [(lot["lot"], lot["status"], lot["on_hand"]) for lot in ended["lots"]] == [
        ("B-1", "rejected", "0 g"),
        ("B-1-2", "quarantine", "980 g"),
    ]


def test_a_draft_is_made_as_a_trial_only(house: dict[str, APIClient]) -> None:
    post(house["maker"], "formulas/RUB/1/copy", status=201)
    body = {"formula": "RUB", "version": 2, "size": "100 g", "planned_for": "2027-03-01"}
    assert refused(house["maker"], "batches", body)["code"] == "version_not_approved"
    assert post(house["maker"], "batches", body | {"trial": True}, 201)["trial"] is True


def test_batches_are_listed_by_state_item_and_day(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-2/reserve")

    def listed(query: str) -> list[str]:
        return [row["batch"] for row in get(house["helper"], f"batches?{query}")["rows"]]

    assert listed("status=reserved") == ["B-2"]
    assert listed("item=RUB") == ["B-1", "B-2"]
    assert listed("item=RUB-50") == []
    assert listed("planned_from=2027-03-04") == ["B-2"]
    assert listed("planned_to=2027-03-03") == ["B-1"]


def test_a_helper_neither_plans_nor_ends(house: dict[str, APIClient]) -> None:
    post(house["maker"], "batches/B-1/start")
    for act in ("reserve", "unreserve", "cancel", "finish", "abandon", "reopen", "make-and-fill"):
        refused(house["helper"], f"batches/B-1/{act}", status=403)


def test_a_long_formula_and_its_sheet_take_as_many_queries_as_short_ones(house: dict[str, APIClient]) -> None:
    def queries_of(address: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            get(house["helper" if address.startswith("batches") else "viewer"], address)
        return len(captured)

    raws = [item(f"RAW-{number}", caution="Gloves.") for number in range(12)]
    stand_in = item("ANY")
    lines = [LineSpec(one, "7", substitutes=[SubstituteSpec(stand_in, Decimal(1))]) for one in raws]
    long = formula("LONG", item("LONG", "intermediate"), [*lines, LineSpec(Item.objects.get(code="OIL"), "qs")])
    for one in raws:
        stock(one, "1 kg")
    assert queries_of("formulas/LONG/1") == queries_of("formulas/RUB/1")
    batches.plan(version=long, charge=100_000, planned_for=clock.today(), code="B-9")
    for code in ("B-1", "B-9"):
        post(house["maker"], f"batches/{code}/start")
        weigh_all(find_batch(code))
    assert queries_of("batches/B-9") == queries_of("batches/B-1")
