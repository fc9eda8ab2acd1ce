"""Items by form: written down, changed, emptied; refused beside the input."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory.api.items import read_item
from inventory.models import Item
from tests.inventory.pages.test_acts import told
from tests.planner.pages.house import read


def form_values(client: Client, address: str) -> dict[str, str]:
    """What the form sends as it stands, choices too."""
    page = client.get(address)
    shown = page.context["form"]
    return {name: shown.text_of(name) for name in shown.form._declared_fields} | {"retry-key": shown.key}


def wrong_inputs(answer: Any) -> set[str]:
    found = read(answer)
    fields = [one for tag in ("input", "select", "textarea") for one in found.tags.get(tag, [])]
    return {one["name"] for one in fields if one.get("aria-invalid")}


def test_an_item_is_written_down(workshop: dict[str, Client]) -> None:
    given = form_values(workshop["maker"], "/shelf/new-item")
    given |= {
        "item": "ROSE-CLAY", "name": "Rose clay", "kind": "raw", "inci": "Kaolin", "safety_stock": "500",
        "shelf_life_days": "1095", "density_g_per_ml": "0.9", "max_percent": "40",
    }  # fmt: skip
    answer = workshop["maker"].post("/shelf/new-item", given)
    assert answer.status_code == 303, read(answer).words
    assert answer["Location"] == "/shelf/item/ROSE-CLAY"
    item = Item.objects.get(code="ROSE-CLAY")
    assert (item.safety_stock, item.shelf_life_days, item.caps_life) == (500_000, 1095, True)
    assert told(answer) == "ROSE-CLAY is written down."


@pytest.mark.parametrize("code", [".", ".."])
def test_a_code_whose_card_no_browser_could_open_is_refused(workshop: dict[str, Client], code: str) -> None:
    given = form_values(workshop["maker"], "/shelf/new-item") | {"item": code, "name": "Dots", "kind": "raw"}
    answer = workshop["maker"].post("/shelf/new-item", given)
    assert answer.status_code == 400
    assert wrong_inputs(answer) == {"item"}


def test_wrong_values_stand_beside_their_inputs(workshop: dict[str, Client]) -> None:
    given = form_values(workshop["maker"], "/shelf/new-item")
    given |= {"item": "KAOLIN", "name": "", "kind": "", "gtin": "123", "shelf_life_days": "some"}
    answer = workshop["maker"].post("/shelf/new-item", given)
    assert answer.status_code == 400
    assert wrong_inputs(answer) == {"name", "kind", "gtin", "shelf_life_days"}
    taken = given | {"name": "Clay", "kind": "raw", "gtin": "", "shelf_life_days": ""}
    answer = workshop["maker"].post("/shelf/new-item", taken)
    assert answer.status_code == 409
    assert wrong_inputs(answer) == {"item"}


def test_a_form_sent_back_as_it_stands_changes_nothing(workshop: dict[str, Client]) -> None:
    for code in ("KAOLIN", "JAR-100", "LYE-10", "BALM-TIN-30", "NETTLE-WATER"):
        before = read_item(code)
        address = f"/shelf/item/{code}/change"
        answer = workshop["maker"].post(address, form_values(workshop["maker"], address))
        assert answer.status_code == 303, (code, read(answer).words)
        assert read_item(code) == before


def test_what_is_emptied_is_empty(workshop: dict[str, Client]) -> None:
    Item.objects.filter(code="KAOLIN").update(opened_life_days=90, min_remaining_days=5)
    given = form_values(workshop["maker"], "/shelf/item/KAOLIN/change")
    given |= {"storage": "", "opened_life_days": "", "min_remaining_days": "", "name": "Fine white clay"}
    answer = workshop["maker"].post("/shelf/item/KAOLIN/change", given)
    assert answer.status_code == 303, read(answer).words
    row = read_item("KAOLIN")
    assert (row["storage"], row["opened_life_days"], row["min_remaining_days"]) == ("", None, 0)
    assert row["name"] == "Fine white clay"


def test_what_stands_on_the_books_is_not_measured_otherwise(workshop: dict[str, Client]) -> None:
    given = form_values(workshop["maker"], "/shelf/item/KAOLIN/change") | {"measure": "count", "safety_stock": "0"}
    answer = workshop["maker"].post("/shelf/item/KAOLIN/change", given)
    assert answer.status_code in (400, 409)
    assert "measure" in wrong_inputs(answer)
    assert read_item("KAOLIN")["measure"] == "mass"


def test_days_of_notice_and_of_keeping_samples_are_written_emptied_and_refused(workshop: dict[str, Client]) -> None:
    address = "/shelf/item/KAOLIN/change"
    for typed, kept, shown in (("14, 60", [60, 14], "60 14"), ("never", [], "never"), ("", None, "")):
        given = form_values(workshop["maker"], address) | {"notice_days": typed, "keep_samples_days": "730"}
        assert workshop["maker"].post(address, given).status_code == 303
        item = Item.objects.get(code="KAOLIN")
        assert (item.notice_days, item.keep_samples_days) == (kept, 730)
        assert form_values(workshop["maker"], address)["notice_days"] == shown
    given = form_values(workshop["maker"], address) | {"keep_samples_days": ""}
    assert workshop["maker"].post(address, given).status_code == 303
    assert Item.objects.get(code="KAOLIN").keep_samples_days is None
    for wrong in ("soon", "-3", "1.5", "99999", "1 2 3 4 5 6 7 8 9 10 11", "٣"):
        given = form_values(workshop["maker"], address) | {"notice_days": wrong}
        answer = workshop["maker"].post(address, given)
        assert answer.status_code == 400, wrong
        assert wrong_inputs(answer) == {"notice_days"}
    given = form_values(workshop["maker"], "/shelf/new-item")
    given |= {"item": "ROSE-CLAY", "name": "Rose clay", "kind": "raw", "notice_days": "30 5", "keep_samples_days": "90"}
    assert workshop["maker"].post("/shelf/new-item", given).status_code == 303
    item = Item.objects.get(code="ROSE-CLAY")
    assert (item.notice_days, item.keep_samples_days) == ([30, 5], 90)
