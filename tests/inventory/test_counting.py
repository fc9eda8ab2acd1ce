"""Counting, discarding, sampling: physical truth wins over promises."""

from datetime import timedelta

import pytest

from inventory import clock
from inventory.errors import BadInput, Shortage
from inventory.models import Alert, Portion, Reservation, StockEvent
from inventory.services.buying import Delivery, receive
from inventory.services.counting import count, discard, sample
from inventory.services.lots import open_container
from inventory.services.reserving import Want, reserve
from tests.inventory.builders import KG, G, books, days, make_item, make_party, make_stock, make_transformation

pytestmark = pytest.mark.django_db


def test_a_count_sets_the_books_to_what_is_there():
    portion = make_stock(quantity=100 * G)
    event = count(portion=portion, counted=97 * G, why="yearly count")
    assert [row.quantity for row in event.movements.all()] == [-3 * G]
    portion.refresh_from_db()
    assert portion.on_hand == 97 * G


def test_a_count_that_agrees_is_kept_and_moves_nothing():
    portion = make_stock(quantity=100 * G)
    event = count(portion=portion, counted=100 * G)
    assert event.portion == portion
    assert event.movements.count() == 0


def test_a_count_of_last_evening_keeps_what_moved_since():
    portion = make_stock(quantity=100 * G)
    evening = clock.now()
    discard(portion=portion, quantity=10 * G)
    count(portion=portion, counted=95 * G, happened_at=evening)
    portion.refresh_from_db()
    assert portion.on_hand == 85 * G


def test_a_count_below_what_is_reserved_frees_the_latest_batch_first_and_tells_it():
    portion = make_stock(quantity=100 * G)
    soon = make_transformation("SOON", planned_for=days(1))
    later = make_transformation("LATER", planned_for=days(9))
    for making in (later, soon):
        reserve(wants=[Want(portion.lot.item_id, 40 * G)], on=days(1), transformation=making)
    count(portion=portion, counted=50 * G)
    assert sorted(Reservation.objects.values_list("transformation__code", "quantity")) == [
        ("LATER", 10 * G),
        ("SOON", 40 * G),
    ]
    alert = Alert.objects.get()
    assert (alert.kind, alert.subject, alert.facts["quantity"]) == ("reservation_freed", "batch:LATER", "30 g")


@pytest.mark.parametrize("act", [discard, sample])
def test_what_is_taken_out_of_a_reserved_portion_frees_reservations(act):
    portion = make_stock(quantity=100 * G)
    making = make_transformation()
    reserve(wants=[Want(portion.lot.item_id, 80 * G)], on=days(0), transformation=making)
    act(portion=portion, quantity=50 * G, why="dropped")
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (50 * G, 50 * G)
    assert Alert.objects.count() == 1


@pytest.mark.parametrize("status", ["quarantine", "held", "rejected"])
def test_stock_of_any_status_may_be_sampled_and_discarded(status):
    portion = make_stock(quantity=100 * G, status=status)
    sample(portion=portion, quantity=10 * G)
    discard(portion=portion, quantity=90 * G)
    assert StockEvent.objects.filter(kind__in=["sampled", "discarded"]).count() == 2


@pytest.mark.parametrize(
    ("act", "error"),
    [
        (lambda portion: discard(portion=portion, quantity=101 * G), Shortage),
        (lambda portion: sample(portion=portion, quantity=101 * G), Shortage),
        (lambda portion: discard(portion=portion, quantity=0), BadInput),
        (lambda portion: count(portion=portion, counted=-1), BadInput),
        (lambda portion: count(portion=portion, counted=10**12 + 1), BadInput),
        (
            lambda portion: count(portion=portion, counted=1, happened_at=clock.now() + timedelta(hours=1)),
            BadInput,
        ),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(act, error):
    portion = make_stock(quantity=100 * G)
    before = books()
    with pytest.raises(error):
        act(portion)
    assert books() == before


def count_one(*, portion, quantity, happened_at):
    return count(portion=portion, counted=quantity, happened_at=happened_at)


def open_all(*, portion, quantity, happened_at):
    return open_container(portion=portion, happened_at=happened_at)


def open_part(*, portion, quantity, happened_at):
    return open_container(portion=portion, quantity=quantity, happened_at=happened_at)


@pytest.mark.parametrize("act", [discard, sample, count_one, open_all, open_part])
def test_nothing_happened_to_a_lot_before_it_came(act):
    """Or the stock of the days before would be less than nothing."""
    receive(supplier=make_party(), deliveries=[Delivery(item=make_item(), quantity=KG)])
    portion = Portion.objects.select_related("lot__item").get()
    before = books()
    with pytest.raises(BadInput) as refusal:
        act(portion=portion, quantity=1, happened_at=clock.now() - timedelta(days=2))
    assert refusal.value.code == "before_it_came"
    assert books() == before


def test_opening_stock_was_here_before_it_was_written_down():
    portion = make_stock(quantity=KG)
    discard(portion=portion, quantity=1, happened_at=clock.now() - timedelta(days=2))
    portion.refresh_from_db()
    assert portion.on_hand == KG - 1
