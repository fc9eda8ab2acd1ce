"""Ordering, receiving, what is wanted, and what leaves and comes back, through the API."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.test import APIClient

from inventory.selectors import find_item
from planner.api.access import PERMISSIONS
from tests.inventory.builders import make_lot
from tests.planner.api.areas.trade import tins_filled
from tests.planner.api.house import everything
from tests.planner.small_house import FROM
from tests.tables import plan

House = dict[str, APIClient]
WAX_ORDER: dict[str, Any] = {
    "order": "P-1",
    "supplier": "HOLLOW",
    "lines": [{"item": "WAX", "quantity": "2 kg", "due_on": "2027-03-04", "expires_on": "2028-12"}],
}
OF_LINE = {"item": "WAX", "order": "P-1", "due_on": "2027-03-04"}


def post(client: APIClient, address: str, body: dict[str, Any]) -> Any:
    return client.post(f"/api/v1/{address}", body, format="json")


def rows(client: APIClient, address: str) -> list[dict[str, Any]]:
    answer = client.get(f"/api/v1/{address}")
    assert answer.status_code == 200, answer.content
    found: list[dict[str, Any]] = answer.json()["rows"]
    return found


def check_refused(client: APIClient, address: str, body: dict[str, Any], status: int, code: str, field: str) -> None:
    """The problem has this status and code, names the field, and nothing was changed."""
    before = everything()
    answer = post(client, address, body)
    told = answer.json()
    assert (answer.status_code, told["code"]) == (status, code), answer.content
    assert [one["field"] for one in told["errors"]] == [field]
    assert everything() == before


# --- orders and receipts -----------------------------------------------------------------------------------


def test_what_is_ordered_is_bought_no_more(house: House) -> None:
    def wax() -> list[str]:
        return [row["quantity"] for row in plan(FROM, 4)["buy"] if row["item"] == "WAX"]

    assert wax() == ["1000 g"]
    assert post(house["buyer"], "purchase-orders", WAX_ORDER).status_code == 201
    assert wax() == []
    closed = post(house["buyer"], "purchase-orders/P-1/close-line", OF_CLOSED)
    assert closed.json()["lines"][0] == {
        "item": "WAX", "quantity": "2000 g", "due_on": "2027-03-04", "expires_on": "2028-12-31", "received": "0 g",
        "open": "0 g", "closed_at": "2027-03-01T09:00:00+00:00", "closed_why": "sold out",
    }  # fmt: skip
    assert wax() == ["1000 g"]


OF_CLOSED = {"item": "WAX", "due_on": "2027-03-04", "why": "sold out"}


def test_an_order_comes_in_parts_and_is_closed_by_the_last(house: House) -> None:
    post(house["buyer"], "purchase-orders", WAX_ORDER)

    def line() -> tuple[str, str, bool]:
        (found,) = house["viewer"].get("/api/v1/purchase-orders/P-1").json()["lines"]
        return found["received"], found["open"], found["closed_at"] is not None

    first = post(house["maker"], "receipts", {"supplier": "HOLLOW", "lots": [OF_LINE | {"quantity": "700 g"}]})
    assert (first.status_code, first.json()["lots"][0]["status"]) == (201, "quarantine")
    assert line() == ("700 g", "1300 g", False)
    both = [OF_LINE | {"quantity": "1 kg", "lot": "N2"}, OF_LINE | {"quantity": "500 g", "lot": "N3"}]
    assert post(house["buyer"], "receipts", {"supplier": "HOLLOW", "lots": both}).status_code == 201
    assert line() == ("2200 g", "0 g", True)
    assert rows(house["viewer"], "purchase-orders?open=yes") == []
    assert [row["order"] for row in rows(house["viewer"], "purchase-orders?open=no")] == ["P-1"]
    assert [row["lot"] for row in rows(house["viewer"], "receipts?order=P-1")] == ["20270301-1", "N2", "N3"]
    late = {"supplier": "HOLLOW", "lots": [OF_LINE | {"quantity": "1 g"}]}
    check_refused(house["buyer"], "receipts", late, 409, "closed", "lots[0].order")


def test_one_lot_that_cannot_be_keeps_the_whole_delivery_out(house: House) -> None:
    post(house["buyer"], "purchase-orders", WAX_ORDER)
    good = {"item": "WAX", "quantity": "1 kg", "lot": "N1"}

    def refused(lot: dict[str, Any], status: int, code: str, field: str) -> None:
        body = {"supplier": "HOLLOW", "lots": [good, lot]}
        check_refused(house["buyer"], "receipts", body, status, code, f"lots[1].{field}")

    refused(good, 409, "number_taken", "lot")
    refused(good | {"lot": "W1"}, 409, "number_taken", "lot")
    refused({"item": "TIN", "quantity": "1 pc", "order": "P-1", "due_on": "2027-03-04"}, 404, "not_found", "due_on")
    refused(OF_LINE | {"quantity": "1 kg", "due_on": "2027-03-05"}, 404, "not_found", "due_on")
    refused(OF_LINE | {"quantity": "1 kg", "due_on": None}, 400, "bad_input", "due_on")
    refused({"item": "WAX", "quantity": "1 kg", "due_on": "2027-03-04"}, 400, "bad_input", "order")
    refused({"item": "WAX", "quantity": "1 pc"}, 400, "bad_input", "quantity")
    refused({"item": "WAX", "quantity": "1 g", "expires_on": "2027-02"}, 400, "bad_input", "expires_on")


def test_a_delivery_may_be_written_down_on_a_later_day(house: House) -> None:
    body = {"supplier": "HOLLOW", "received_on": "2027-02-26", "lots": [{"item": "TIN", "quantity": "7 pc"}]}
    (lot,) = post(house["buyer"], "receipts", body).json()["lots"]
    assert (lot["lot"], lot["received_on"]) == ("20270226-1", "2027-02-26")
    assert lot["happened_at"].startswith("2027-02-26")
    assert len(rows(house["viewer"], "receipts?from=2027-02-26&to=2027-02-26")) == 1
    assert rows(house["viewer"], "receipts?from=2027-02-27") == []


def test_orders_are_found_by_a_line_that_is_all_of_what_is_asked(house: House) -> None:
    lines = [
        {"item": "WAX", "quantity": "1 kg", "due_on": "2027-03-04"},
        {"item": "TIN", "quantity": "100 pc", "due_on": "2027-03-20"},
    ]
    post(house["buyer"], "purchase-orders", {"order": "P-2", "supplier": "HOLLOW", "lines": lines})

    def found(query: str) -> list[str]:
        return [row["order"] for row in rows(house["viewer"], f"purchase-orders?{query}")]

    assert found("item=TIN&due_before=2027-03-21") == ["P-2"]
    assert found("item=TIN&due_before=2027-03-20") == []
    assert found("item=OIL") == []
    assert found("supplier=HOLLOW&open=yes") == ["P-2"]
    assert house["viewer"].get("/api/v1/purchase-orders?item=NONE").status_code == 400


def test_an_order_that_cannot_be_is_refused(house: House) -> None:
    post(house["buyer"], "purchase-orders", WAX_ORDER)
    check_refused(house["buyer"], "purchase-orders", WAX_ORDER, 409, "number_taken", "order")
    twice = WAX_ORDER | {"order": "P-2", "lines": WAX_ORDER["lines"] * 2}
    check_refused(house["buyer"], "purchase-orders", twice, 400, "line_twice", "lines[1].due_on")
    post(house["buyer"], "purchase-orders/P-1/close-line", OF_CLOSED)
    again = post(house["buyer"], "purchase-orders/P-1/close-line", OF_CLOSED)
    assert (again.status_code, again.json()["code"]) == (409, "closed")


# --- demands -----------------------------------------------------------------------------------------------

L9 = {"item": "RUB-50", "due_on": "2027-03-19", "customer": "LANE", "reference": "L-9"}


def test_what_is_wanted_is_planned_until_it_is_closed(house: House) -> None:
    market = {"item": "RUB-50", "due_on": "2027-03-20", "reference": "market"}

    def wanted() -> list[tuple[str, str]]:
        return [(row["day"], row["gross"]) for row in plan(FROM, 4)["requirements"] if row["item"] == "RUB-50"]

    assert post(house["buyer"], "demands", market | {"quantity": "24 pc"}).status_code == 201
    assert wanted() == [("2027-03-19", "60 pc"), ("2027-03-20", "24 pc")]
    check_refused(house["buyer"], "demands", market | {"quantity": "1 pc"}, 409, "demand_exists", "reference")
    assert post(house["buyer"], "demands/close", market).status_code == 200
    assert wanted() == [("2027-03-19", "60 pc")]
    assert [row["reference"] for row in rows(house["viewer"], "demands?open=no")] == ["market"]
    assert [row["reference"] for row in rows(house["viewer"], "demands?open=yes&item=RUB-50")] == ["L-9"]
    again = post(house["buyer"], "demands/close", market)
    assert (again.status_code, again.json()["code"]) == (409, "closed")


def test_a_smaller_demand_keeps_no_more_than_it_wants_and_no_less_than_has_left(house: House) -> None:
    tins_filled()
    post(house["maker"], "demands/reserve", L9)
    found = house["buyer"].patch("/api/v1/demands", L9 | {"quantity": "30 pc", "priority": 2}, format="json").json()
    assert (found["open"], found["reserved"], found["priority"]) == ("30 pc", "30 pc", 2)
    line = {"item": "RUB-50", "lot": "R1", "place": "shelf", "quantity": "24 pc"}
    line |= {"demand": {"due_on": "2027-03-19", "reference": "L-9"}}
    assert post(house["buyer"], "dispatches", {"customer": "LANE", "lines": [line]}).status_code == 201
    refused = house["buyer"].patch("/api/v1/demands", L9 | {"quantity": "23 pc"}, format="json")
    assert (refused.status_code, refused.json()["code"]) == (400, "less_than_left")
    assert refused.json()["errors"][0]["accepted"] == "at least 24 pc"
    rank = house["buyer"].patch("/api/v1/demands", L9 | {"priority": None}, format="json").json()
    assert (rank["quantity"], rank["priority"]) == ("30 pc", None)


def test_stock_is_set_aside_once_and_no_more_than_is_wanted(house: House) -> None:
    tins_filled()
    part = post(house["maker"], "demands/reserve", L9 | {"quantity": "20 pc"}).json()
    assert (part["reserved"], part["open"]) == ("20 pc", "60 pc")
    rest = post(house["maker"], "demands/reserve", L9).json()
    assert rest["reservations"] == [{"lot": "R1", "place": "shelf", "container": "", "quantity": "60 pc"}]
    check_refused(house["maker"], "demands/reserve", L9 | {"quantity": "1 pc"}, 409, "more_than_wanted", "quantity")
    assert post(house["maker"], "demands/reserve", L9).json()["code"] == "more_than_wanted"
    assert post(house["maker"], "demands/free", L9).json()["reserved"] == "0 pc"
    assert post(house["maker"], "demands/free", L9).json()["reserved"] == "0 pc"


def test_a_shortage_names_what_is_wanted_and_what_is_free(house: House) -> None:
    before = everything()
    answer = post(house["buyer"], "demands/reserve", L9)
    told = answer.json()
    assert (answer.status_code, told["code"]) == (409, "shortage")
    assert told["shortages"] == [{"item": "RUB-50", "position": 0, "wanted": "60 pc", "free": "0 pc"}]
    assert everything() == before


def test_stock_that_does_not_live_as_long_as_the_customer_wants_is_not_set_aside(house: House) -> None:
    tins_filled()
    house["buyer"].patch("/api/v1/parties/LANE", {"min_remaining_days": 163}, format="json")
    assert post(house["buyer"], "demands/reserve", L9).json()["shortages"][0]["free"] == "0 pc"
    house["buyer"].patch("/api/v1/parties/LANE", {"min_remaining_days": 162}, format="json")
    assert post(house["buyer"], "demands/reserve", L9).status_code == 200


# --- dispatches --------------------------------------------------------------------------------------------

R1 = {"item": "RUB-50", "lot": "R1", "place": "shelf"}
FOR_L9 = {"due_on": "2027-03-19", "reference": "L-9"}


def test_a_dispatch_takes_what_is_set_aside_for_its_demand_and_serves_it(house: House) -> None:
    tins_filled()
    post(house["maker"], "demands/reserve", L9)
    # 20 of the 80 tins are free for others.
    others = {"public_place": "spring market", "lines": [R1 | {"quantity": "21 pc"}]}
    check_refused(house["buyer"], "dispatches", others, 409, "shortage", "lines[0].quantity")
    body = {"customer": "LANE", "lines": [R1 | {"quantity": "50 pc", "demand": FOR_L9}]}
    assert post(house["buyer"], "dispatches", body).status_code == 201
    (wanted,) = rows(house["viewer"], "demands")
    assert (wanted["dispatched"], wanted["open"], wanted["reserved"]) == ("50 pc", "10 pc", "10 pc")
    more = {"customer": "LANE", "lines": [R1 | {"quantity": "11 pc", "demand": FOR_L9}]}
    check_refused(house["buyer"], "dispatches", more, 409, "more_than_wanted", "lines[0].quantity")
    more["lines"] = [R1 | {"quantity": "10 pc", "demand": FOR_L9}]
    assert post(house["buyer"], "dispatches", more).status_code == 201
    assert rows(house["viewer"], "demands?open=yes") == []


def test_one_line_that_cannot_leave_keeps_the_others_here(house: House) -> None:
    tins_filled()

    def refused(line: dict[str, Any], status: int, code: str, field: str) -> None:
        body = {"customer": "LANE", "lines": [R1 | {"quantity": "1 pc"}, line]}
        check_refused(house["buyer"], "dispatches", body, status, code, f"lines[1].{field}")

    refused({"item": "WAX", "lot": "W2", "quantity": "1 g"}, 409, "unusable", "lot")
    refused({"item": "WAX", "lot": "W1", "quantity": "201 g"}, 409, "shortage", "quantity")
    refused({"item": "WAX", "lot": "O1", "quantity": "1 g"}, 404, "not_found", "lot")
    refused(R1 | {"quantity": "80 pc"}, 409, "shortage", "quantity")


def test_a_lot_that_stands_elsewhere_is_told_where(house: House) -> None:
    tins_filled()
    body = {"customer": "LANE", "lines": [{"item": "RUB-50", "lot": "R1", "quantity": "1 pc"}]}
    answer = post(house["buyer"], "dispatches", body).json()
    assert {one["accepted"] for one in answer["errors"]} == {'place "shelf", container ""'}


def test_only_what_is_written_off_as_damaged_leaves_from_quarantine(house: House) -> None:
    body = {"public_place": "waste", "why": "mouldy", "lines": [{"item": "WAX", "lot": "W2", "quantity": "5 kg"}]}
    for kind in ("sale", "tester", "gift"):
        check_refused(house["buyer"], "dispatches", body | {"kind": kind}, 409, "unusable", "lines[0].lot")
    assert post(house["buyer"], "dispatches", body | {"kind": "damaged"}).status_code == 201
    check_refused(house["buyer"], "dispatches", body | {"kind": "damaged"}, 409, "not_on_hand", "lines[0].quantity")


def test_a_dispatch_goes_to_a_customer_or_to_the_public_at_a_place(house: House) -> None:
    tins_filled()
    lines = [R1 | {"quantity": "1 pc"}]
    check_refused(house["buyer"], "dispatches", {"lines": lines}, 400, "no_receiver", "public_place")
    both = {"customer": "LANE", "public_place": "market", "lines": lines}
    check_refused(house["buyer"], "dispatches", both, 400, "no_receiver", "public_place")
    public = {"dispatch": "D-1", "public_place": "market", "lines": lines}
    assert post(house["buyer"], "dispatches", public).json()["customer"] is None
    check_refused(house["buyer"], "dispatches", public, 409, "number_taken", "dispatch")
    market = L9 | {"customer": None, "quantity": "5 pc"}
    assert post(house["buyer"], "demands", market).status_code == 201
    served = {"public_place": "market", "lines": [R1 | {"quantity": "5 pc", "demand": FOR_L9}]}
    assert post(house["buyer"], "dispatches", served).status_code == 201
    assert [row["customer"] for row in rows(house["viewer"], "demands?open=yes")] == ["LANE"]


def test_what_comes_back_stands_apart_and_no_more_comes_back_than_left(house: House) -> None:
    tins_filled()
    sale = {"dispatch": "D-1", "customer": "LANE", "lines": [R1 | {"quantity": "6 pc"}, R1 | {"quantity": "4 pc"}]}
    assert post(house["buyer"], "dispatches", sale).status_code == 201
    back = post(house["buyer"], "dispatches/D-1/return", {"line": 2, "quantity": "3 pc", "place": "shelf"}).json()
    assert (back["set_apart"], back["on_hand"]) == (True, "3 pc")
    assert [line["returned"] for line in back["dispatch"]["lines"]] == ["0 pc", "3 pc"]
    more = {"line": 2, "quantity": "2 pc"}
    check_refused(house["buyer"], "dispatches/D-1/return", more, 409, "more_than_left", "quantity")
    apart = {"customer": "LANE", "lines": [R1 | {"quantity": "1 pc", "set_apart": True}]}
    check_refused(house["buyer"], "dispatches", apart, 409, "unusable", "lines[0].lot")
    written_off = apart | {"kind": "damaged", "lines": [R1 | {"quantity": "3 pc", "set_apart": True}]}
    assert post(house["buyer"], "dispatches", written_off).status_code == 201


def test_dispatches_are_found_by_who_got_what_and_when(house: House) -> None:
    tins_filled()
    make_lot(find_item("RUB-50"), 5, number="R2")
    lines = [R1 | {"quantity": "1 pc"}, {"item": "RUB-50", "lot": "R2", "quantity": "1 pc"}]
    post(house["buyer"], "dispatches", {"dispatch": "D-1", "customer": "LANE", "lines": lines})
    gift = {"dispatch": "D-2", "kind": "gift", "public_place": "fair", "dispatched_on": "2027-02-27"}
    assert post(house["buyer"], "dispatches", gift | {"lines": lines[:1]}).status_code == 201

    def found(query: str) -> list[str]:
        return [row["dispatch"] for row in rows(house["viewer"], f"dispatches?{query}")]

    assert found("item=RUB-50") == ["D-1", "D-2"]
    assert found("lot=R2") == ["D-1"]
    assert found("item=WAX&lot=R2") == []
    assert found("customer=LANE") == ["D-1"]
    assert found("kind=gift") == ["D-2"]
    assert found("from=2027-02-27&to=2027-02-28") == ["D-2"]
    assert found("from=2027-02-28") == ["D-1"]


def test_a_helper_does_not_see_what_goods_cost(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """No address of these is open to helpers: here they are let in to what was received."""
    lot = {"item": "WAX", "quantity": "1 kg", "lot": "N1", "unit_cost": "12.5"}
    assert post(house["buyer"], "receipts", {"supplier": "HOLLOW", "lots": [lot]}).json()["lots"][0]["unit_cost"]
    monkeypatch.setitem(PERMISSIONS, ("GET", "receipts"), ("viewer", "helper"))
    (seen,) = rows(house["viewer"], "receipts")
    assert seen["unit_cost"] == "12.50"
    assert rows(house["helper"], "receipts") == [{k: v for k, v in seen.items() if k != "unit_cost"}]
