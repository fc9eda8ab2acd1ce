"""What is wanted, what leaves, what comes back."""

from datetime import timedelta

import pytest

from inventory import clock
from inventory.errors import BadInput, Conflict, Shortage, Unusable, WrongState
from inventory.models import Alert, Demand, Dispatch, DispatchLine, Reservation
from inventory.selectors import open_demands
from inventory.services.correcting import correct
from inventory.services.dispatching import Leaving, close_demand, dispatch, reserve_demand, take_back, want
from inventory.services.lots import decide, put_back
from inventory.services.reserving import Want, reserve
from inventory.services.transforming import make
from tests.inventory.builders import (
    books,
    days,
    make_item,
    make_party,
    make_stock,
    make_transformation,
    portion_in,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def balm():
    return make_item("BALM", measure="count", kind="product")


@pytest.fixture
def stock(balm):
    return make_stock(balm, 24, number="L1", expires_on=days(200))


@pytest.fixture
def ann():
    return make_party("ANN", role="customer")


@pytest.fixture
def order(balm, ann):
    return want(item=balm, quantity=10, due_on=days(3), customer=ann, reference="A-1")


def test_lots_leave_for_a_customer_and_serve_the_demand(stock, ann, order):
    sent = dispatch(lines=[Leaving(stock, 6, order)], customer=ann, reference="parcel 7")
    assert sent.code == f"D{days(0):%Y%m%d}-1"
    stock.refresh_from_db()
    order.refresh_from_db()
    assert (stock.on_hand, order.open_quantity) == (18, 4)
    assert open_demands() == [order]
    dispatch(lines=[Leaving(stock, 4, order)], customer=ann)
    assert open_demands() == []


def test_a_demand_is_served_from_what_was_set_aside_for_it_first(stock, balm, ann, order):
    reserve(wants=[Want(balm.pk, 10)], on=days(3), demand=order)
    reserve(wants=[Want(balm.pk, 14)], on=days(3), transformation=make_transformation())
    dispatch(lines=[Leaving(stock, 7, order)], customer=ann)
    assert Reservation.objects.get(demand=order).quantity == 3
    stock.refresh_from_db()
    assert (stock.on_hand, stock.reserved) == (17, 17)


def test_a_demand_served_from_elsewhere_keeps_no_more_set_aside_than_it_wants(balm, stock, ann, order):
    reserve(wants=[Want(balm.pk, 10)], on=days(3), demand=order)
    other = make_stock(balm, 5, number="L2", expires_on=days(300))
    dispatch(lines=[Leaving(other, 4, order)], customer=ann)
    assert Reservation.objects.get(demand=order).quantity == 6
    stock.refresh_from_db()
    assert stock.reserved == 6


def test_what_is_set_aside_for_others_does_not_leave(balm, stock, ann):
    reserve(wants=[Want(balm.pk, 20)], on=days(0), transformation=make_transformation())
    before = books()
    with pytest.raises(Shortage) as refusal:
        dispatch(lines=[Leaving(stock, 5)], customer=ann)
    assert refusal.value.facts["shortages"][0]["free"] == "4 pc"
    assert books() == before


def test_a_second_line_that_cannot_leave_keeps_the_first_here(balm, stock, ann):
    before = books()
    with pytest.raises(Shortage):
        dispatch(lines=[Leaving(stock, 20), Leaving(stock, 5)], customer=ann)
    assert books() == before


@pytest.mark.parametrize("facts", [{"status": "held"}, {"status": "rejected"}, {"status": "quarantine"}, {"past": 1}])
def test_only_released_unexpired_stock_leaves_unless_it_is_written_off_as_damaged(balm, ann, facts):
    facts = {"expires_on": days(-1)} if "past" in facts else facts
    bad = make_stock(balm, 10, **facts)
    before = books()
    for kind in ("sale", "tester", "gift"):
        with pytest.raises(Unusable):
            dispatch(lines=[Leaving(bad, 1)], customer=ann, kind=kind)
    assert books() == before
    dispatch(lines=[Leaving(bad, 1)], customer=ann, kind="damaged")


@pytest.mark.parametrize("status", ["held", "rejected"])
def test_what_left_before_its_lot_was_held_is_written_down_after(balm, ann, status):
    """A recall has to know who has it; what is not released yet, or was held already, does not leave."""
    here = make_stock(balm, 10, received_on=days(-9), expires_on=days(-2))
    decide(lots=[here.lot], status=status, why="looked odd", decided_at=clock.noon_of(days(-4)))
    for late in (days(-3), days(0)):
        with pytest.raises(Unusable):
            dispatch(lines=[Leaving(here, 1)], customer=ann, dispatched_on=late)
    dispatch(lines=[Leaving(here, 3)], customer=ann, dispatched_on=days(-5))
    here.refresh_from_db()
    assert (here.on_hand, here.lot.status) == (7, status)
    here.lot.refresh_from_db()
    assert here.lot.status == status


def test_damaged_goods_leave_though_they_were_set_aside_and_the_holder_is_told(balm, stock, ann):
    reserve(wants=[Want(balm.pk, 24)], on=days(0), transformation=make_transformation("B1"))
    dispatch(lines=[Leaving(stock, 4)], public_place="skip", kind="damaged")
    assert Alert.objects.get().subject == "batch:B1"


def test_a_trial_never_leaves(ann):
    making = make_transformation()
    lot = make(transformation=making, item=making.item, quantity=9, expires_on=days(9), trial=True)
    before = books()
    for kind in Dispatch.Kind.values:
        with pytest.raises((WrongState, Unusable)):
            dispatch(lines=[Leaving(portion_in(lot), 1)], customer=ann, kind=kind)
    assert books() == before


def test_no_more_leaves_for_a_demand_than_it_wants(stock, ann, order):
    before = books()
    with pytest.raises(WrongState):
        dispatch(lines=[Leaving(stock, 11, order)], customer=ann)
    with pytest.raises(WrongState):
        dispatch(lines=[Leaving(stock, 6, order), Leaving(stock, 5, order)], customer=ann)
    assert books() == before


def test_dispatches_that_cannot_be_are_refused(balm, stock, ann, order):
    ben = make_party("BEN")
    wax = make_stock(make_item("WAX"))
    dispatch(lines=[Leaving(stock, 1)], customer=ann, code="D-1")
    before = books()
    for refused in (
        lambda: dispatch(lines=[], customer=ann),
        lambda: dispatch(lines=[Leaving(stock, 1)]),
        lambda: dispatch(lines=[Leaving(stock, 1)], customer=ann, public_place="market"),
        lambda: dispatch(lines=[Leaving(stock, 0)], customer=ann),
        lambda: dispatch(lines=[Leaving(stock, 1)], customer=ann, kind="swap"),
        lambda: dispatch(lines=[Leaving(stock, 1)], customer=ann, code="D-1"),
        lambda: dispatch(lines=[Leaving(stock, 1)], customer=ann, dispatched_on=days(1)),
        lambda: dispatch(lines=[Leaving(stock, 1, order)], customer=ben),
        lambda: dispatch(lines=[Leaving(wax, 1, order)], customer=ann),
        lambda: dispatch(lines=[Leaving(stock, 1)], customer=make_party("MILL", role="supplier")),
    ):
        with pytest.raises((BadInput, Conflict)):
            refused()
    assert books() == before


def test_returned_goods_stand_apart_until_they_are_decided_on(stock, ann):
    sent = dispatch(lines=[Leaving(stock, 6)], customer=ann)
    line = sent.lines.get()
    back = take_back(dispatch_line=line, quantity=2, place="returns", why="wrong scent")
    assert (back.set_apart, back.on_hand, line.returned) == (True, 2, 2)
    with pytest.raises(Unusable):
        dispatch(lines=[Leaving(back, 1)], customer=ann)
    fit = put_back(portion=back, place="")
    assert (fit.pk, fit.on_hand) == (stock.pk, 20)
    before = books()
    with pytest.raises(WrongState):
        take_back(dispatch_line=line, quantity=5)
    assert books() == before


def test_a_corrected_dispatch_never_left(stock, ann, order):
    sent = dispatch(lines=[Leaving(stock, 6, order)], customer=ann)
    line = sent.lines.get()
    correct(event=line.stock_events.get(), why="it was the other parcel")
    stock.refresh_from_db()
    order.refresh_from_db()
    assert (stock.on_hand, order.dispatched) == (24, 0)
    assert DispatchLine.objects.get().corrected
    with pytest.raises(WrongState):
        take_back(dispatch_line=line, quantity=1)


def test_a_dispatch_of_which_something_came_back_is_corrected_after_the_return(stock, ann):
    line = dispatch(lines=[Leaving(stock, 6)], customer=ann).lines.get()
    take_back(dispatch_line=line, quantity=2)
    left, came_back = line.stock_events.order_by("pk")
    with pytest.raises(WrongState):
        correct(event=left, why="mistake")
    correct(event=came_back, why="it was another customer")
    correct(event=left, why="mistake")
    stock.refresh_from_db()
    assert stock.on_hand == 24


def test_a_closed_demand_is_wanted_no_more_and_holds_nothing(stock, balm, ann, order):
    reserve(wants=[Want(balm.pk, 10)], on=days(3), demand=order)
    close_demand(demand=order, why="cancelled")
    stock.refresh_from_db()
    assert (stock.reserved, Demand.objects.get().open_quantity) == (0, 0)
    with pytest.raises(WrongState):
        dispatch(lines=[Leaving(stock, 1, order)], customer=ann)
    with pytest.raises(WrongState):
        close_demand(demand=order)


def test_demands_that_cannot_be_are_refused(balm, ann, order):
    want(item=balm, quantity=1, due_on=days(3), reference="market")
    before = books()
    for refused in (
        lambda: want(item=balm, quantity=1, due_on=days(3), customer=ann, reference="A-1"),
        lambda: want(item=balm, quantity=1, due_on=days(3), reference="market"),
        lambda: want(item=balm, quantity=0, due_on=days(3)),
        lambda: want(item=balm, quantity=10**9 + 1, due_on=days(3)),
        lambda: want(item=balm, quantity=1, due_on=days(3), reference="r" * 65),
        lambda: want(item=balm, quantity=1, due_on=days(3), customer=make_party("MILL", role="supplier")),
    ):
        with pytest.raises((BadInput, Conflict)):
            refused()
    assert books() == before


def test_nothing_leaves_on_a_day_to_come(stock, ann):
    before = books()
    with pytest.raises(BadInput) as refusal:
        dispatch(lines=[Leaving(stock, 1)], customer=ann, dispatched_on=days(30), happened_at=clock.now())
    assert refusal.value.code == "in_the_future"
    assert books() == before


@pytest.mark.parametrize("priority", [-1, 2**31, True, 1.5])
def test_a_priority_is_a_whole_number_from_0(balm, ann, priority):
    with pytest.raises(BadInput) as refusal:
        want(item=balm, quantity=1, due_on=days(3), customer=ann, priority=priority)
    assert [fault.field for fault in refusal.value.faults] == ["priority"]
    assert not Demand.objects.exists()


def test_nothing_comes_back_before_it_left(stock, ann):
    (line,) = dispatch(lines=[Leaving(stock, 2)], customer=ann).lines.all()
    before = books()
    with pytest.raises(BadInput) as refusal:
        take_back(dispatch_line=line, quantity=1, happened_at=clock.now() - timedelta(days=2))
    assert refusal.value.code == "before_it_left"
    assert books() == before


def test_a_demand_is_given_all_that_it_wants_beyond_what_is_set_aside(balm, stock, ann, order):
    reserve_demand(demand=order, quantity=3)
    assert sum(one.quantity for one in reserve_demand(demand=order)) == 7
    assert Reservation.objects.get().quantity == 10
    before = books()
    with pytest.raises(WrongState):
        reserve_demand(demand=order)
    with pytest.raises(WrongState) as refusal:
        reserve_demand(demand=order, quantity=1)
    assert [(fault.field, fault.accepted) for fault in refusal.value.faults] == [("quantity", "at most 0 pc")]
    assert books() == before


def test_nothing_is_set_aside_for_a_demand_that_stock_cannot_serve_or_that_is_closed(balm, stock, ann, order):
    far = want(item=balm, quantity=30, due_on=days(3), customer=ann)
    before = books()
    with pytest.raises(Shortage):
        reserve_demand(demand=far)
    assert books() == before
    close_demand(demand=order)
    with pytest.raises(WrongState) as refusal:
        reserve_demand(demand=order)
    assert refusal.value.code == "closed"


def test_a_refused_dispatch_names_the_field_of_what_was_asked(balm, stock, ann, order):
    held = make_stock(balm, 10, status="held")
    dispatch(lines=[Leaving(stock, 1)], customer=ann, code="D-1")

    def fields_of(*lines, **facts) -> list[str]:
        before = books()
        with pytest.raises((BadInput, Conflict)) as refusal:
            dispatch(lines=lines, **({"customer": ann} | facts))
        assert books() == before
        return [fault.field for fault in refusal.value.faults]

    good = Leaving(stock, 1)
    assert fields_of(good, Leaving(stock, 0)) == ["lines[1].quantity"]
    assert fields_of(good, Leaving(stock, 23)) == ["lines[1].quantity"]
    assert fields_of(good, Leaving(stock, 24), kind="damaged") == ["lines[1].quantity"]
    assert fields_of(good, Leaving(stock, 11, order)) == ["lines[1].quantity"]
    assert fields_of(good, Leaving(held, 1)) == ["lines[1].lot"]
    assert fields_of(good, code="D-1") == ["dispatch"]
    assert fields_of(good, customer=make_party("MILL", role="supplier")) == ["customer"]
    assert fields_of(good, public_place="market") == ["public_place"]
    assert fields_of(good, dispatched_on=days(1)) == ["dispatched_on"]
    assert fields_of(good, dispatched_on=days(-1), happened_at=clock.now()) == ["happened_at"]
