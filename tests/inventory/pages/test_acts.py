"""Acts on lots by form: each does what it says once, tells it, and refuses beside the input."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.contrib.messages import get_messages
from django.test import Client

from inventory import ledger
from inventory.models import Lot, Portion, StockEvent
from planner.api.access import PERMISSIONS as API
from planner.pages.access import PERMISSIONS as PAGES
from tests.planner.pages.house import read

CARD = "/shelf/lot/KAOLIN/WC-1"
STORE = {"place": "store", "container": ""}


def form_of(client: Client, address: str, query: str = "") -> dict[str, str]:
    """What the page's form sends as it stands."""
    found = read(client.get(f"{address}?{query}"))
    given = {one["name"]: one.get("value", "") for one in found.tags.get("input", []) if one.get("name")}
    for tag in ("select", "textarea"):
        given |= {one["name"]: "" for one in found.tags.get(tag, [])}
    return {name: value for name, value in given.items() if name != "csrfmiddlewaretoken"}


def send(client: Client, act: str, **values: str) -> Any:
    given = form_of(client, f"{CARD}/{act}", "place=store&container=")
    return client.post(f"{CARD}/{act}", given | values)


def told(answer: Any) -> str:
    """The sentence that the next page will tell."""
    return str(list(get_messages(answer.wsgi_request))[-1]).replace("\N{NO-BREAK SPACE}", " ")


def on_hand(place: str = "store", **more: Any) -> int:
    found = Portion.objects.filter(lot__item__code="KAOLIN", lot__number="WC-1", place=place, **more)
    return sum(portion.on_hand for portion in found)


def test_the_rights_of_a_page_are_those_of_the_api() -> None:
    """Of the same act, by the same name."""
    same = {right for right in PAGES if right[0] == "POST" and right in API}
    assert len(same) >= 14
    for right in same:
        assert PAGES[right] == API[right], right
    assert PAGES["POST", "receive"] == API["POST", "receipts"]
    assert PAGES["POST", "count-shelf"] == API["POST", "opening-stock"]


def test_a_count_puts_on_the_books_what_is_there(workshop: dict[str, Client]) -> None:
    answer = send(workshop["maker"], "count", counted="700")
    assert answer.status_code == 303
    assert answer["Location"] == CARD
    assert told(answer) == "Counted 700 g; the books said 750 g."
    assert on_hand() == 700_000
    assert StockEvent.objects.get(kind="counted", portion__lot__number="WC-1").who.username == "maker"  # type: ignore[union-attr]


def test_a_count_that_frees_says_for_whom(workshop: dict[str, Client]) -> None:
    portion = Portion.objects.select_related("lot__item").filter(reserved__gt=0).order_by("pk")[0]
    lot = portion.lot
    address = f"/shelf/lot/{lot.item.code}/{lot.number}/count"
    given = form_of(workshop["maker"], address, f"place={portion.place}&container={portion.container}")
    answer = workshop["maker"].post(address, given | {"counted": "0"})
    assert "Look: " in told(answer)
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (0, 0)


def test_the_same_form_sent_twice_is_done_once(workshop: dict[str, Client]) -> None:
    given = form_of(workshop["maker"], f"{CARD}/discard", "place=store&container=") | {"quantity": "50", "why": "fell"}
    first = workshop["maker"].post(f"{CARD}/discard", given)
    again = workshop["maker"].post(f"{CARD}/discard", given)
    assert first.status_code == again.status_code == 303
    assert told(first) == told(again) == "Discarded: 50 g of KAOLIN WC-1."
    assert on_hand() == 700_000
    other = workshop["maker"].post(f"{CARD}/discard", given | {"quantity": "60"})
    assert other.status_code == 409
    assert "used before with other content" in read(other).words
    assert form_key(other) != given["retry-key"], "the next try is a new one"
    assert on_hand() == 700_000


def form_key(answer: Any) -> str:
    return next(one["value"] for one in read(answer).tags["input"] if one.get("name") == "retry-key")


def test_two_people_with_one_key_do_not_get_each_others_answer(workshop: dict[str, Client]) -> None:
    given = form_of(workshop["maker"], f"{CARD}/discard", "place=store&container=") | {"quantity": "50", "why": "fell"}
    assert workshop["maker"].post(f"{CARD}/discard", given).status_code == 303
    assert workshop["owner"].post(f"{CARD}/discard", given).status_code == 409


