"""Items, parties, offers and settings through the API, beyond the examples."""

from __future__ import annotations

from rest_framework.test import APIClient

from tests.planner.small_house import FROM
from tests.tables import plan


def test_what_is_left_out_takes_the_default_of_a_blank_cell(house: dict[str, APIClient]) -> None:
    raw = house["maker"].post("/api/v1/items", {"item": "A", "name": "A", "kind": "raw"}, format="json").json()
    supply = house["maker"].post("/api/v1/items", {"item": "B", "name": "B", "kind": "supply"}, format="json").json()
    assert (raw["measure"], raw["release_by"], raw["caps_life"], raw["safety_stock"]) == (
        "mass",
        "decision",
        True,
        "0 g",
    )
    assert supply["caps_life"] is False


def test_a_volume_becomes_mass_by_the_density_of_the_same_request(house: dict[str, APIClient]) -> None:
    body = {"item": "A", "name": "A", "kind": "raw", "density_g_per_ml": "0.92", "safety_stock": "500 mL"}
    assert house["maker"].post("/api/v1/items", body, format="json").json()["safety_stock"] == "460 g"


def test_a_slash_and_a_tilde_in_a_code_have_a_form_in_the_path(house: dict[str, APIClient]) -> None:
    body = {"item": "A/B~C", "name": "A", "kind": "raw"}
    assert house["maker"].post("/api/v1/items", body, format="json").status_code == 201
    assert house["maker"].get("/api/v1/items/A~1B~0C").json()["item"] == "A/B~C"


def test_the_kind_of_an_item_that_has_lots_stays(house: dict[str, APIClient]) -> None:
    answer = house["maker"].patch("/api/v1/items/OIL", {"kind": "supply"}, format="json")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (409, "kind")
    assert house["maker"].get("/api/v1/items/OIL").json()["kind"] == "raw"


def test_a_withdrawn_offer_is_bought_no_more(house: dict[str, APIClient]) -> None:
    def suppliers() -> set[str]:
        rows = plan(FROM, 4)["buy"]
        return {pack["supplier"] for row in rows if row["item"] == "TIN" for pack in row["packs"]}

    assert suppliers() == {"HOLLOW"}
    named = {"supplier": "HOLLOW", "item": "TIN", "pack": "100 pc"}
    assert house["buyer"].post("/api/v1/offers/withdraw", named, format="json").status_code == 204
    assert suppliers() == set()
    assert house["buyer"].post("/api/v1/offers/withdraw", named, format="json").status_code == 404


def test_every_fault_of_a_request_is_told_at_once(house: dict[str, APIClient]) -> None:
    body = {"supplier": "HOLLOW", "item": "WAX", "pack": "-400 g", "lead_time_days": "3", "colour": "red"}
    answer = house["buyer"].post("/api/v1/offers", body, format="json").json()
    assert {one["field"]: one["value"] for one in answer["errors"]} == {
        "pack": "-400 g",
        "lead_time_days": "3",
        "colour": "red",
    }


def test_a_setting_counts_at_once_and_blank_is_the_default_again(house: dict[str, APIClient]) -> None:
    client, address = house["owner"], "/api/v1/settings"
    assert client.patch(address, {"open_days": "mon tue"}, format="json").json()["open_days"] == "mon tue"
    answer = client.patch(address, {"open_days": ""}, format="json")
    assert answer.json()["open_days"] == "mon tue wed thu fri sat sun"


def test_head_is_answered_as_get_without_the_rows(house: dict[str, APIClient]) -> None:
    answer = house["viewer"].head("/api/v1/items?kind=raw&limit=1")
    assert (answer.status_code, answer.content) == (200, b"")
    assert house["stranger"].head("/api/v1/items").status_code == 401
