"""The books add up: the check of the whole ledger, stock and value on a day, balances of lots and makings."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import clock
from inventory.ledger import balances, stock_on, value_of, verify
from inventory.models import LotDecision, Movement, StockEvent
from inventory.quantities import COUNT, MASS
from inventory.services.buying import Delivery, OrderLine, place_order, receive, send_back
from inventory.services.correcting import correct
from inventory.services.counting import count, discard, sample
from inventory.services.dispatching import Leaving, dispatch, take_back, want
from inventory.services.lots import OpeningRow, decide, move, open_stock
from inventory.services.reserving import Want, reserve
from inventory.services.transforming import close, make, use
from inventory.tracing import trace
from tests.inventory.builders import (
    KG,
    G,
    days,
    make_item,
    make_lot,
    make_party,
    make_stock,
    make_transformation,
    portion_in,
)

pytestmark = pytest.mark.django_db


def busy_lot():
    """A lot to which everything happened that can."""
    oil = make_item("OIL")
    mill, ann = make_party("MILL"), make_party("ANN")
    order = place_order(supplier=mill, lines=[OrderLine(oil, 2 * KG, days(1))])
    (lot,) = receive(
        supplier=mill, deliveries=[Delivery(item=oil, quantity=KG, order_line=order.lines.get(), status="released")]
    )
    portion = portion_in(lot)
    move(portion=portion, place="bench", quantity=100 * G)
    count(portion=portion, counted=905 * G)
    discard(portion=portion, quantity=5 * G)
    sample(portion=portion, quantity=10 * G)
    send_back(portion=portion, quantity=50 * G, why="too much")
    use(transformation=make_transformation(), portion=portion, quantity=200 * G)
    mistake = use(transformation=make_transformation(), portion=portion, quantity=40 * G)
    correct(event=mistake, why="another jar", by_its_making=True)
    demand = want(item=oil, quantity=100 * G, due_on=days(0), customer=ann)
    sent = dispatch(lines=[Leaving(portion, 60 * G, demand)], customer=ann)
    take_back(dispatch_line=sent.lines.get(), quantity=20 * G)
    reserve(wants=[Want(oil.pk, 30 * G)], on=days(0), demand=demand)
    return lot


def test_a_lot_balances_to_the_milligram():
    lot = busy_lot()
    balance = balances([lot.pk])[lot.pk]
    assert (balance.received, balance.counted, balance.corrected, balance.returned) == (
        KG,
        5 * G,
        40 * G,
        20 * G,
    )
    assert (balance.used, balance.dispatched, balance.sent_back) == (240 * G, 60 * G, 50 * G)
    assert (balance.sampled, balance.discarded, balance.on_hand) == (10 * G, 5 * G, 700 * G)
    assert balance.came == balance.went
    assert balance.accounted_percent == Decimal("100.00")


def test_clean_books_show_no_difference():
    busy_lot()
    assert verify() == []


@pytest.mark.parametrize(
    ("sql", "what"),
    [
        ("UPDATE inventory_portion SET on_hand = on_hand + 1 WHERE reserved > 0", {"on_hand", "lot"}),
        ("UPDATE inventory_portion SET reserved = reserved + 1 WHERE reserved > 0", {"reserved"}),
        ("UPDATE inventory_demand SET dispatched = dispatched + 1", {"demand"}),
        ("UPDATE inventory_purchaseorderline SET received = received + 1", {"order_line"}),
        ("UPDATE inventory_dispatchline SET returned = returned + 1", {"dispatch_line"}),
        ("UPDATE inventory_dispatchline SET corrected = (1 = 1)", {"dispatch_line", "demand"}),
        ("UPDATE inventory_reservation SET quantity = quantity - 1", {"reserved"}),
        ("UPDATE inventory_portion SET lot_id = (SELECT MAX(id) FROM inventory_lot) WHERE place = 'bench'", {"lot"}),
    ],
)
def test_a_balance_changed_behind_the_books_is_found(sql, what):
    busy_lot()
    make_lot()
    with connection.cursor() as cursor:
        cursor.execute(sql)
    assert {difference.what for difference in verify()} == what


def test_a_difference_names_the_lot_and_both_quantities():
    make_stock(make_item("OIL"), KG, number="L1", place="shelf")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE inventory_portion SET on_hand = 999999")
    on_hand = next(row for row in verify() if row.what == "on_hand")
    assert (on_hand.item, on_hand.number, on_hand.place) == ("OIL", "L1", "shelf")
    assert (on_hand.books, on_hand.ledger) == ("999.999 g", "1000 g")


def test_the_check_takes_the_same_number_of_queries_however_much_there_is():
    taken = []
    for _ in range(3):
        for _ in range(3):
            make_lot()
        with CaptureQueriesContext(connection) as queries:
            verify()
        taken.append(len(queries))
    assert taken[0] == taken[1] == taken[2] <= 10


def event_of(kind: str) -> StockEvent:
    return StockEvent.objects.create(kind=kind, happened_at=clock.now())


def move_behind_the_books(kind: str, *legs) -> None:
    """An event written past the service: legs of portion, lot and quantity. What stands in the portions goes along."""
    event = event_of(kind)
    for portion, lot, quantity in legs:
        Movement.objects.create(event=event, portion=portion, lot=lot, quantity=quantity)
        with connection.cursor() as cursor:
            cursor.execute("UPDATE inventory_portion SET on_hand = on_hand + %s WHERE id = %s", [quantity, portion.pk])


def found() -> set[tuple[str, str, str, str]]:
    return {(row.what, row.number, row.books, row.ledger) for row in verify()}


@pytest.fixture
def two():
    return make_stock(quantity=KG, number="L1"), make_stock(quantity=KG, number="L2")


def test_a_movement_whose_lot_is_not_its_portions_is_found(two):
    one, other = two
    move_behind_the_books("counted", (one, other.lot, 5 * G))
    assert found() == {("lot", "L1", "1005 g", "1000 g"), ("lot", "L2", "1000 g", "1005 g")}


def test_movements_whose_lots_are_crossed_are_found_though_every_lot_adds_up(two):
    one, other = two
    move_behind_the_books("counted", (one, other.lot, 5 * G), (other, one.lot, 5 * G))
    assert found() == {("lot", "L1", "1005 g", "1000 g"), ("lot", "L2", "1005 g", "1000 g")}


@pytest.mark.parametrize("kind", ["moved", "opened"])
def test_carrying_that_does_not_net_to_nothing_is_found(two, kind):
    one, _ = two
    move_behind_the_books(kind, (one, one.lot, 5 * G))
    assert found() == {("lot", "L1", "1005 g", "1000 g")}


def test_carrying_from_one_lot_to_another_is_found(two):
    one, other = two
    move_behind_the_books("moved", (one, one.lot, -5 * G), (other, other.lot, 5 * G))
    assert found() == {("lot", "L1", "995 g", "1000 g"), ("lot", "L2", "1005 g", "1000 g")}


def test_carrying_that_nets_to_nothing_only_over_two_events_is_found(two):
    one, _ = two
    move_behind_the_books("moved", (one, one.lot, 5 * G))
    move_behind_the_books("moved", (one, one.lot, -5 * G))
    assert {(what, number) for what, number, *_ in found()} == {("lot", "L1")}


def test_a_balance_where_nothing_ever_moved_is_found(two):
    one, _ = two
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO inventory_portion (lot_id, place, container, set_apart, on_hand, reserved)"
            f" VALUES ({one.lot_id}, 'attic', '', (1 = 0), 7000, 0)"
        )
    assert found() == {("on_hand", "L1", "7 g", "0 g"), ("lot", "L1", "1007 g", "1000 g")}


def test_differences_that_cancel_out_over_all_portions_are_found(two):
    one, other = two
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE inventory_portion SET on_hand = on_hand + 1 WHERE id = {one.pk}")
        cursor.execute(f"UPDATE inventory_portion SET on_hand = on_hand - 1 WHERE id = {other.pk}")
    assert {(what, number) for what, number, *_ in found()} == {
        (what, number) for what in ("on_hand", "lot") for number in ("L1", "L2")
    }


def test_differences_between_neighbours_that_cancel_out_in_a_row_are_found_every_time():
    """By 1, -2, 1: no weight that grows evenly from portion to portion would tell."""
    portions = [make_stock(quantity=KG, number=f"L{number}") for number in range(3)]
    with connection.cursor() as cursor:
        for portion, by in zip(portions, (1, -2, 1), strict=True):
            cursor.execute("UPDATE inventory_portion SET on_hand = on_hand + %s WHERE id = %s", [by, portion.pk])
    for _ in range(20):
        assert len(found()) == 6


def test_a_balance_far_above_every_limit_is_found(two):
    one, _ = two
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE inventory_portion SET on_hand = 9000000000000000000 WHERE id = {one.pk}")
    assert {(what, number) for what, number, *_ in found()} == {("on_hand", "L1"), ("lot", "L1")}


# Stock on a day


def test_stock_of_a_past_day_is_what_was_here_at_its_end():
    oil = make_item("OIL")
    begun = clock.noon_of(days(-10))
    (lot,) = open_stock(
        rows=[OpeningRow(item=oil, quantity=KG, number="L1", status="quarantine", unit_cost_e6=12_340_000)],
        happened_at=begun,
    )
    portion = portion_in(lot)
    decide(lots=[lot], status="released", why="fine", decided_at=clock.noon_of(days(-8)))
    discard(portion=portion, quantity=250 * G, happened_at=clock.noon_of(days(-5)))
    move(portion=portion, place="bench", quantity=100 * G, happened_at=clock.noon_of(days(-2)))

    def seen(day):
        return [(row.place, row.status, row.quantity, row.value) for row in stock_on(day)]

    assert seen(days(-11)) == []
    assert seen(days(-9)) == [("", "quarantine", KG, Decimal("12.34"))]
    assert seen(days(-6)) == [("", "released", KG, Decimal("12.34"))]
    assert seen(days(-5)) == [("", "released", 750 * G, Decimal("9.26"))]
    assert seen(days(0)) == [
        ("", "released", 650 * G, Decimal("8.02")),
        ("bench", "released", 100 * G, Decimal("1.23")),
    ]


def test_a_corrected_mistake_is_gone_from_the_days_between():
    portion = make_stock(quantity=KG, received_on=days(-9))
    event = discard(portion=portion, quantity=KG, happened_at=clock.now() - timedelta(seconds=0))
    assert stock_on(days(0)) == []
    correct(event=event, why="another jar")
    assert [row.quantity for row in stock_on(days(0))] == [KG]


@pytest.mark.parametrize(
    ("quantity", "measure", "cost_e6", "value"),
    [
        (1_500_000, MASS, 10_000_000, "15.00"),
        (1, MASS, 5_000_000_000, "0.01"),  # 0.005 is rounded up
        (1, MASS, 4_999_999_999, "0.00"),
        (3, COUNT, 333_333, "1.00"),
        (24, COUNT, 0, "0.00"),
        (10**12, MASS, 10**15, "1000000000000000.00"),
    ],
)
def test_value_is_of_one_kilogram_or_one_piece_rounded_half_up(quantity, measure, cost_e6, value):
    assert str(value_of(quantity, measure, cost_e6)) == value


def test_a_lot_without_a_known_cost_has_no_value():
    make_lot()
    (row,) = stock_on(days(0))
    assert (row.unit_cost, row.value) == (None, None)


def test_stock_takes_the_same_number_of_queries_for_2_lots_and_for_20(django_assert_num_queries):
    today = days(0)
    for total in (2, 20):
        for _ in range(total):
            make_lot()
        with django_assert_num_queries(4):  # the zone, what moved since, what was decided since, the portions
            stock_on(today)


# Makings


def test_a_making_balances_what_was_weighed_with_what_became_of_it():
    one, other = make_stock(quantity=KG), make_stock(quantity=KG)
    label = make_stock(make_item(measure="count", kind="packaging"), 100)
    making = make_transformation()
    use(transformation=making, portion=one, quantity=600 * G)
    wrong = use(transformation=making, portion=other, quantity=500 * G)
    correct(event=wrong, why="misread", by_its_making=True)
    use(transformation=making, portion=other, quantity=400 * G)
    use(transformation=making, portion=label, quantity=3)
    balance = trace([one.lot], forward=True).makings[making.pk]
    assert (balance.weighed_in, balance.made, balance.under_way) == (KG, 0, KG)
    made = make(transformation=making, item=making.item, quantity=950 * G)
    close(transformation=making, made_on=days(0), residue_mg=20 * G, evaporated_mg=25 * G, left_in_vessel_mg=5 * G)
    assert trace([made], forward=False).makings[making.pk].under_way == 0


def test_decisions_and_events_have_moments_of_what_happened_and_of_what_was_recorded():
    portion = make_stock()
    event = discard(portion=portion, quantity=1, happened_at=clock.noon_of(days(-3)))
    event.refresh_from_db()
    assert event.happened_at < event.recorded_at
    assert LotDecision.objects.count() == 1
    assert StockEvent.objects.count() == 2
