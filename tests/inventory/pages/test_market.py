"""A market day: out, sold, back, and the difference told in words."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory import ledger
from inventory.models import Alert, Dispatch, Reservation, StockEvent
from inventory.services import dispatching
from tests.inventory.pages import counter
from tests.inventory.pages.test_acts import form_of, told
from tests.inventory.pages.test_orders import words
from tests.planner.pages.house import read

Shop = dict[str, Client]
OUT, BACK = "/orders/market/out", "/orders/market/back"
EXPECTED = f"due_on={counter.MARKET_DAY}&reference={counter.FAIR}"


@pytest.fixture(autouse=True)
def _laid_out(workshop: Shop) -> None:
    counter.lay_out()


def go_out(client: Client, **values: str) -> Any:
    return client.post(OUT, form_of(client, OUT, EXPECTED) | values)


def back(client: Client, **values: str) -> Any:
    given = form_of(client, BACK, f"place={counter.FAIR}") | {"to_place": "store"}
    given |= {"market": f"{counter.MARKET_DAY}|{counter.FAIR}", "dispatched_on": "2027-03-10"}
    given.pop("close_rest")  # the market goes on tomorrow
    return client.post(BACK, given | {f"lines[0].{name}": text for name, text in values.items()})


def test_what_is_expected_is_packed_and_set_aside_at_the_stall(workshop: Shop) -> None:
    assert "Fair" in words(workshop["maker"].get("/orders/market"))
    answer = go_out(workshop["maker"])
    assert answer.status_code == 303, words(answer)
    assert counter.standing()["BAR-2", "Fair", False] == 8
    held = Reservation.objects.get(demand=counter.demand("Fair"))
    assert (held.portion.place, held.quantity) == ("Fair", 8)
    assert ledger.verify() == []


def test_what_was_set_aside_for_the_market_goes_and_for_others_stays(workshop: Shop) -> None:
    dispatching.reserve_demand(demand=counter.demand("Fair"))
    dispatching.reserve_demand(demand=counter.demand("N-1"))  # 2 of BAR-2 and 10 of BAR-1
    answer = go_out(workshop["maker"])
    assert answer.status_code == 303, words(answer)
    assert sum(Reservation.objects.filter(demand=counter.demand("N-1")).values_list("quantity", flat=True)) == 12
    assert not Alert.objects.filter(kind="reservation_freed", closed_at=None, subject__contains="N-1").exists()
    more = form_of(workshop["maker"], OUT) | {"to_place": "Fair", "lines[0].item": counter.BAR}
    more |= {"lines[0].quantity": "15", "lines[0].lot": "BAR-1", "lines[0].place": "store"}
    refused = workshop["maker"].post(OUT, more)
    assert refused.status_code == 400
    assert refused.context["form"].faults["lines[0].quantity"][0].accepted == "at most 10 pc"


def test_sold_and_back_make_what_went_out(workshop: Shop) -> None:
    go_out(workshop["maker"])
    answer = back(workshop["buyer"], sold="5", back="3")
    assert answer.status_code == 303, words(answer)
    sent = Dispatch.objects.get(public_place="Fair")
    assert [(line.lot.number, line.quantity, line.demand_id) for line in sent.lines.all()] == [
        ("BAR-2", 5, counter.demand("Fair").pk)
    ]
    assert counter.standing() == {("BAR-1", "store", False): 20, ("BAR-2", "store", False): 5}
    assert counter.demand("Fair").open_quantity == 3
    assert ledger.verify() == []


def test_a_difference_wants_its_reason_in_words(workshop: Shop) -> None:
    go_out(workshop["maker"])
    refused = back(workshop["buyer"], sold="5", back="2")
    assert refused.status_code == 400
    found = read(refused)
    assert [one["name"] for one in found.tags["input"] if one.get("aria-invalid")] == ["lines[0].why"]
    assert "1 pc less than went out" in words(refused)
    assert found.faults == []
    assert not Dispatch.objects.filter(public_place="Fair").exists()
    assert counter.standing()["BAR-2", "Fair", False] == 8
    answer = back(workshop["buyer"], sold="5", back="2", why="one was tried out by everybody")
    assert answer.status_code == 303, words(answer)
    event = StockEvent.objects.get(kind="counted", portion__lot__number="BAR-2")
    assert event.why == "at the market: one was tried out by everybody"
    assert event.movements.get().quantity == -1
    assert "1 difference" in told(answer)
    assert ledger.verify() == []


def test_more_than_the_books_hold_is_asked_for_too(workshop: Shop) -> None:
    go_out(workshop["maker"])
    assert back(workshop["buyer"], sold="8", back="1").status_code == 400
    answer = back(workshop["buyer"], sold="8", back="1", why="nine went into the box")
    assert answer.status_code == 303, words(answer)
    assert counter.demand("Fair").open_quantity == 0
    assert counter.standing()["BAR-2", "store", False] == 3
    assert ledger.verify() == []


def test_a_market_that_is_over_is_expected_no_more(workshop: Shop) -> None:
    go_out(workshop["maker"])
    given = form_of(workshop["buyer"], BACK, f"place={counter.FAIR}")
    given |= {"market": f"{counter.MARKET_DAY}|{counter.FAIR}", "close_rest": "yes", "to_place": "store"}
    given |= {"lines[0].sold": "2", "lines[0].back": "6"}
    answer = workshop["buyer"].post(BACK, given)
    assert answer.status_code == 303, words(answer)
    assert counter.demand("Fair").closed_why == "the market is over"
    assert not Reservation.objects.filter(demand=counter.demand("Fair")).exists()
    assert "Fair" not in words(workshop["viewer"].get("/orders/market"))


def test_a_place_where_nothing_stands_is_told(workshop: Shop) -> None:
    assert workshop["buyer"].get(f"{BACK}?place=nowhere").status_code == 404
