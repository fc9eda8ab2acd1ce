"""Orders, deliveries in parts, over, short and unordered, and goods sent back."""

from datetime import date

import pytest

from inventory import clock
from inventory.errors import BadInput, Conflict, Shortage, WrongState
from inventory.models import Alert, Lot, PurchaseOrderLine, StockEvent
from inventory.selectors import open_order_lines
from inventory.services.buying import Delivery, OrderLine, close_order_line, place_order, receive, send_back
from inventory.services.correcting import correct
from inventory.services.reserving import Want, reserve
from inventory.services.transforming import make
from tests.inventory.builders import (
    KG,
    G,
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
def oil():
    return make_item("OIL", release_days=3)


@pytest.fixture
def mill():
    return make_party("MILL", role="supplier")


@pytest.fixture
def line(oil, mill):
    order = place_order(supplier=mill, lines=[OrderLine(oil, 10 * KG, days(7))], code="PO-1")
    return order.lines.get()


def test_a_delivery_lands_in_quarantine_and_is_available_after_the_days_of_release(oil, mill):
    (lot,) = receive(
        supplier=mill,
        deliveries=[Delivery(item=oil, quantity=5 * KG, supplier_lot="S-1", expires_on=days(300), place="gate")],
        received_on=days(-1),
    )
    assert (lot.status, lot.origin, lot.received_on, lot.available_on) == (
        "quarantine",
        "received",
        days(-1),
        days(2),
    )
    assert lot.number == f"{days(-1):%Y%m%d}-1"
    assert portion_in(lot).place == "gate"
    assert clock.day_of(StockEvent.objects.get().happened_at) == days(-1)


def test_one_line_may_come_in_parts_and_as_several_lots(oil, mill, line):
    lots = receive(
        supplier=mill,
        deliveries=[
            Delivery(item=oil, quantity=4 * KG, order_line=line),
            Delivery(item=oil, quantity=3 * KG, order_line=line),
        ],
    )
    assert len({lot.number for lot in lots}) == 2
    line.refresh_from_db()
    assert (line.open_quantity, line.closed_at) == (3 * KG, None)
    receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=3 * KG, order_line=line)])
    line.refresh_from_db()
    assert line.open_quantity == 0
    assert line.closed_at is not None


def test_more_than_was_ordered_is_taken_and_closes_the_line(oil, mill, line):
    (lot,) = receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=11 * KG, order_line=line)])
    line.refresh_from_db()
    assert (portion_in(lot).on_hand, line.received, line.open_quantity) == (11 * KG, 11 * KG, 0)
    assert open_order_lines() == []


def test_what_nobody_ordered_is_taken_too(oil, mill, line):
    receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1 * KG)])
    assert open_order_lines() == [line]


def test_a_short_delivery_can_be_closed_with_a_reason(oil, mill, line):
    receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=9 * KG, order_line=line)])
    with pytest.raises(BadInput):
        close_order_line(line=line, why="  ")
    close_order_line(line=line, why="the mill burnt down")
    assert PurchaseOrderLine.objects.get().closed_why == "the mill burnt down"
    assert open_order_lines() == []
    with pytest.raises(WrongState):
        close_order_line(line=line, why="again")
    with pytest.raises(WrongState):
        receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1 * KG, order_line=line)])


def test_a_corrected_receipt_is_expected_again(oil, mill, line):
    receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=10 * KG, order_line=line)])
    correct(event=StockEvent.objects.get(kind="received"), why="typed into the wrong order")
    line.refresh_from_db()
    assert (line.received, line.open_quantity) == (0, 10 * KG)
    assert open_order_lines() == [line]


@pytest.mark.parametrize(
    "facts",
    [
        {"quantity": 0},
        {"quantity": 10**12 + 1},
        {"status": "good"},
        {"expires_on": date(2020, 1, 1)},
        {"place": "p" * 65},
        {"supplier_lot": "s" * 65},
    ],
)
def test_a_bad_delivery_keeps_the_whole_receipt_out(oil, mill, line, facts):
    before = books()
    with pytest.raises(BadInput):
        receive(
            supplier=mill,
            deliveries=[
                Delivery(item=oil, quantity=1 * KG, order_line=line),
                Delivery(**({"item": oil, "quantity": 1 * KG} | facts)),
            ],
        )
    assert books() == before


def test_a_number_is_never_used_twice_for_an_item(oil, mill):
    receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1, number="N1")])
    before = books()
    with pytest.raises(Conflict):
        receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1, number="N1")])
    with pytest.raises(Conflict):
        receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1, number="N2")] * 2)
    assert books() == before


