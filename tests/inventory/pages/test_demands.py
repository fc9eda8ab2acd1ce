"""What is wanted, by form: written down, changed, set aside for, closed."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.test import Client

from inventory import ledger
from inventory.errors import BadInput, WrongState
from inventory.models import Demand, Reservation
from inventory.services import dispatching
from inventory.services.dispatching import Leaving
from tests.inventory.pages import counter
from tests.inventory.pages.test_acts import form_of, told
from tests.inventory.pages.test_orders import words
from tests.planner.pages.house import read

Shop = dict[str, Client]


@pytest.fixture(autouse=True)
def _laid_out(workshop: Shop) -> None:
    counter.lay_out()


def send(client: Client, act: str, **values: str) -> Any:
    address = f"/orders/wanted/{act}"
    return client.post(address, form_of(client, address, counter.query()) | values)


def set_aside() -> int:
    return sum(Reservation.objects.filter(demand=counter.demand()).values_list("quantity", flat=True))


def test_what_is_wanted_stands_with_what_is_free_and_set_aside(workshop: Shop) -> None:
    dispatching.reserve_demand(demand=counter.demand(), quantity=5)
    page = workshop["viewer"].get(f"/orders/wanted?item={counter.BAR}")
    shown = [(one["reference"], one["open"], one["reserved"], one["free"]) for one in page.context["demands"]]
    assert shown == [("N-1", 12, 5, 25), ("Fair", 8, 0, 25)]
    assert "Corner Shop" in words(page)


def test_a_customer_s_wish_is_written_down(workshop: Shop) -> None:
    given = form_of(workshop["buyer"], "/orders/wanted/new", "customer=CORNER")
    given |= {"customer": "CORNER", "item": counter.BAR, "quantity": "24", "due_on": "2027-04-01", "reference": "N-2"}
    answer = workshop["buyer"].post("/orders/wanted/new", given)
    assert answer.status_code == 303, words(answer)
    assert counter.demand("N-2").quantity == 24
    again = workshop["buyer"].post("/orders/wanted/new", given | {"retry-key": "another"})
    assert again.status_code == 409
    assert again.context["form"].faults["reference"]


def test_without_a_customer_it_is_expected_at_a_market(workshop: Shop) -> None:
    given = form_of(workshop["buyer"], "/orders/wanted/new")
    given |= {"item": counter.BAR, "quantity": "24", "due_on": "2027-05-01", "reference": "May fair"}
    assert workshop["buyer"].post("/orders/wanted/new", given).status_code == 303
    assert counter.demand("May fair").customer is None
    assert "May fair" in words(workshop["viewer"].get("/orders/market"))


def test_stock_is_set_aside_first_to_end_first_and_freed(workshop: Shop) -> None:
    answer = send(workshop["maker"], "set-aside")
    assert answer.status_code == 303
    assert told(answer) == "Set aside for Corner Shop, N-1: lot BAR-2, BAR-1."
    held = Reservation.objects.filter(demand=counter.demand()).values_list("portion__lot__number", "quantity")
    assert set(held) == {("BAR-2", 10), ("BAR-1", 2)}
    assert send(workshop["maker"], "free").status_code == 303
    assert set_aside() == 0


def test_more_than_is_free_is_refused_and_nothing_is_set_aside(workshop: Shop) -> None:
    dispatching.change_demand(demand=counter.demand(), changes={"quantity": 50})
    answer = send(workshop["maker"], "set-aside")
    assert answer.status_code == 409
    assert "30 pc free" in words(answer)
    assert set_aside() == 0


def test_another_quantity_frees_what_is_set_aside_beyond_it(workshop: Shop) -> None:
    dispatching.reserve_demand(demand=counter.demand())
    answer = send(workshop["buyer"], "change", quantity="9", priority="1")
    assert answer.status_code == 303, words(answer)
    found = counter.demand()
    assert (found.quantity, found.priority, set_aside()) == (9, 1, 9)
    assert ledger.verify() == []


def test_less_than_has_left_is_refused_beside_the_field(workshop: Shop) -> None:
    from inventory.models import Portion

    portion = Portion.objects.select_related("lot__item").get(lot__number="BAR-1")
    one = counter.demand()
    dispatching.dispatch(lines=[Leaving(portion, 7, one)], customer=one.customer)
    answer = send(workshop["buyer"], "change", quantity="6")
    assert answer.status_code == 400
    assert answer.context["form"].faults["quantity"][0].accepted == "at least 7 pc"
    assert counter.demand().quantity == 12


def test_a_closed_demand_is_changed_no_more() -> None:
    dispatching.close_demand(demand=counter.demand())
    with pytest.raises(WrongState):
        dispatching.change_demand(demand=counter.demand(), changes={"quantity": 5})
    with pytest.raises(BadInput):
        dispatching.change_demand(demand=counter.demand("Fair"), changes={"quantity": 0})


def test_what_is_wanted_no_more_is_closed_and_frees_its_stock(workshop: Shop) -> None:
    dispatching.reserve_demand(demand=counter.demand())
    assert send(workshop["buyer"], "close", why="bought elsewhere").status_code == 303
    found = counter.demand()
    assert (found.open_quantity, found.closed_why, set_aside()) == (0, "bought elsewhere", 0)
    shown = workshop["viewer"].get("/orders/wanted?showing=every&customer=CORNER")
    assert "closed: bought elsewhere" in words(shown)


def test_a_demand_that_is_none_is_told(workshop: Shop) -> None:
    answer = workshop["buyer"].get("/orders/wanted/close?item=BAR-90&due_on=2027-03-14&customer=CORNER&reference=N-1")
    assert answer.status_code == 404
    assert read(answer).faults == []
    assert workshop["buyer"].get("/orders/wanted/close?item=BAR-90&due_on=soon").status_code == 400


def test_late_ones_say_so(workshop: Shop) -> None:
    Demand.objects.filter(pk=counter.demand().pk).update(due_on=date(2027, 3, 1))
    page = workshop["viewer"].get("/orders/wanted?customer=CORNER")
    assert "late" in words(page)
