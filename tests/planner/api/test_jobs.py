"""Jobs through the API: who sees which, from asking to the file, and the reason of one that failed."""

from __future__ import annotations

import json
from typing import Any
from unittest import mock

import pytest
from rest_framework.test import APIClient

from planner.api.tables import XLSX, ZIP
from planner.exchange import archive_bytes, exported_tables
from planner.exchange.archive import packed
from planner.jobs import board, running
from planner.jobs.models import Job
from tests.planner.exchange.workshop import as_csv, as_workbook


@pytest.fixture(autouse=True)
def _signs_are_seen() -> Any:
    """The tests' one transaction is seen by no other connection: the run shows its signs when it is looked at."""
    with mock.patch.object(board, "put_up", return_value=True):
        yield


def post(client: APIClient, address: str, body: Any = None, **headers: str) -> Any:
    answer = client.post(f"/api/v1/{address}", json.dumps(body or {}), content_type="application/json", headers=headers)
    return answer.json() | {"status_code": answer.status_code}


def done(client: APIClient, job: str) -> Any:
    """The job after a worker came by."""
    running.run(Job.objects.get(uid=job).uid)
    return client.get(f"/api/v1/jobs/{job}").json()


def test_from_asking_for_a_plan_to_its_document(house: dict[str, APIClient]) -> None:
    maker = house["maker"]
    asked = post(maker, "jobs/plan", {"from": "2027-03-01", "weeks": 4})
    assert (asked["status_code"], asked["state"], asked["asked_by"]) == (202, "queued", "maker")
    early = maker.get(f"/api/v1/jobs/{asked['job']}/result")
    assert (early.status_code, early.json()["code"], early.json()["state"]) == (409, "wrong_state", "queued")
    after = done(maker, asked["job"])
    assert (after["state"], after["percent"], after["result"]["name"]) == ("done", 100, "plan-2027-03-01.json")
    file = maker.get(f"/api/v1/jobs/{asked['job']}/result")
    assert file.content == maker.get("/api/v1/plan?from=2027-03-01&weeks=4").content
    assert file.headers["content-type"] == "application/json"
    assert len(file.content) == after["result"]["bytes"]


def test_a_plan_without_days_is_of_the_day_on_which_it_is_asked(house: dict[str, APIClient]) -> None:
    assert post(house["viewer"], "jobs/plan")["asks"] == {"from": "2027-03-01", "weeks": 4}


@pytest.mark.parametrize("media", [ZIP, XLSX])
def test_from_a_file_to_the_stock(house: dict[str, APIClient], media: str) -> None:
    clay = {"items": [{"item": "CLAY", "name": "White clay", "kind": "raw"}]}
    file = packed(as_csv(clay)) if media == ZIP else as_workbook(clay)["workshop.xlsx"]
    answer = house["owner"].post("/api/v1/jobs/import", file, content_type=media)
    assert answer.status_code == 202
    job = answer.json()["job"]
    assert done(house["owner"], job)["state"] == "done"
    assert house["owner"].get(f"/api/v1/jobs/{job}/result").json()["added"] == {"items": 1}
    assert house["maker"].get("/api/v1/items/CLAY").status_code == 200


def test_the_tables_come_as_a_file(house: dict[str, APIClient]) -> None:
    asked = post(house["maker"], "jobs/export", {"format": "zip"})
    done(house["maker"], asked["job"])
    file = house["maker"].get(f"/api/v1/jobs/{asked['job']}/result")
    assert (file.content, file.headers["content-type"]) == (archive_bytes(exported_tables()), ZIP)
    assert file.headers["content-disposition"] == 'attachment; filename="tables-2027-03-01.zip"'


def test_the_reason_of_a_failed_job_is_the_problem_that_the_act_would_have_answered(
    house: dict[str, APIClient],
) -> None:
    wrong = packed(as_csv({"items": [{"item": "CLAY", "name": "White clay", "kind": "mud"}]}))
    at_once = house["owner"].post("/api/v1/tables", wrong, content_type=ZIP).json()
    job = house["owner"].post("/api/v1/jobs/import", wrong, content_type=ZIP).json()["job"]
    after = done(house["owner"], job)
    assert after["state"] == "failed"
    assert after["problem"] == at_once
    assert after["problem"]["errors"][0]["field"] == "kind"


def test_each_sees_the_jobs_that_the_roles_cover_and_no_others(house: dict[str, APIClient]) -> None:
    plan = post(house["maker"], "jobs/plan")["job"]
    export = post(house["maker"], "jobs/export", {"format": "zip"})["job"]

    def seen(who: str, query: str = "") -> set[str]:
        return {row["job"] for row in house[who].get(f"/api/v1/jobs{query}").json()["rows"]}

    assert seen("maker") == seen("owner") == {plan, export}
    assert seen("viewer") == {plan}
    assert (seen("maker", "?mine=yes"), seen("owner", "?mine=yes")) == ({plan, export}, set())
    assert seen("owner", "?kind=export&state=queued&mine=no") == {export}
    for address in (f"jobs/{export}", f"jobs/{export}/result"):
        assert house["viewer"].get(f"/api/v1/{address}").status_code == 403
    assert post(house["viewer"], f"jobs/{export}/cancel")["status_code"] == 403


def test_cancelling_is_for_who_asked_and_for_an_owner(house: dict[str, APIClient]) -> None:
    job = post(house["maker"], "jobs/plan")["job"]
    refused = post(house["viewer"], f"jobs/{job}/cancel")
    assert (refused["status_code"], refused["code"]) == (409, "not_yours")
    assert post(house["owner"], f"jobs/{job}/cancel")["state"] == "cancelled"
    again = post(house["maker"], f"jobs/{job}/cancel")
    assert (again["status_code"], again["code"], again["state"]) == (409, "wrong_state", "cancelled")


def test_the_same_request_again_asks_once(house: dict[str, APIClient]) -> None:
    first, second = (post(house["maker"], "jobs/plan", {"weeks": 4}, **{"Idempotency-Key": "k1"}) for _ in range(2))
    assert first["job"] == second["job"]
    assert Job.objects.count() == 1


def test_a_job_that_there_is_not_is_not_found(house: dict[str, APIClient]) -> None:
    for address in ("jobs/0b6f7a52-3f0e-4c39-9f0a-6f1f6f6d2c11", "jobs/0b6f7a52-3f0e-4c39-9f0a-6f1f6f6d2c11/result"):
        assert house["owner"].get(f"/api/v1/{address}").status_code == 404
