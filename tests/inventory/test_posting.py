"""Posting many events at once: what is written, in which order, what gives way, and that statements do not grow."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import clock
from inventory.errors import BadInput, Shortage
from inventory.ledger import verify
from inventory.models import Alert, Movement, Portion, Reservation, StockEvent
from inventory.services.ledger import Change, Posting, post_all
from inventory.services.reserving import Want, reserve
from tests.inventory.builders import KG, G, books, days, make_stock, make_transformation

pytestmark = pytest.mark.django_db


def used(portion: Portion, quantity: int, **facts) -> Posting:
    return Posting(kind="used", changes=[Change(portion, -quantity)], **facts)


def test_events_are_written_in_order_with_all_they_say():
    one, other = make_stock(quantity=KG), make_stock(quantity=KG)
    making = make_transformation()
    moment = clock.now() - timedelta(minutes=5)
    odd = "a jar\tof \"NULL\", {braces}, \\ and 'quotes'\nä"
    events = post_all(
        [
            used(one, 1 * G, transformation=making, happened_at=moment, why=odd),
            Posting(kind="moved", changes=[Change(one, -2 * G), Change(other, 2 * G)]),
            Posting(kind="counted", changes=[], portion=other),
        ]
    )
    assert [event.kind for event in events] == ["used", "moved", "counted"]
    assert [event.pk for event in events] == sorted(event.pk for event in events)
    kept = [StockEvent.objects.get(pk=event.pk) for event in events]
    assert [event.uid for event in kept] == [event.uid for event in events]
    assert (kept[0].why, kept[0].happened_at, kept[0].transformation_id) == (odd, moment, making.pk)
    assert (kept[1].transformation_id, kept[1].portion_id, kept[1].corrects_id) == (None, None, None)
    assert kept[2].portion_id == other.pk
    assert kept[0].recorded_at == kept[2].recorded_at >= moment
    moved = Movement.objects.filter(event__in=events).order_by("pk")
    assert list(moved.values_list("event", "portion", "lot", "quantity")) == [
        (events[0].pk, one.pk, one.lot_id, -1 * G),
        (events[1].pk, one.pk, one.lot_id, -2 * G),
        (events[1].pk, other.pk, other.lot_id, 2 * G),
    ]
    assert (one.on_hand, other.on_hand) == (997 * G, 1002 * G)


def test_a_written_event_can_be_named_by_the_next_at_once():
    portion = make_stock(quantity=KG)
    (event,) = post_all([used(portion, G)])
    (opposite,) = post_all([Posting(kind="corrected", changes=[Change(portion, G)], corrects=event)])
    assert StockEvent.objects.get(pk=opposite.pk).corrects == event
    event.refresh_from_db()
    assert event.corrected_by == opposite


def test_nothing_is_written_for_nothing():
    before = books()
    assert post_all([]) == []
    assert books() == before


def test_a_portion_may_not_go_below_nothing_on_the_way_even_where_it_comes_right_in_the_end():
    one, other = make_stock(quantity=KG), make_stock(quantity=KG)
    before = books()
    with pytest.raises(Shortage) as refused:
        post_all([used(one, 1 * G), used(other, KG + 1), Posting(kind="counted", changes=[Change(other, KG)])])
    assert refused.value.facts["shortages"][0]["lot"] == other.lot.number
    assert books() == before


def test_more_than_a_portion_may_hold_is_refused():
    one = make_stock(quantity=KG)
    before = books()
    with pytest.raises(BadInput, match="in one portion"):
        post_all([Posting(kind="counted", changes=[Change(one, 10**12)])])
    assert books() == before


def test_only_reservations_that_no_longer_fit_give_way():
    stock = [make_stock(quantity=KG) for _ in range(3)]
    for portion, quantity in zip(stock, (900 * G, 900 * G, 100 * G), strict=True):
        reserve(wants=[Want(portion.lot.item_id, quantity)], on=days(0), transformation=make_transformation())
    post_all([used(portion, quantity) for portion, quantity in zip(stock, (200 * G, 100 * G, 500 * G), strict=True)])
    kept = dict(Reservation.objects.values_list("portion", "quantity"))
    assert kept == {stock[0].pk: 800 * G, stock[1].pk: 900 * G, stock[2].pk: 100 * G}
    assert Alert.objects.filter(kind="reservation_freed").count() == 1
    assert verify() == []


def test_reservations_give_way_to_the_lowest_point_on_the_way():
    portion = make_stock(quantity=KG)
    reserve(wants=[Want(portion.lot.item_id, 500 * G)], on=days(0), transformation=make_transformation())
    post_all([used(portion, 700 * G), Posting(kind="counted", changes=[Change(portion, 700 * G)])])
    assert Reservation.objects.get().quantity == 300 * G
    assert verify() == []


def test_what_is_recorded_late_is_refused_before_its_lot_came():
    stock = [make_stock(quantity=KG) for _ in range(2)]
    made = make_stock(quantity=KG)
    type(made.lot).objects.filter(pk=made.lot_id).update(origin="received")
    late = clock.noon_of(days(-3))
    before = books()
    with pytest.raises(BadInput, match=f"lot {made.lot.number} .* came on"):
        post_all([used(portion, G, happened_at=late) for portion in [*stock, made]])
    assert books() == before


def test_statements_do_not_grow_with_the_postings():
    making = make_transformation()
    taken = []
    for many in (3, 60):
        stock = [make_stock(quantity=KG) for _ in range(many)]
        type(stock[0].lot).objects.update(origin="received")
        with CaptureQueriesContext(connection) as queries:
            post_all([used(portion, G, transformation=making, happened_at=clock.now()) for portion in stock])
        taken.append(len(queries))
    assert taken[0] == taken[1]


def test_an_event_in_hand_is_the_event_that_is_kept(django_user_model):
    portion, making = make_stock(quantity=KG), make_transformation()
    who = django_user_model.objects.create_user("ann")
    events = post_all([used(portion, G, transformation=making, who=who, why="poured"), used(portion, G)])
    for event in events:
        kept = StockEvent.objects.get(pk=event.pk)
        for field in StockEvent._meta.concrete_fields:
            assert getattr(event, field.attname) == getattr(kept, field.attname), field.name
    assert (events[0].transformation, events[0].who, events[1].who) == (making, who, None)
