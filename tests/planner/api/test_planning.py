"""The plan and what comes of it through the API: proposals, alerts, traces and holds, tables in and out."""

from __future__ import annotations

import io
import json
import zipfile
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from rest_framework.test import APIClient

from inventory.models import Portion, StockEvent
from inventory.selectors import get_lot
from planner.api.access import PERMISSIONS
from planner.api.tables import XLSX, ZIP
from planner.exchange import archive_bytes, exported_tables, workbook_bytes
from planner.exchange.archive import packed
from production.selectors import find_batch
from production.services import batches as bench
from production.services import finishing, weighing
from tests.planner.api.house import everything

PLAN = "/api/v1/plan?from=2027-03-01&weeks=4"


def post(client: APIClient, address: str, body: Any = None) -> Any:
    return client.post(f"/api/v1/{address}", body or {}, format="json")


def printed(*arguments: str) -> str:
    out = StringIO()
    call_command(*arguments, "--json", stdout=out)
    return out.getvalue().strip()


def printed_anyway(*arguments: str) -> str:
    """What a command prints whose answer is bad news."""
    out = StringIO()
    with pytest.raises(SystemExit):
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


def test_a_helper_who_were_let_in_would_see_no_cost(
    house: dict[str, APIClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Helpers have no plan; were the table to say so, what is JSON already would still be without its costs."""
    monkeypatch.setitem(PERMISSIONS, ("GET", "plan"), ("viewer", "helper"))
    whole = house["viewer"].get(PLAN).json()
    assert [row.pop("cost") for row in whole["buy"]] == ["12.50", "30.00", "40.00"]
    assert house["helper"].get(PLAN).json() == whole


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
    refused = accept(house["maker"], bought["id"])
    assert (refused.status_code, refused.json()["errors"][0]["value"]) == (403, bought["id"])
    assert accept(house["buyer"], bought["id"]).status_code == 200
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


# --- alerts and looks at the plan --------------------------------------------------------------------------


def open_alerts(client: APIClient, query: str = "") -> dict[str, Any]:
    return {row["subject"]: row for row in client.get(f"/api/v1/alerts?{query}").json()["rows"]}


def test_reorder_alerts_open_with_a_look_and_close_when_the_order_is_placed(house: dict[str, APIClient]) -> None:
    assert post(house["buyer"], "reviews").json()["opened"] == 3
    bought = open_alerts(house["buyer"], "kind=reorder")
    assert set(bought) == {"OIL", "TIN", "WAX"}
    accept(house["buyer"], bought["WAX"]["facts"]["id"])
    assert post(house["buyer"], "alerts/refresh").json() == {"opened": 0, "closed": 1}
    assert set(open_alerts(house["viewer"])) == {"OIL", "TIN"}
    closed = open_alerts(house["viewer"], "open=no")
    assert set(closed) == {"WAX"}
    assert closed["WAX"]["closed_at"] == "2027-03-01T09:00:00+00:00"


def test_the_days_look_is_taken_once_a_day(house: dict[str, APIClient]) -> None:
    first, second = (post(house["maker"], "reviews").json() for _ in range(2))
    assert (first["again"], first["opened"]) == (False, 3)
    assert second == {"reviewed_on": "2027-03-01", "opened": 0, "closed": 0, "again": True}
    (look,) = house["viewer"].get("/api/v1/reviews").json()["rows"]
    assert look["reviewed_on"] == "2027-03-01"
    assert look["finished_at"] is not None


def test_what_a_hold_takes_from_a_batch_is_an_alert(house: dict[str, APIClient]) -> None:
    bench.reserve(batch=find_batch("B-1"))
    post(house["quality"], "trace/hold", {"lots": [{"item": "WAX", "lot": "W1"}], "why": "smells odd"})
    alert = open_alerts(house["viewer"], "kind=reservation_broken")
    assert set(alert) == {"batch:B-1"}
    assert "W1" in alert["batch:B-1"]["message"]


# --- traces and holds --------------------------------------------------------------------------------------


def make_rub() -> str:
    """Make batch B-1 of all the wax and some of the oil; answers the number of the lot."""
    batch = bench.start(batch=find_batch("B-1"))
    for code, number in (("OIL", "O1"), ("WAX", "W1")):
        line = batch.lines.get(item__code=code)
        weighing.weigh(line=line, portion=Portion.objects.get(lot__number=number), quantity=line.required)
    return finishing.finish(batch=batch, made=1_000_000).number


def trace(client: APIClient, query: str) -> Any:
    return client.get(f"/api/v1/trace?{query}")


def test_a_trace_is_what_the_command_prints_both_ways(house: dict[str, APIClient]) -> None:
    made = make_rub()
    forward = trace(house["viewer"], "lot=hh77A&item=OIL").json()
    assert forward == json.loads(printed("trace", "hh77A", "--item", "OIL"))
    assert [row["lot"] for row in forward["lots"]] == ["O1", made]
    backward = trace(house["quality"], f"lot={made}&direction=backward").json()
    assert backward == json.loads(printed("trace", made, "--backward"))
    assert {row["lot"]: row["from_origin"] for row in backward["lots"]} == {
        made: "1000 g",
        "O1": "800 g",
        "W1": "200 g",
    }


def test_a_number_that_fits_several_lots_is_a_conflict_with_the_lots_to_choose_from(
    house: dict[str, APIClient],
) -> None:
    for address in ("trace", "trace/affected"):
        answer = house["viewer"].get(f"/api/v1/{address}?lot=HH-77-A")
        assert (answer.status_code, answer.json()["code"]) == (409, "ambiguous")
        assert {(row["item"], row["lot"]) for row in answer.json()["lots"]} == {("OIL", "O1"), ("WAX", "W2")}
        assert "--item" not in answer.json()["detail"]


def test_several_lots_are_traced_at_once(house: dict[str, APIClient]) -> None:
    made = make_rub()
    answer = trace(house["viewer"], "lot=hh77a&item=OIL&lot=W1&item=WAX").json()
    assert [(row["lot"], row["depth"]) for row in answer["lots"]] == [("O1", 0), ("W1", 0), (made, 1)]
    assert answer["lots"][2]["from_origin"] == "1000 g"
    assert trace(house["viewer"], "lot=O1&lot=W1").json() == answer


@pytest.mark.parametrize(
    ("query", "status", "field"),
    [
        ("lot=NOTHING", 404, "lot[0]"),
        ("lot=O1&lot=NOTHING", 404, "lot[1]"),
        ("lot=O1&item=NOTHING", 404, "item[0]"),
        ("lot=O1&item=WAX", 404, "lot[0]"),
        ("lot=O1&lot=W1&item=OIL", 400, "item"),
        ("lot=O1&direction=sideways", 400, "direction"),
        ("direction=forward", 400, "lot"),
        ("&".join(["lot=O1"] * 101), 400, "lot"),
    ],
)
def test_lots_that_nobody_can_trace_are_refused(
    house: dict[str, APIClient], query: str, status: int, field: str
) -> None:
    answer = trace(house["viewer"], query)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, field)


def test_everything_affected_is_seen_held_and_released_in_one_action_each(house: dict[str, APIClient]) -> None:
    made = make_rub()
    seen = house["viewer"].get("/api/v1/trace/affected?lot=O1").json()["lots"]
    assert [(row["lot"], row["status"], row["on_hand"], row["would_hold"]) for row in seen] == [
        ("O1", "released", "1600 g", True),
        (made, "quarantine", "1000 g", True),
    ]
    body = {"lots": [{"item": "OIL", "lot": "O1"}], "why": "smells odd"}
    held = post(house["quality"], "trace/hold", body).json()
    assert [(row["lot"], row["from_status"], row["to_status"]) for row in held["decisions"]] == [
        ("O1", "released", "held"),
        (made, "quarantine", "held"),
    ]
    assert not any(row["would_hold"] for row in house["viewer"].get("/api/v1/trace/affected?lot=O1").json()["lots"])
    assert post(house["quality"], "trace/hold", body).json() == {"action_uid": None, "decisions": []}
    freed = post(house["quality"], "trace/release", body).json()
    assert [(row["lot"], row["to_status"]) for row in freed["decisions"]] == [("O1", "released"), (made, "quarantine")]
    assert freed["action_uid"] != held["action_uid"]


def test_who_held_and_why_stands_with_the_lot(house: dict[str, APIClient]) -> None:
    post(house["quality"], "trace/hold", {"lots": [{"item": "WAX", "lot": "W1"}], "why": "smells odd"})
    decision = get_lot("WAX", "W1").decisions.order_by("pk").last()
    assert decision is not None
    assert (str(decision.who), decision.why, decision.to_status) == ("quality", "smells odd", "held")


def test_a_hold_of_a_lot_that_there_is_not_holds_nothing(house: dict[str, APIClient]) -> None:
    before = everything()
    named = [{"item": "OIL", "lot": "O1"}, {"item": "OIL", "lot": "W1"}, {"item": "SOIL", "lot": "O1"}]
    answer = post(house["quality"], "trace/hold", {"lots": named, "why": "smells odd"})
    assert (answer.status_code, [one["field"] for one in answer.json()["errors"]]) == (
        404,
        ["lots[1].lot", "lots[2].item"],
    )
    assert everything() == before


def test_a_difference_between_books_and_ledger_is_told(house: dict[str, APIClient]) -> None:
    Portion.objects.filter(lot__number="O1").update(on_hand=2_400_007)
    answer = house["viewer"].get("/api/v1/verification").json()
    assert answer == json.loads(printed_anyway("verify_ledger"))
    assert answer["ok"] is False
    assert {row["what"] for row in answer["differences"]} >= {"on_hand"}


# --- tables out and in -------------------------------------------------------------------------------------

ITEMS = b"item,name,kind\nCLAY,White clay,raw\n"


def bring(client: APIClient, content: bytes, media: str = ZIP, query: str = "", **headers: str) -> Any:
    return client.generic("POST", f"/api/v1/tables{query}", content, content_type=media, headers=headers)


def test_the_tables_go_out_in_the_form_that_was_asked_for(house: dict[str, APIClient]) -> None:
    book, archive = workbook_bytes(exported_tables()), archive_bytes(exported_tables())
    for query, accept, content, media in [
        ("", "*/*", book, XLSX),
        ("", XLSX, book, XLSX),
        ("?format=xlsx", "*/*", book, XLSX),
        ("", ZIP, archive, ZIP),
        ("?format=zip", "*/*", archive, ZIP),
        ("?format=zip", "text/html,*/*;q=0.8", archive, ZIP),
    ]:
        answer = house["maker"].get(f"/api/v1/tables{query}", headers={"Accept": accept})
        assert (answer.status_code, answer.headers["content-type"]) == (200, media)
        assert answer.content == content
        kind = "zip" if media == ZIP else "xlsx"
        assert answer.headers["Content-Disposition"] == f'attachment; filename="tables-2027-03-01.{kind}"'
    answer = house["maker"].get("/api/v1/tables", headers={"Accept": "text/html"})
    assert (answer.status_code, answer.headers["content-type"]) == (406, "application/problem+json")
    assert answer.json()["code"] == "not_acceptable"


@pytest.mark.parametrize("kind", ["xlsx", "zip"])
def test_what_went_out_comes_in_again_as_nothing_new(house: dict[str, APIClient], kind: str) -> None:
    taken = house["owner"].get(f"/api/v1/tables?format={kind}")
    before = everything()
    answer = bring(house["owner"], taken.content, taken.headers["content-type"])
    report = house["owner"].get("/api/v1/tables/report").json()
    assert answer.json() == {
        "checked_only": False,
        "added": {},
        "updated": {},
        "unchanged": report["written"],
        "report": [],
    }
    assert everything() == before


def test_the_report_of_what_goes_out_is_that_of_the_command(house: dict[str, APIClient], tmp_path: Path) -> None:
    bench.start(batch=find_batch("B-1"))
    told = json.loads(printed("export", str(tmp_path / "out.xlsx")))
    answer = house["maker"].get("/api/v1/tables/report").json()
    assert answer == {"written": told["written"], "left_out": told["left_out"]}
    assert answer["left_out"] == ["batch B-1: started"]


def test_a_check_tells_what_would_be_done_and_does_nothing(house: dict[str, APIClient]) -> None:
    before = everything()
    answer = bring(house["owner"], packed({"items.csv": ITEMS}), query="?check=yes").json()
    assert (answer["checked_only"], answer["added"]) == (True, {"items": 1})
    assert everything() == before
    answer = bring(house["owner"], packed({"items.csv": ITEMS}), query="?check=no").json()
    assert (answer["checked_only"], answer["added"]) == (False, {"items": 1})
    assert house["viewer"].get("/api/v1/items/CLAY").json()["name"] == "White clay"


def test_what_was_brought_bears_the_name_of_who_brought_it(house: dict[str, APIClient]) -> None:
    lots = b"item,lot,quantity,status\nCLAY,C1,2 kg,released\n"
    assert bring(house["owner"], packed({"items.csv": ITEMS, "lots.csv": lots})).status_code == 200
    event = StockEvent.objects.latest("pk")
    assert (str(event.who), event.movements.get().quantity) == ("owner", 2_000_000)


def test_every_fault_of_the_tables_is_told_and_nothing_is_loaded(house: dict[str, APIClient]) -> None:
    before = everything()
    lots = b"item,lot,quantity,status\nCLAY,C1,-400 g,released\nMUD,M1,1 kg,somewhere\n"
    answer = bring(house["owner"], packed({"items.csv": ITEMS, "lots.csv": lots, "notes.txt": b""}))
    assert (answer.status_code, answer.headers["content-type"]) == (400, "application/problem+json")
    problem = answer.json()
    assert (problem["code"], problem["more_faults"]) == ("tables_refused", 0)
    told = {(one["file"], one["row"], one["field"], one["value"]) for one in problem["errors"]}
    assert told >= {
        ("lots.csv", 2, "quantity", "-400 g"),
        ("lots.csv", 3, "item", "MUD"),
        ("lots.csv", 3, "status", "somewhere"),
        ("notes.txt", None, "", ""),
    }
    assert all(one["accepted"] for one in problem["errors"])
    assert everything() == before


def test_more_faults_than_are_shown_are_counted(house: dict[str, APIClient]) -> None:
    rows = b"".join(b"I%d,x,stone\n" % number for number in range(250))
    problem = bring(house["owner"], packed({"items.csv": b"item,name,kind\n" + rows})).json()
    assert (len(problem["errors"]), problem["more_faults"]) == (200, 50)


@pytest.mark.parametrize(
    ("content", "media", "status", "code"),
    [
        (b"{}", "application/json", 415, "unsupported_media_type"),
        (b"a=b", "application/x-www-form-urlencoded", 415, "unsupported_media_type"),
        (ITEMS, "text/csv", 415, "unsupported_media_type"),
        (b"", ZIP, 400, "bad_input"),
        (b"", XLSX, 400, "bad_input"),
        (ITEMS, ZIP, 400, "tables_refused"),
        (ITEMS, XLSX, 400, "tables_refused"),
        (packed({"items.csv": ITEMS}), XLSX, 400, "tables_refused"),
        (packed({"items.csv": b" " * (257 * 1024**2)}), ZIP, 400, "tables_refused"),
    ],
    ids=["JSON", "a form", "CSV", "no ZIP", "no workbook", "CSV as ZIP", "CSV as workbook", "ZIP as workbook", "bomb"],
)
def test_what_is_no_file_of_tables_is_refused(
    house: dict[str, APIClient], content: bytes, media: str, status: int, code: str
) -> None:
    before = everything()
    answer = bring(house["owner"], content, media)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.headers["content-type"] == "application/problem+json"
    assert everything() == before


@pytest.mark.parametrize("media", [XLSX, ZIP])
def test_a_file_larger_than_load_takes_is_refused(house: dict[str, APIClient], media: str) -> None:
    answer = bring(house["owner"], b"x" * (64 * 1024**2 + 1), media)
    assert (answer.status_code, answer.json()["code"]) == (413, "too_large")


def test_tables_may_hold_more_than_a_request_in_json(house: dict[str, APIClient]) -> None:
    rows = b"".join(b"I%d,x,raw,%s\n" % (number, b"c" * 4_900) for number in range(1_200))
    files = {"items.csv": b"item,name,kind,caution\n" + rows}
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("items.csv", files["items.csv"])
    assert len(content.getvalue()) > 5 * 1024**2
    assert bring(house["owner"], content.getvalue()).json()["added"] == {"items": 1_200}


@pytest.mark.parametrize("query", ["?check=maybe", "?check=", "?check=yes&check=no", "?chek=yes"])
def test_a_wrong_query_loads_nothing(house: dict[str, APIClient], query: str) -> None:
    before = everything()
    answer = bring(house["owner"], packed({"items.csv": ITEMS}), query=query)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, query[1:].partition("=")[0])
    assert everything() == before


def test_a_retry_key_holds_for_one_file_and_one_query(house: dict[str, APIClient]) -> None:
    key = {"Idempotency-Key": "5b8d-9"}
    first = bring(house["owner"], packed({"items.csv": ITEMS}), **key)
    after = everything()
    assert first.json()["added"] == {"items": 1}
    assert bring(house["owner"], packed({"items.csv": ITEMS}), **key).content == first.content
    for content, query in [
        (packed({"items.csv": ITEMS + b"B,b,raw\n"}), ""),
        (packed({"items.csv": ITEMS}), "?check=no"),
    ]:
        refused = bring(house["owner"], content, query=query, **key)
        assert (refused.status_code, refused.json()["code"]) == (409, "key_reused")
    assert everything() == after
