"""Setting stock aside: best fit, all or nothing, the same number of statements however many lines."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.errors import BadInput, Shortage, WrongState
from inventory.models import Alert, Lot, Portion, Reservation
from inventory.services.counting import count
from inventory.services.dispatching import close_demand
from inventory.services.dispatching import want as want_demand
from inventory.services.lots import move
from inventory.services.reserving import Want, free, reserve, reserve_exact
from inventory.services.transforming import close
from tests.inventory.builders import (
    G,
    books,
    days,
    make_item,
    make_lot,
    make_party,
    make_stock,
    make_transformation,
    portion_in,
)

pytestmark = pytest.mark.django_db


def test_takes_what_expires_first_among_what_may_be_used_on_the_day():
    oil = make_item("OIL")
    make_lot(oil, 400 * G, number="L1", status=Lot.Status.QUARANTINE, expires_on=days(120))
    make_lot(oil, 250 * G, number="L2", expires_on=days(180))
    make_lot(oil, 500 * G, number="L3", expires_on=days(90))
    make_lot(oil, 300 * G, number="L4", expires_on=days(30))
    taken = reserve(wants=[Want(oil.pk, 600 * G)], on=days(50), transformation=make_transformation())
    assert [(one.portion.lot.number, one.quantity) for one in taken] == [("L3", 500 * G), ("L2", 100 * G)]
    assert Portion.objects.get(lot__number="L3").reserved == 500 * G
    assert Portion.objects.get(lot__number="L2").free == 150 * G


def test_reserves_all_lines_or_none_and_says_what_is_short():
    oil, wax = make_item("OIL"), make_item("WAX")
    make_lot(oil, 500 * G)
    make_lot(wax, 10 * G)
    making = make_transformation()
    before = books()
    with pytest.raises(Shortage) as refusal:
        reserve(
            wants=[Want(oil.pk, 100 * G, position=1), Want(wax.pk, 20 * G, position=2)],
            on=days(0),
            transformation=making,
        )
    assert refusal.value.facts["shortages"] == [{"item": "WAX", "position": 2, "wanted": "20 g", "free": "10 g"}]
    assert books() == before


def test_a_line_from_one_lot_passes_over_lots_that_are_too_small():
    bulk = make_item("BULK")
    make_lot(bulk, 50 * G, number="SMALL", expires_on=days(10))
    make_lot(bulk, 80 * G, number="LARGE", expires_on=days(20))
    taken = reserve(wants=[Want(bulk.pk, 60 * G, single_lot=True)], on=days(0), transformation=make_transformation())
    assert [(one.portion.lot.number, one.quantity) for one in taken] == [("LARGE", 60 * G)]
    with pytest.raises(Shortage) as refusal:
        reserve(wants=[Want(bulk.pk, 60 * G, single_lot=True)], on=days(0), transformation=make_transformation())
    assert refusal.value.facts["shortages"][0]["free"] == "50 g"


def test_portions_of_one_lot_count_as_one_lot():
    bulk = make_item("BULK")
    lot = make_lot(bulk, 100 * G)
    move(portion=portion_in(lot), place="shelf", quantity=40 * G)
    taken = reserve(wants=[Want(bulk.pk, 90 * G, single_lot=True)], on=days(0), transformation=make_transformation())
    assert sum(one.quantity for one in taken) == 90 * G
    assert {one.portion.lot_id for one in taken} == {lot.pk}


def test_a_line_from_one_lot_is_not_broken_by_another_line_of_the_same_item():
    bulk = make_item("BULK")
    make_lot(bulk, 100 * G, number="A", expires_on=days(10))
    make_lot(bulk, 40 * G, number="B", expires_on=days(20))
    taken = reserve(
        wants=[Want(bulk.pk, 40 * G, position=1), Want(bulk.pk, 100 * G, single_lot=True, position=2)],
        on=days(0),
        transformation=make_transformation(),
    )
    assert [(one.position, one.portion.lot.number) for one in taken] == [(1, "B"), (2, "A")]


def test_a_batch_that_reserves_more_of_the_same_portion_has_one_reservation_of_it():
    oil = make_item("OIL")
    make_lot(oil, 100 * G)
    making = make_transformation()
    reserve(wants=[Want(oil.pk, 30 * G)], on=days(0), transformation=making)
    reserve(wants=[Want(oil.pk, 20 * G)], on=days(0), transformation=making)
    assert Reservation.objects.get().quantity == 50 * G
    assert Portion.objects.get().reserved == 50 * G


def test_what_one_has_set_aside_another_cannot_have():
    oil = make_item("OIL")
    make_lot(oil, 100 * G)
    reserve(wants=[Want(oil.pk, 70 * G)], on=days(0), transformation=make_transformation())
    with pytest.raises(Shortage):
        reserve(wants=[Want(oil.pk, 40 * G)], on=days(0), transformation=make_transformation())


def test_the_customers_own_remaining_days_take_the_place_of_the_items():
    balm = make_item("BALM", measure="count", kind="product", min_remaining_days=30)
    make_lot(balm, 10, expires_on=days(60))
    picky = make_party("PICKY", min_remaining_days=90)
    easy = make_party("EASY")
    for_picky = want_demand(item=balm, quantity=2, due_on=days(10), customer=picky)
    for_easy = want_demand(item=balm, quantity=2, due_on=days(10), customer=easy)
    with pytest.raises(Shortage):
        reserve(wants=[Want(balm.pk, 2)], on=days(10), demand=for_picky)
    assert len(reserve(wants=[Want(balm.pk, 2)], on=days(10), demand=for_easy)) == 1


def test_a_demand_cannot_have_more_set_aside_than_it_wants():
    balm = make_item("BALM", measure="count", kind="product")
    make_lot(balm, 10)
    demand = want_demand(item=balm, quantity=3, due_on=days(1), reference="market")
    before = books()
    with pytest.raises(WrongState):
        reserve(wants=[Want(balm.pk, 4)], on=days(1), demand=demand)
    assert books() == before


def test_a_drawn_item_is_never_short():
    water = make_item("WATER", drawn=True)
    assert reserve(wants=[Want(water.pk, 500 * G)], on=days(0), transformation=make_transformation()) == []


def test_a_day_that_is_past_counts_as_today():
    oil = make_item("OIL")
    make_lot(oil, 100 * G, expires_on=days(-1))
    with pytest.raises(Shortage):
        reserve(wants=[Want(oil.pk, 1 * G)], on=days(-5), transformation=make_transformation())


def test_an_ended_making_gets_nothing():
    oil = make_item("OIL")
    make_lot(oil, 100 * G)
    making = make_transformation()
    close(transformation=making)
    with pytest.raises(WrongState):
        reserve(wants=[Want(oil.pk, 1 * G)], on=days(0), transformation=making)


@pytest.mark.parametrize("quantity", [0, -5, 10**12 + 1])
def test_a_quantity_outside_the_limits_is_refused(quantity):
    oil = make_item("OIL")
    with pytest.raises(BadInput):
        reserve(wants=[Want(oil.pk, quantity)], on=days(0), transformation=make_transformation())


def test_freeing_gives_everything_back_and_closes_the_alerts():
    portion = make_stock(quantity=100 * G)
    making = make_transformation("B7")
    reserve(wants=[Want(portion.lot.item_id, 80 * G)], on=days(0), transformation=making)
    count(portion=portion, counted=50 * G)
    assert Alert.objects.get(closed_at=None).subject == "batch:B7"
    assert free(transformation=making) == 1
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (50 * G, 0)
    assert not Alert.objects.filter(closed_at=None).exists()
    assert free(transformation=making) == 0


def test_a_table_may_say_exactly_what_is_set_aside_but_not_more_than_is_free():
    portion = make_stock(quantity=100 * G, status=Lot.Status.HELD)
    making = make_transformation()
    reserve_exact(rows=[(portion, making, 60 * G)])
    before = books()
    with pytest.raises(Shortage):
        reserve_exact(rows=[(portion, making, 30 * G), (portion, make_transformation(), 11 * G)])
    assert {name: rows for name, rows in books().items() if name != "Transformation"} == {
        name: rows for name, rows in before.items() if name != "Transformation"
    }


def _statements_for(lines: int) -> int:
    items = [make_item() for _ in range(lines)]
    for item in items:
        make_lot(item, 60 * G)
        make_lot(item, 60 * G)
    making = make_transformation()
    with CaptureQueriesContext(
        connection,
    ) as queries:
        taken = reserve(
            wants=[Want(item.pk, 100 * G, position=place) for place, item in enumerate(items)],
            on=days(0),
            transformation=making,
        )
    assert len(taken) == 2 * lines
    return len(queries)


def test_reserving_takes_the_same_number_of_statements_for_5_and_for_50_lines():
    assert _statements_for(5) == _statements_for(50)


def test_reserving_needs_a_holder():
    with pytest.raises(BadInput):
        reserve(wants=[], on=days(0))


def test_nothing_but_the_wanted_item_is_set_aside_for_a_demand():
    demand = want_demand(item=make_item("BALM"), quantity=5 * G, due_on=days(3))
    other = make_stock(make_item("OIL"))
    before = books()
    for act in (
        lambda: reserve(wants=[Want(other.lot.item_id, 5 * G)], on=days(0), demand=demand),
        lambda: reserve_exact(rows=[(other, demand, 5 * G)]),
    ):
        with pytest.raises(BadInput) as refusal:
            act()
        assert refusal.value.code == "wrong_item"
    assert books() == before


def test_nothing_is_set_aside_exactly_for_what_has_ended_or_wants_less():
    portion = make_stock()
    ended = make_transformation()
    close(transformation=ended)
    closed = want_demand(item=portion.lot.item, quantity=5 * G, due_on=days(3))
    close_demand(demand=closed)
    small = want_demand(item=portion.lot.item, quantity=5 * G, due_on=days(4))
    before = books()
    for holder, quantity in ((ended, 1), (closed, 1), (small, 5 * G + 1)):
        with pytest.raises(WrongState):
            reserve_exact(rows=[(portion, holder, quantity)])
    assert books() == before