def test_a_line_takes_only_its_own_item_from_its_own_supplier(oil, mill, line):
    wax, other = make_item("WAX"), make_party("OTHER")
    before = books()
    with pytest.raises(BadInput):
        receive(supplier=mill, deliveries=[Delivery(item=wax, quantity=1, order_line=line)])
    with pytest.raises(BadInput):
        receive(supplier=other, deliveries=[Delivery(item=oil, quantity=1, order_line=line)])
    with pytest.raises(BadInput):
        receive(supplier=make_party("SHOP", role="customer"), deliveries=[Delivery(item=oil, quantity=1)])
    with pytest.raises(BadInput):
        receive(supplier=mill, deliveries=[])
    with pytest.raises(BadInput):
        receive(supplier=mill, deliveries=[Delivery(item=oil, quantity=1)], received_on=days(1))
    after = books()
    assert after == before


def test_orders_that_cannot_be_are_refused(oil, mill, line):
    before = books()
    twice = [OrderLine(oil, 1, days(1)), OrderLine(oil, 2, days(1))]
    for refused in (
        lambda: place_order(supplier=mill, lines=twice),
        lambda: place_order(supplier=mill, lines=[]),
        lambda: place_order(supplier=mill, lines=[OrderLine(oil, 0, days(1))]),
        lambda: place_order(supplier=mill, lines=[OrderLine(oil, 1, days(1), expires_on=days(0))]),
        lambda: place_order(supplier=mill, lines=[OrderLine(oil, 1, days(1))], code="PO-1"),
        lambda: place_order(supplier=make_party("SHOP", role="customer"), lines=twice[:1]),
        lambda: place_order(supplier=mill, lines=[OrderLine(make_item("WATER", drawn=True), 1, days(1))]),
    ):
        with pytest.raises((BadInput, Conflict)):
            refused()
    assert books() == before


def test_an_order_without_a_code_is_given_one(oil, mill):
    codes = [place_order(supplier=mill, lines=[OrderLine(oil, 1, days(1))]).code for _ in range(2)]
    assert codes == [f"P{days(0):%Y%m%d}-1", f"P{days(0):%Y%m%d}-2"]


def test_bought_goods_go_back_even_where_they_were_reserved():
    portion = make_stock(quantity=100 * G)
    reserve(wants=[Want(portion.lot.item_id, 60 * G)], on=days(0), transformation=make_transformation())
    send_back(portion=portion, quantity=90 * G, why="rancid")
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (10 * G, 10 * G)
    assert Alert.objects.count() == 1
    before = books()
    with pytest.raises(Shortage):
        send_back(portion=portion, quantity=11 * G, why="rancid")
    assert books() == before


def test_what_was_made_here_is_not_sent_back():
    making = make_transformation()
    lot = make(transformation=making, item=making.item, quantity=KG, expires_on=days(9))
    before = books()
    with pytest.raises(WrongState):
        send_back(portion=portion_in(lot), quantity=1, why="rancid")
    assert books() == before
    assert Lot.objects.get().status == "quarantine"


def test_nothing_is_received_on_a_day_to_come(oil, mill):
    before = books()
    with pytest.raises(BadInput) as refusal:
        receive(
            supplier=mill, deliveries=[Delivery(item=oil, quantity=1)], received_on=days(30), happened_at=clock.now()
        )
    assert refusal.value.code == "in_the_future"
    assert books() == before


def test_a_refusal_names_the_field_of_what_was_asked(oil, mill, line):
    water = make_item("WATER", drawn=True)

    def fields_of(refused) -> list[str]:
        with pytest.raises((BadInput, Conflict)) as refusal:
            refused()
        return [fault.field for fault in refusal.value.faults]

    def order(*lines, **facts):
        return fields_of(lambda: place_order(supplier=mill, lines=lines, **facts))

    def came(*deliveries, **facts):
        return fields_of(lambda: receive(supplier=mill, deliveries=deliveries, **facts))

    good, sound = OrderLine(oil, 1, days(1)), Delivery(item=oil, quantity=1, number="N1")
    assert order(good, OrderLine(oil, 0, days(2))) == ["lines[1].quantity"]
    assert order(good, OrderLine(water, 1, days(1))) == ["lines[1].item"]
    assert order(good, good) == ["lines[1].due_on"]
    assert order(good, OrderLine(oil, 1, days(2), expires_on=days(1))) == ["lines[1].expires_on"]
    assert order(good, code="PO-1") == ["order"]
    assert came(sound, Delivery(item=oil, quantity=0)) == ["lots[1].quantity"]
    assert came(sound, Delivery(item=water, quantity=1)) == ["lots[1].item"]
    assert came(sound, Delivery(item=oil, quantity=1, number="N1")) == ["lots[1].lot"]
    assert came(sound, Delivery(item=water, quantity=1, order_line=line)) == ["lots[1].item"]
    assert came(sound, Delivery(item=make_item("WAX"), quantity=1, order_line=line)) == ["lots[1].order"]
    assert came(sound, received_on=days(1)) == ["received_on"]
    assert came(sound, received_on=days(-1), happened_at=clock.now()) == ["happened_at"]
