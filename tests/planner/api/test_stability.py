"""Stability and retained samples through the API, beyond the examples."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import orjson
import pytest
from django.db import transaction
from rest_framework.test import APIClient

from inventory.ledger import verify
from inventory.models import Item
from inventory.selectors import get_lot
from inventory.services import samples
from planner import services
from planner.exchange import export_tables, load_tables
from production.models import Study
from production.services import stability
from tests.inventory.builders import portion_in
from tests.planner.api.areas.stability import half_a_year, protocol, study
from tests.planner.api.house import everything
from tests.planner.api.test_stock import get, post, refused
from tests.planner.small_house import set_up

House = dict[str, APIClient]

SHELF_LOOK: dict[str, Any] = {
    "protocol": "SHELF",
    "name": "On the shelf",
    "samples_per_pull": 2,
    "conditions": [{"condition": "room", "temperature_c": "21"}],
    "pull_times": [{"unit": "week", "count": 0}, {"unit": "month", "count": 1, "days_after": 3}],
    "tests": [{"test": "pH", "low": "4.5", "high": "5.5"}, {"test": "seen"}],
}


def begun(house: House) -> Any:
    quality = house["quality"]
    post(quality, "protocols", SHELF_LOOK, 201)
    asked = {"item": "WAX", "lot": "W2", "protocol": "SHELF", "sample": "25 g"}
    return post(quality, "studies", asked, 201)


def test_from_protocol_to_conclusion(house: House) -> None:
    found = begun(house)
    assert (found["study"], found["planned"], found["next_due_on"]) == ("S20270301-1", 2, "2027-03-01")
    assert [(pull["due_on"], pull["window_to"]) for pull in found["pulls"]] == [
        ("2027-03-01", "2027-03-03"),
        ("2027-04-01", "2027-04-04"),
    ]
    assert get(house["viewer"], "lots/WAX/W2")["on_hand"] == "4900 g"
    event = get(house["viewer"], f"stock-events/{found['samples_event']}")
    assert (event["kind"], event["movements"][0]["quantity"]) == ("sampled", "-100 g")
    at = f"studies/{found['study']}/pulls/1"
    readings = [{"test": "pH", "value": "5.6"}, {"test": "pH", "value": "5.4", "sample": 2}]
    done = post(house["maker"], f"{at}/done", {"readings": readings})
    assert [(row["value"], row["passed"]) for row in done["readings"]] == [("5.6", False), ("5.4", True)]
    (out,) = get(house["viewer"], "pulls?out_of_limits=yes")["rows"]
    assert (out["study"], out["pull"]) == (found["study"], 1)
    assert get(house["viewer"], "studies")["rows"][0]["out_of_limits"] == 1
    post(house["maker"], f"{at}/readings", {"readings": [{"test": "pH", "value": "5.5"}]})
    assert get(house["viewer"], "pulls?out_of_limits=yes")["rows"] == []
    closed = post(house["quality"], f"studies/{found['study']}/close", {"conclusion": "Not needed any more."})
    assert (closed["status"], closed["done"], closed["missed"], closed["planned"]) == ("closed", 1, 1, 0)
    assert verify() == []


def test_the_bench_records_and_quality_decides(house: House) -> None:
    found = begun(house)
    at = f"studies/{found['study']}"
    for name in ("viewer", "helper", "maker", "buyer", "owner"):
        for address in (f"{at}/close", f"{at}/pulls/1/reopen", "protocols", "studies"):
            assert house[name].post(f"/api/v1/{address}", {}, format="json").status_code == 403, (name, address)
    assert house["helper"].get("/api/v1/studies").status_code == 403
    for name in ("viewer", "helper", "buyer", "owner"):
        assert house[name].post(f"/api/v1/{at}/pulls/1/done", {}, format="json").status_code == 403, name
    post(house["maker"], f"{at}/pulls/1/done")
    post(house["quality"], f"{at}/pulls/1/reopen", {"why": "the other lot"})
    post(house["quality"], f"{at}/pulls/1/missed", {"why": "broken"})


def test_a_shortage_of_samples_is_told_and_changes_nothing(house: House) -> None:
    post(house["quality"], "protocols", SHELF_LOOK, 201)
    asked = {"item": "WAX", "lot": "W1", "protocol": "SHELF", "sample": "60 g"}
    before = everything()
    problem = post(house["quality"], "studies", asked, 409)
    assert problem["code"] == "shortage"
    assert problem["shortages"] == [{"item": "WAX", "lot": "W1", "wanted": "240 g", "free": "200 g"}]
    assert everything() == before


def test_what_is_weighed_needs_the_mass_of_a_sample(house: House) -> None:
    post(house["quality"], "protocols", SHELF_LOOK, 201)
    problem = post(house["quality"], "studies", {"item": "WAX", "lot": "W2", "protocol": "SHELF"}, 400)
    assert problem["errors"][0]["field"] == "sample"


def test_a_study_started_twice_with_one_key_takes_its_samples_once(house: House) -> None:
    post(house["quality"], "protocols", SHELF_LOOK, 201)
    asked = {"item": "WAX", "lot": "W2", "protocol": "SHELF", "sample": "25 g"}
    answers = [
        house["quality"].post("/api/v1/studies", asked, format="json", headers={"Idempotency-Key": "k-1"})
        for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert Study.objects.count() == 1
    assert get(house["viewer"], "lots/WAX/W2")["on_hand"] == "4900 g"


def test_pulls_are_found_by_day_state_and_lateness(house: House) -> None:
    study()
    viewer = house["viewer"]

    def numbers(query: str) -> list[int]:
        return [row["pull"] for row in get(viewer, f"pulls?{query}")["rows"]]

    assert numbers("due_from=2027-03-02&due_to=2027-03-07") == [2]
    assert numbers("overdue=yes") == []
    Study.objects.get().pulls.filter(number=2).update(
        due_on=date(2027, 2, 1), window_from=date(2027, 2, 1), window_to=date(2027, 2, 28)
    )
    assert numbers("overdue=yes") == [2]
    assert numbers("overdue=no") == [1, 3]
    post(house["maker"], "studies/S-1/pulls/2/missed", {"why": "nobody was here"})
    assert numbers("state=missed") == [2]
    assert numbers("state=planned&overdue=yes") == []


def test_a_shelf_life_defers_to_the_assessor_and_changes_no_item(house: House) -> None:
    half_a_year()
    before = everything()
    found = get(house["viewer"], "shelf-life?study=S-2&test=pH&condition=25%20C")
    assert (found["low"], found["high"], found["sides"]) == ("4.5", "5.5", 2)
    assert "qualified safety assessor decides" in found["words"][0]
    assert everything() == before
    for query, field in (
        ("study=S-2&test=pH&condition=40%20C", "condition"),
        ("study=S-2&test=colour&condition=25%20C", "test"),
        ("study=S-9&test=pH&condition=25%20C", "study"),
        ("study=S-2&test=pH&condition=25%20C&low=6&high=5", "low"),
    ):
        answer = house["viewer"].get(f"/api/v1/shelf-life?{query}")
        assert answer.status_code in (400, 404), answer.content
        assert [fault["field"] for fault in answer.json()["errors"]] == [field]


def test_a_retained_sample_that_was_corrected_away_says_so(house: House) -> None:
    kept = post(house["maker"], "lots/WAX/W1/retain", {"quantity": "20 g", "to_place": "cupboard"}, 201)
    assert kept["keep_until"] == "2029-06-30"
    assert refused(house["maker"], f"retained-samples/{kept['event']}/take", {"quantity": "21 g", "why": "x"}) == (
        "shortage"
    )
    post(house["maker"], f"stock-events/{kept['event']}/correct", {"why": "the other lot"})
    (row,) = get(house["viewer"], "retained-samples?item=WAX")["rows"]
    assert (row["left"], row["put_back"], row["past_keeping"]) == ("0 g", True, False)
    assert get(house["viewer"], "retained-samples?kept=yes")["rows"] == []


def test_when_a_lot_s_end_is_told_is_set_for_each_item_and_the_tables_leave_it_be(house: House, tmp_path: Path) -> None:
    maker = house["maker"]
    changes = {"notice_days": [7, 120, 7, 30], "keep_samples_days": 730}
    answer = maker.patch("/api/v1/items/TIN", changes, format="json")
    assert (answer.json()["notice_days"], answer.json()["keep_samples_days"]) == ([120, 30, 7], 730)
    assert maker.patch("/api/v1/items/RUB", {"notice_days": []}, format="json").json()["notice_days"] == []
    assert maker.patch("/api/v1/items/OIL", {"notice_days": None}, format="json").json()["notice_days"] is None
    Item.objects.filter(code="TIN").update(storage="dry")
    export_tables(tmp_path / "out")
    assert "notice_days" not in (tmp_path / "out" / "items.csv").read_text()
    Item.objects.filter(code="TIN").update(storage="wet")
    load_tables(tmp_path / "out")
    tin = Item.objects.get(code="TIN")
    assert (tin.storage, tin.notice_days, tin.keep_samples_days) == ("dry", [120, 30, 7], 730)


@pytest.mark.django_db
@pytest.mark.usefixtures("_first_day")
def test_studies_and_retained_samples_leave_the_exported_plan_as_it_is(tmp_path: Path) -> None:
    """What is sampled is out of stock, so that the tables have nothing to say of it."""

    def planned() -> bytes:
        return orjson.dumps(services.run_plan(from_day=date(2027, 3, 1), weeks=6).document())

    with transaction.atomic():
        set_up(tmp_path)
        before = planned()
        stability.start_study(lot=get_lot("OIL", "O1"), protocol=protocol(), sample_quantity=20_000)
        samples.retain(portion=portion_in(get_lot("WAX", "W1")), quantity=20_000)
        with_samples = planned()
        report = export_tables(tmp_path / "out")
        transaction.set_rollback(True)
    assert with_samples != before  # what was sampled is missing in the plan
    assert report.left_out == []
    assert not Item.objects.exists()
    load_tables(tmp_path / "out")
    assert planned() == with_samples
