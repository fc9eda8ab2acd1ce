"""Lots, portions and stock events through the API, beyond the examples."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.test import APIClient

from inventory.api.lots import OpeningRow
from inventory.ledger import verify
from inventory.models import Reservation
from inventory.selectors import find_transformation, get_lot
from inventory.services.reserving import reserve_exact
from planner.exchange.tables import LOTS
from tests.inventory.builders import portion_in
from tests.planner.api.house import everything

House = dict[str, APIClient]


def post(client: APIClient, address: str, body: dict[str, Any] | None = None, status: int = 200) -> Any:
    """The answer to a POST below /api/v1/, which must have this status."""
    answer = client.post(f"/api/v1/{address}", body or {}, format="json")
    assert answer.status_code == status, answer.content
    return answer.json()


def get(client: APIClient, address: str) -> Any:
    answer = client.get(f"/api/v1/{address}")
    assert answer.status_code == 200, answer.content
    return answer.json()


def refused(client: APIClient, address: str, body: dict[str, Any] | None = None, status: int = 409) -> str:
    """The code of the problem that a POST is answered with; it must have changed nothing."""
    before = everything()
    problem = post(client, address, body, status)
    assert everything() == before
    return str(problem["code"])


def lots_of(client: APIClient, query: str = "") -> list[str]:
    return [row["lot"] for row in get(client, f"lots{query}")["rows"]]


def oil_set_aside(quantity: int) -> None:
    """So many mg of the oil set aside for batch B-1."""
    portion = portion_in(get_lot("OIL", "O1"))
    reserve_exact(rows=[(portion, find_transformation("B-1"), quantity)])


# --- reading -----------------------------------------------------------------------------------------------


def test_a_lot_is_found_by_any_number_that_stands_on_the_jar(house: House) -> None:
    client = house["viewer"]
    assert lots_of(client, "?number=HH%2077%20-%20A") == ["O1", "W2"]
    assert lots_of(client, "?number=w1") == ["W1"]
    assert lots_of(client, "?number=-") == []


def test_lots_by_status_kind_place_and_last_day(house: House) -> None:
    client = house["viewer"]
    post(house["maker"], "lots/WAX/W1/move", {"to_place": "bench", "quantity": "50 g"})
    assert lots_of(client, "?status=released") == ["O1", "W1"]
    assert lots_of(client, "?kind=packaging") == []
    assert lots_of(client, "?place=bench") == ["W1"]
    assert lots_of(client, "?expiring_before=2028-06-30") == ["O1"]
    assert lots_of(client, "?expiring_before=2028-07-01") == ["O1", "W1"]


def test_an_opened_container_brings_the_last_day_of_its_lot_nearer(house: House) -> None:
    house["maker"].patch("/api/v1/items/OIL", {"opened_life_days": 60}, format="json")
    opened = post(house["maker"], "lots/OIL/O1/open")
    assert (opened["opened_on"], opened["last_day"]) == ("2027-03-01", "2027-04-30")
    assert lots_of(house["viewer"], "?expiring_before=2027-05-01") == ["O1"]
    assert get(house["viewer"], "portions?usable_on=2027-05-01&item=OIL")["rows"] == []
    assert len(get(house["viewer"], "portions?usable_on=2027-04-30&item=OIL")["rows"]) == 1


def test_a_lot_that_is_used_up_stays_on_the_books_without_stock(house: House) -> None:
    post(house["maker"], "lots/WAX/W1/discard", {"quantity": "200 g"})
    client = house["viewer"]
    assert lots_of(client, "?with_stock=no") == ["W1"]
    assert lots_of(client, "?with_stock=yes") == ["O1", "W2"]
    lot = get(client, "lots/WAX/W1")
    assert (lot["on_hand"], lot["portions"]) == ("0 g", [])


def test_what_is_set_aside_is_not_free(house: House) -> None:
    oil_set_aside(800_000)
    lot = get(house["viewer"], "lots/OIL/O1")
    assert [lot[name] for name in ("on_hand", "reserved", "free")] == ["2400 g", "800 g", "1600 g"]
    assert lot["portions"][0]["free"] == "1600 g"


@pytest.mark.parametrize("address", ["lots?item=NOTHING", "portions?item=NOTHING", "stock-events?item=NOTHING"])
def test_an_unknown_item_in_a_filter_is_a_wrong_value(house: House, address: str) -> None:
    answer = house["viewer"].get(f"/api/v1/{address}")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "item")


def test_a_helper_sees_lots_and_the_stock_without_costs(house: House) -> None:
    viewed, helped = (get(house[who], "stock") for who in ("viewer", "helper"))
    assert (viewed["value"], viewed["portions"][0]["unit_cost"]) == ("19.20", "8.00")
    assert "value" not in helped
    assert all("unit_cost" not in row and "value" not in row for row in helped["portions"])
    assert [row["quantity"] for row in helped["portions"]] == [row["quantity"] for row in viewed["portions"]]
    assert get(house["viewer"], "lots/OIL/O1")["unit_cost"] == "8.00"
    for address in ("lots/OIL/O1", "lots", "portions"):
        assert "cost" not in house["helper"].get(f"/api/v1/{address}").content.decode()


def test_the_stock_of_an_earlier_day_is_what_was_here_then(house: House) -> None:
    post(house["maker"], "lots/WAX/W1/discard", {"quantity": "50 g"})
    quantities = {row["lot"]: row["quantity"] for row in get(house["viewer"], "stock?on=2027-03-01")["portions"]}
    assert quantities == {"O1": "2400 g", "W1": "150 g", "W2": "5000 g"}
    assert get(house["viewer"], "stock?on=2027-02-28")["portions"] == []


# --- opening stock -----------------------------------------------------------------------------------------


def test_a_row_of_a_count_has_the_columns_of_the_table_lots() -> None:
    assert {name: (one.reader.accepted, one.required) for name, one in OpeningRow().fields.items()} == {
        column.name: (column.reader.accepted, column.required) for column in LOTS.columns
    }


def test_a_shelf_is_counted_into_lots_with_a_portion_for_each_place(house: House) -> None:
    rows = [
        {"item": "OIL", "lot": "O9", "quantity": "2 kg", "status": "released", "place": "shelf"},
        {"item": "OIL", "lot": "O9", "quantity": "1 kg", "status": "released", "place": "bench"},
        {"item": "TIN", "quantity": "40 pc", "status": "quarantine"},
    ]
    lots = post(house["maker"], "opening-stock", {"rows": rows}, 201)["lots"]
    assert [(lot["lot"], lot["on_hand"]) for lot in lots] == [("O9", "3000 g"), ("20270301-1", "40 pc")]
    assert lots[1]["note"] == "opening stock, origin unknown"
    places = [(row["place"], row["on_hand"]) for row in get(house["viewer"], "lots/OIL/O9")["portions"]]
    assert places == [("bench", "1000 g"), ("shelf", "2000 g")]
    assert verify() == []


def test_one_wrong_row_of_a_count_keeps_all_rows_out_and_is_named(house: House) -> None:
    good = {"item": "OIL", "lot": "O9", "quantity": "2 kg", "status": "released"}
    before = everything()
    for wrong, field, status in [
        ({"item": "NOTHING"}, "rows[1].item", 404),
        ({"supplier": "NOBODY"}, "rows[1].supplier", 404),
        ({"lot": "O1"}, "rows[1].lot", 409),
        ({"quantity": "3 pc"}, "rows[1].quantity", 400),
        ({"status": "held"}, "rows[1].lot", 400),
        ({}, "rows[1].place", 400),
        ({"lot": "O8", "received_on": "2027-02-02", "expires_on": "2027-01-31"}, "rows[1].expires_on", 400),
    ]:
        problem = post(house["maker"], "opening-stock", {"rows": [good, good | wrong]}, status)
        assert [fault["field"] for fault in problem["errors"]] == [field]
        assert everything() == before


# --- decisions ---------------------------------------------------------------------------------------------


def test_a_lot_is_released_held_and_released_again_with_a_reason(house: House) -> None:
    client = house["quality"]
    assert [row["lot"] for row in get(client, "portions?item=WAX&usable_on=2027-03-01")["rows"]] == ["W1"]
    post(client, "lots/WAX/W2/release", {"why": "papers looked at"})
    assert len(get(client, "portions?item=WAX&usable_on=2027-03-01")["rows"]) == 2
    post(client, "lots/WAX/W2/hold", {"why": "a doubt"})
    assert refused(client, "lots/WAX/W2/release", status=400) == "why_needed"
    lot = post(client, "lots/WAX/W2/release", {"why": "the doubt is gone"})
    assert [(row["to_status"], row["who"], row["why"]) for row in lot["decisions"]] == [
        ("quarantine", None, ""),
        ("released", "quality", "papers looked at"),
        ("held", "quality", "a doubt"),
        ("released", "quality", "the doubt is gone"),
    ]


def test_a_lot_that_is_released_already_gets_no_second_decision(house: House) -> None:
    lot = post(house["quality"], "lots/WAX/W1/release")
    assert (lot["status"], len(lot["decisions"])) == ("released", 1)


def test_a_lot_past_its_last_day_is_not_released(house: House) -> None:
    row = {"item": "WAX", "lot": "OLD", "quantity": "1 kg", "status": "quarantine", "expires_on": "2027-02-28"}
    post(house["maker"], "opening-stock", {"rows": [row]}, 201)
    assert refused(house["quality"], "lots/WAX/OLD/release") == "expired"


def test_decisions_are_taken_by_quality_alone(house: House) -> None:
    for act in ("release", "reject", "hold", "quarantine"):
        for who in ("maker", "owner", "helper"):
            assert refused(house[who], f"lots/WAX/W2/{act}", status=403) == "not_allowed"


def test_a_retest_day_that_is_past_keeps_a_lot_from_use_until_the_next_is_set(house: House) -> None:
    post(house["quality"], "lots/WAX/W1/retest", {"retest_on": "2027-03-10"})
    address = "portions?item=WAX&usable_on=2027-03-11"
    assert get(house["viewer"], address)["rows"] == []
    lot = post(house["quality"], "lots/WAX/W1/retest", {"retest_on": "2027-09-10", "why": "as before"})
    assert lot["decisions"][-1]["why"] == "retest on 2027-09-10: as before"
    assert len(get(house["viewer"], address)["rows"]) == 1


# --- acts on a portion -------------------------------------------------------------------------------------


def test_stock_is_moved_counted_sampled_and_sent_back_and_every_event_is_told(house: House) -> None:
    maker = house["maker"]
    post(maker, "lots/WAX/W2/move", {"to_place": "bench", "to_container": "jar", "quantity": "1 kg"})
    post(maker, "lots/WAX/W2/count", {"place": "bench", "container": "jar", "counted": "990 g"})
    post(maker, "lots/WAX/W2/count", {"place": "bench", "container": "jar", "counted": "990 g"})
    post(house["quality"], "lots/WAX/W2/sample", {"quantity": "10 g"})
    post(house["buyer"], "lots/WAX/W2/send-back", {"quantity": "500 g", "why": "too yellow"})
    events = get(house["viewer"], "stock-events?lot=W2")["rows"]
    assert [(row["kind"], row["who"], [move["quantity"] for move in row["movements"]]) for row in events] == [
        ("sent_back", "buyer", ["-500 g"]),
        ("sampled", "quality", ["-10 g"]),
        ("counted", "maker", []),
        ("counted", "maker", ["-10 g"]),
        ("moved", "maker", ["-1000 g", "1000 g"]),
        ("opening", None, ["5000 g"]),
    ]
    assert events[2]["portion"] == {
        "item": "WAX", "lot": "W2", "place": "bench", "container": "jar", "set_apart": False,
    }  # fmt: skip
    assert get(house["viewer"], "lots/WAX/W2")["on_hand"] == "4480 g"
    assert verify() == []


def test_a_count_below_what_is_set_aside_frees_it(house: House) -> None:
    oil_set_aside(800_000)
    post(house["maker"], "lots/OIL/O1/count", {"counted": "500 g"})
    lot = get(house["viewer"], "lots/OIL/O1")
    assert [lot[name] for name in ("on_hand", "reserved", "free")] == ["500 g", "500 g", "0 g"]
    assert Reservation.objects.get().quantity == 500_000


def test_more_than_is_here_is_a_shortage_that_says_what_is(house: House) -> None:
    for act in ("discard", "sample", "move"):
        body = {"quantity": "201 g"} | ({"to_place": "bench"} if act == "move" else {})
        assert refused(house["maker"], f"lots/WAX/W1/{act}", body) == "not_on_hand"
    problem = post(house["maker"], "lots/WAX/W1/discard", {"quantity": "201 g"}, 409)
    assert problem["shortages"] == [{"item": "WAX", "lot": "W1", "wanted": "201 g", "free": "200 g"}]


def test_what_is_set_apart_is_not_usable_until_it_is_put_back(house: House) -> None:
    usable = "portions?item=WAX&usable_on=2027-03-01"
    post(house["quality"], "lots/WAX/W1/set-apart", {"quantity": "50 g"})
    assert [row["on_hand"] for row in get(house["viewer"], usable)["rows"]] == ["150 g"]
    assert [row["on_hand"] for row in get(house["viewer"], "portions?set_apart=yes")["rows"]] == ["50 g"]
    post(house["quality"], "lots/WAX/W1/discard", {"quantity": "20 g", "set_apart": True})
    assert post(house["quality"], "lots/WAX/W1/put-back")["on_hand"] == "180 g"
    assert [row["on_hand"] for row in get(house["viewer"], usable)["rows"]] == ["180 g"]
    assert verify() == []


def test_what_is_not_in_the_state_for_an_act_is_refused(house: House) -> None:
    maker = house["maker"]
    assert refused(maker, "lots/WAX/W1/put-back", status=404) == "not_found"
    assert refused(maker, "lots/WAX/W1/move", {"to_place": ""}, 400) == "same_place"
    post(maker, "lots/WAX/W1/open", {"quantity": "50 g"})
    assert refused(maker, "lots/WAX/W1/open", {"container": "opened"}) == "opened"
    body = {"container": "opened", "to_place": "", "to_container": ""}
    assert refused(maker, "lots/WAX/W1/move", body) == "other_condition"
    assert refused(maker, "lots/WAX/NONE/discard", {"quantity": "1 g"}, 404) == "not_found"
    assert refused(maker, "lots/OIL/W1/discard", {"quantity": "1 g"}, 404) == "not_found"


def test_two_discards_with_one_retry_key_are_one(house: House) -> None:
    first, again = (
        house["maker"].post(
            "/api/v1/lots/WAX/W1/discard", {"quantity": "20 g"}, format="json", headers={"Idempotency-Key": "k-1"}
        )
        for _ in range(2)
    )
    assert first.json() == again.json()
    assert get(house["viewer"], "lots/WAX/W1")["on_hand"] == "180 g"


# --- stock events ------------------------------------------------------------------------------------------


def test_a_mistake_is_corrected_once_and_both_events_name_each_other(house: House) -> None:
    wrong = post(house["maker"], "lots/WAX/W1/discard", {"quantity": "20 g"})
    address = f"stock-events/{wrong['uid']}"
    opposite = post(house["maker"], f"{address}/correct", {"why": "it was the other lot"})
    assert (opposite["corrects"], opposite["movements"][0]["quantity"]) == (wrong["uid"], "20 g")
    assert get(house["viewer"], address)["corrected_by"] == opposite["uid"]
    assert get(house["viewer"], "lots/WAX/W1")["on_hand"] == "200 g"
    assert refused(house["maker"], f"{address}/correct", {"why": "again"}) == "already_corrected"
    assert refused(house["maker"], f"stock-events/{opposite['uid']}/correct", {"why": "no"}) == "is_correction"
    assert verify() == []


def test_what_is_gone_is_not_taken_back(house: House) -> None:
    (came,) = get(house["viewer"], "stock-events?lot=W1")["rows"]
    post(house["maker"], "lots/WAX/W1/discard", {"quantity": "150 g"})
    assert refused(house["maker"], f"stock-events/{came['uid']}/correct", {"why": "never came"}) == "stock_gone"


def test_events_are_filtered_by_kind_item_lot_and_day(house: House) -> None:
    post(house["maker"], "lots/WAX/W1/sample", {"quantity": "1 g"})

    def found(query: str) -> list[tuple[str, str]]:
        rows = get(house["viewer"], f"stock-events{query}")["rows"]
        return [(row["kind"], row["movements"][0]["lot"]) for row in rows]

    assert found("?kind=sampled") == [("sampled", "W1")]
    assert found("?item=OIL") == [("opening", "O1")]
    assert found("?item=WAX&lot=W1") == [("sampled", "W1"), ("opening", "W1")]
    assert found("?item=OIL&lot=W1") == []
    assert len(found("?from=2027-03-01&to=2027-03-01")) == 4
    assert found("?to=2027-02-28") == []
    assert found("?from=2027-03-02") == []