@pytest.mark.parametrize(
    ("act", "values", "message"),
    [
        ("move", {"to_place": "bench", "quantity": "100"}, "Moved: 100 g of KAOLIN WC-1 to bench."),
        ("open", {"quantity": ""}, "Opened: 750 g of KAOLIN WC-1."),
        ("sample", {"quantity": "5", "why": "kept"}, "Sampled: 5 g of KAOLIN WC-1."),
        ("set-apart", {"quantity": "50", "why": "torn sack"}, "Set apart: 50 g of KAOLIN WC-1."),
    ],
)
def test_what_happens_to_a_portion(workshop: dict[str, Client], act: str, values: dict[str, str], message: str) -> None:
    answer = send(workshop["maker"], act, **values)
    assert answer.status_code == 303, read(answer).words
    assert told(answer) == message
    assert ledger.verify() == []


def test_a_portion_set_apart_is_put_back(workshop: dict[str, Client]) -> None:
    send(workshop["maker"], "set-apart", quantity="50", why="torn sack")
    assert on_hand(set_apart=True) == 50_000
    given = form_of(workshop["maker"], f"{CARD}/put-back", "place=store&container=&set_apart=yes")
    answer = workshop["maker"].post(f"{CARD}/put-back", given | {"why": "sound"})
    assert answer.status_code == 303
    assert on_hand(set_apart=True) == 0
    assert on_hand() == 750_000


def test_goods_go_back(workshop: dict[str, Client]) -> None:
    refused = send(workshop["buyer"], "send-back", quantity="50", why="")
    assert refused.status_code == 400
    assert "in-why-fault" in refused.content.decode()
    assert send(workshop["buyer"], "send-back", quantity="50", why="damp").status_code == 303
    assert on_hand() == 700_000


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [("", "Needed: a quantity"), ("-5", "is not taken"), ("a lot", "is not taken"), ("0.0001 g", "whole milligrams")],
)
def test_a_wrong_quantity_is_told_beside_its_box(workshop: dict[str, Client], typed: str, wanted: str) -> None:
    answer = send(workshop["maker"], "discard", quantity=typed, why="fell")
    assert answer.status_code == 400
    found = read(answer)
    box = next(one for one in found.tags["input"] if one.get("name") == "quantity")
    assert box["aria-invalid"] == "true"
    assert box["aria-describedby"].endswith("in-quantity-fault")
    assert box["value"] == typed
    assert wanted in found.words
    assert "Nothing was changed" in found.words
    assert next(one for one in found.tags["input"] if one.get("name") == "why")["value"] == "fell"
    assert "Not saved" in answer.content.decode().partition("</title>")[0]
    assert on_hand() == 750_000


def test_more_than_is_there_is_refused(workshop: dict[str, Client]) -> None:
    answer = send(workshop["maker"], "discard", quantity="5 kg", why="fell")
    assert answer.status_code == 409
    assert on_hand() == 750_000


def test_a_place_that_holds_none_of_it_is_not_found(workshop: dict[str, Client]) -> None:
    assert workshop["maker"].get(f"{CARD}/count?place=attic&container=").status_code == 404


def test_decisions_by_form(workshop: dict[str, Client]) -> None:
    quality = workshop["quality"]
    held = quality.post(f"{CARD}/hold", form_of(quality, f"{CARD}/hold") | {"why": "a doubt"})
    assert held.status_code == 303
    lot = Lot.objects.get(item__code="KAOLIN", number="WC-1")
    assert lot.status == "held"
    without = quality.post(f"{CARD}/release", form_of(quality, f"{CARD}/release"))
    assert without.status_code == 400
    assert "in-why-fault" in without.content.decode()
    released = quality.post(f"{CARD}/release", form_of(quality, f"{CARD}/release") | {"why": "papers came"})
    assert released.status_code == 303
    lot.refresh_from_db()
    assert lot.status == "released"
    past = quality.post(f"{CARD}/retest", form_of(quality, f"{CARD}/retest") | {"retest_on": "2027-03-09"})
    assert past.status_code == 400
    set_on = quality.post(f"{CARD}/retest", form_of(quality, f"{CARD}/retest") | {"retest_on": "2028-03-09"})
    assert set_on.status_code == 303
    assert "papers came" in read(quality.get(CARD)).words


def test_what_was_written_wrongly_is_taken_back(workshop: dict[str, Client]) -> None:
    send(workshop["maker"], "discard", quantity="50", why="fell")
    page = workshop["maker"].get(CARD).content.decode()
    address = re.findall(r'href="(/shelf/movements/[^"]+/take-back)"', page)[0]
    answer = workshop["maker"].post(address, form_of(workshop["maker"], address) | {"why": "it was the other sack"})
    assert answer.status_code == 303
    assert on_hand() == 750_000
    again = workshop["maker"].post(address, form_of(workshop["maker"], address) | {"why": "again"})
    assert again.status_code == 409
    assert "taken back" in read(workshop["maker"].get(CARD)).words
    assert ledger.verify() == []
