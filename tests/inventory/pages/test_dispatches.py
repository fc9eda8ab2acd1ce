"""What leaves, by form: lots picked first to end first, scanned, packed; and what comes back."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory import ledger
from inventory.models import Dispatch, Lot, Party
from inventory.services import dispatching, lots
from tests.inventory.pages import counter
from tests.inventory.pages.test_acts import form_of, told
from tests.inventory.pages.test_orders import words
from tests.planner.pages.house import read

Shop = dict[str, Client]
NEW = "/orders/left/new"


@pytest.fixture(autouse=True)
def _laid_out(workshop: Shop) -> None:
    counter.lay_out()


def begun(client: Client, query: str = "") -> dict[str, str]:
    return form_of(client, NEW, query) | {"kind": "sale"}


def lines_of(answer: Any) -> list[tuple[str, str, str, str]]:
    texts = answer.context["form"].texts
    names = ("item", "quantity", "lot", "place")
    count = 1 + max(int(name[6 : name.index("]")]) for name in texts if name.startswith("lines["))
    rows = [tuple(texts.get(f"lines[{at}].{name}", "") for name in names) for at in range(count)]
    return [row for row in rows if any(row)]  # type: ignore[misc]


def pick(client: Client, given: dict[str, str]) -> Any:
    return client.post(NEW, given | {"side": "pick"})


def test_lots_are_picked_first_to_end_first_and_nothing_has_left(workshop: Shop) -> None:
    given = begun(workshop["buyer"]) | {"lines[0].item": counter.BAR, "lines[0].quantity": "14"}
    answer = pick(workshop["buyer"], given)
    assert answer.status_code == 200
    assert lines_of(answer) == [
        (counter.BAR, "10 pc", "BAR-2", "store"),
        (counter.BAR, "4 pc", "BAR-1", "store"),
    ]
    assert sum(counter.standing().values()) == 30


def test_what_is_not_there_stays_a_line_without_a_lot_and_is_told(workshop: Shop) -> None:
    given = begun(workshop["buyer"]) | {"lines[0].item": counter.BAR, "lines[0].quantity": "33"}
    answer = pick(workshop["buyer"], given)
    assert lines_of(answer)[-1] == (counter.BAR, "3 pc", "", "")
    assert "Nothing more may leave for 3 pc of BAR-90" in words(answer)
    sent = workshop["buyer"].post(NEW, given | {"public_place": "fair"} | dict(answer.context["form"].texts, side=""))
    assert sent.status_code == 400
    assert Dispatch.objects.filter(lines__lot__item__code=counter.BAR).count() == 0


def test_a_customer_gets_what_was_wanted_from_what_was_set_aside(workshop: Shop) -> None:
    one = counter.demand()
    dispatching.reserve_demand(demand=one)  # 10 of BAR-2, 2 of BAR-1
    given = begun(workshop["buyer"], "customer=CORNER") | {"customer": "CORNER"}
    assert given["lines[0].lot"] == "BAR-2"
    assert given["reference"] == "N-1"
    answer = workshop["buyer"].post(NEW, given)
    assert answer.status_code == 303, words(answer)
    found = counter.demand()
    assert (found.dispatched, found.open_quantity) == (12, 0)
    assert counter.standing() == {("BAR-1", "store", False): 18}
    assert ledger.verify() == []
    page = workshop["viewer"].get(answer["Location"])
    assert "Corner Shop" in words(page)
    packing = words(workshop["viewer"].get(f"{answer['Location']}/packing-list"))
    assert "Keep out of eyes." in packing
    assert "BAR-2" in packing


def test_a_customer_who_wants_more_life_left_gets_the_later_lot(workshop: Shop) -> None:
    Party.objects.filter(code="CORNER").update(min_remaining_days=300)
    given = begun(workshop["buyer"], counter.query())
    assert given["lines[0].lot"] == "BAR-1"


def typed(client: Client, **more: str) -> dict[str, str]:
    """A parcel that was not begun from what the customer wants."""
    given = begun(client) | {"customer": "CORNER", "lines[0].item": counter.BAR, "lines[0].lot": "BAR-1"}
    return given | {"lines[0].place": "store"} | {name.replace("__", "."): text for name, text in more.items()}


def test_a_parcel_with_the_customer_s_reference_serves_what_is_wanted_by_it(workshop: Shop) -> None:
    buyer = workshop["buyer"]
    answer = buyer.post(NEW, typed(buyer, reference="N-1", **{"lines[0].quantity": "5"}))
    assert answer.status_code == 303, words(answer)
    assert counter.demand().dispatched == 5
    assert "It counts as the BAR-90 wanted by N-1 for" in told(answer)
    assert "still wanted" not in told(answer)
    # More than is left to be wanted is not taken for it.
    answer = buyer.post(NEW, typed(buyer, reference="N-1", **{"lines[0].quantity": "8"}))
    assert counter.demand().dispatched == 5
    assert "7 pc of BAR-90 are still wanted by N-1 for" in told(answer)


@pytest.mark.parametrize("more", [{"reference": ""}, {"reference": "another"}, {"reference": "N-1", "kind": "gift"}])
def test_another_reference_and_a_gift_serve_nothing(workshop: Shop, more: dict[str, str]) -> None:
    buyer = workshop["buyer"]
    answer = buyer.post(NEW, typed(buyer, **more, **{"lines[0].quantity": "5"}))
    assert answer.status_code == 303, words(answer)
    assert counter.demand().dispatched == 0
    assert ("12 pc of BAR-90 are still wanted by N-1" in told(answer)) is (more.get("kind") != "gift")


def test_sent_twice_it_leaves_once(workshop: Shop) -> None:
    given = begun(workshop["buyer"], "customer=CORNER") | {"customer": "CORNER"}
    for _ in range(2):
        assert workshop["buyer"].post(NEW, given).status_code == 303
    assert sum(counter.standing().values()) == 18


def test_a_held_lot_does_not_leave_and_the_line_says_so(workshop: Shop) -> None:
    given = begun(workshop["buyer"], "customer=CORNER") | {"customer": "CORNER"}
    lots.decide(lots=[Lot.objects.get(number="BAR-2", item__code=counter.BAR)], status="held", why="a doubt")
    answer = workshop["buyer"].post(NEW, given)
    assert answer.status_code == 409
    assert [one["name"] for one in read(answer).tags["input"] if one.get("aria-invalid")] == ["lines[0].lot"]
    assert sum(counter.standing().values()) == 30
    again = begun(workshop["buyer"], "customer=CORNER")
    assert again["lines[0].lot"] == "BAR-1"


def scan(client: Client, given: dict[str, str], typed: str) -> Any:
    return client.post(NEW, given | {"side": "scan", "scan": typed})


def test_a_scanned_label_is_compared_with_the_line(workshop: Shop) -> None:
    buyer = workshop["buyer"]
    given = begun(buyer) | {"lines[0].item": counter.BAR, "lines[0].quantity": "4"}
    filled = scan(buyer, given, "BAR-1")
    assert lines_of(filled) == [(counter.BAR, "4", "BAR-1", "store")]
    given |= {"lines[0].lot": "BAR-2"}
    assert "It is the right one" in words(scan(buyer, given, "BAR-2"))
    wrong = scan(buyer, given, "BAR-1")
    assert "asks for lot BAR-2" in words(wrong)
    assert lines_of(wrong)[0][2] == "BAR-2"
    assert "No lot NONE is here" in words(scan(buyer, given, "NONE"))
    for label in ("BAR-2", f"(91){counter.BAR}(10)BAR-2"):
        fresh = scan(buyer, begun(buyer), label)
        assert lines_of(fresh) == [(counter.BAR, "", "BAR-2", "store")]


def test_what_a_customer_wants_later_stays_for_later_and_what_is_not_here_is_told(workshop: Shop) -> None:
    one = counter.demand()
    dispatching.change_demand(demand=one, changes={"quantity": 40})
    dispatching.want(item=one.item, quantity=5, due_on=counter.MARKET_DAY, customer=one.customer, reference="later")
    page = workshop["buyer"].get(NEW, {"customer": "CORNER"})
    assert [row[1:3] for row in lines_of(page)] == [("10 pc", "BAR-2"), ("20 pc", "BAR-1")]
    assert "Not here yet, or not to leave: 10 pc of BAR-90" in words(page)


def test_neither_customer_nor_place_is_told(workshop: Shop) -> None:
    given = begun(workshop["buyer"], counter.query()) | {"customer": ""}
    answer = workshop["buyer"].post(NEW, given)
    assert answer.status_code in (400, 404)
    assert sum(counter.standing().values()) == 30


def test_what_comes_back_stands_apart_until_it_is_decided_on(workshop: Shop) -> None:
    given = begun(workshop["buyer"], "customer=CORNER") | {"customer": "CORNER"}
    where = workshop["buyer"].post(NEW, given)["Location"]
    address = f"{where}/return"
    form = form_of(workshop["buyer"], address, "line=1")
    refused = workshop["buyer"].post(address, form | {"quantity": "11"})
    assert refused.status_code == 409
    assert refused.context["form"].faults["quantity"]
    answer = workshop["buyer"].post(address, form | {"quantity": "3", "place": "returns", "why": "wrong scent"})
    assert answer.status_code == 303, words(answer)
    assert counter.standing()["BAR-2", "returns", True] == 3
    assert "3 pc" in words(workshop["viewer"].get(where))
    assert ledger.verify() == []


def test_damaged_goods_are_written_off_whatever_their_state(workshop: Shop) -> None:
    lots.decide(lots=[Lot.objects.get(number="BAR-2", item__code=counter.BAR)], status="held", why="a doubt")
    given = begun(workshop["buyer"]) | {"kind": "damaged", "public_place": "workshop", "why": "fell down"}
    given |= {
        "lines[0].item": counter.BAR,
        "lines[0].quantity": "2",
        "lines[0].lot": "BAR-2",
        "lines[0].place": "store",
    }
    answer = workshop["buyer"].post(NEW, given)
    assert answer.status_code == 303, words(answer)
    assert counter.standing()["BAR-2", "store", False] == 8
    assert "damaged" in words(workshop["viewer"].get("/orders/left?kind=damaged"))
