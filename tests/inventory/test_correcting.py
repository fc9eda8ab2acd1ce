"""A mistake is undone by its opposite, once; and the database refuses any other way."""

import pytest
from django.db import DatabaseError, connection, transaction

from inventory import clock
from inventory.errors import BadInput, WrongState
from inventory.ledger import verify
from inventory.models import LotDecision, Movement, StockEvent
from inventory.services.correcting import correct
from inventory.services.counting import count, discard
from inventory.services.lots import move, open_container
from inventory.services.transforming import close, draw, make, use
from tests.inventory.builders import KG, G, books, days, make_item, make_stock, make_transformation, portion_in

pytestmark = pytest.mark.django_db


def test_a_corrected_act_is_undone_and_both_stay_readable():
    portion = make_stock(quantity=100 * G)
    event = discard(portion=portion, quantity=30 * G, why="dropped")
    opposite = correct(event=event, why="it was another jar")
    portion.refresh_from_db()
    assert portion.on_hand == 100 * G
    assert (opposite.kind, opposite.corrects, opposite.why) == ("corrected", event, "it was another jar")
    assert opposite.happened_at == event.happened_at
    assert StockEvent.objects.get(pk=event.pk).why == "dropped"


def test_an_act_is_corrected_once_and_a_correction_never():
    portion = make_stock(quantity=100 * G)
    event = discard(portion=portion, quantity=30 * G)
    opposite = correct(event=event, why="mistake")
    before = books()
    with pytest.raises(WrongState):
        correct(event=event, why="mistake")
    with pytest.raises(WrongState):
        correct(event=opposite, why="mistake")
    assert books() == before


def test_a_correction_needs_a_reason():
    event = discard(portion=make_stock(), quantity=1)
    before = books()
    with pytest.raises(BadInput):
        correct(event=event, why=" ")
    assert books() == before


def test_what_is_no_longer_there_is_not_taken_back():
    portion = make_stock(quantity=100 * G)
    event = count(portion=portion, counted=150 * G)
    discard(portion=portion, quantity=140 * G)
    before = books()
    with pytest.raises(WrongState) as refusal:
        correct(event=event, why="miscounted")
    assert refusal.value.code == "stock_gone"
    assert books() == before


def test_a_moved_portion_moves_back():
    portion = make_stock(quantity=100 * G)
    there = move(portion=portion, place="bench", quantity=40 * G)
    correct(event=StockEvent.objects.get(kind="moved"), why="it never moved")
    portion.refresh_from_db()
    there.refresh_from_db()
    assert (portion.on_hand, there.on_hand) == (100 * G, 0)


def test_a_container_that_was_not_opened_is_closed_again():
    portion = open_container(portion=make_stock())
    correct(event=StockEvent.objects.get(kind="opened"), why="the seal is whole")
    portion.refresh_from_db()
    assert portion.opened_on is None


def test_drawn_water_that_was_not_used_was_not_drawn():
    water = make_item("WATER", drawn=True)
    making = make_transformation()
    draw(transformation=making, item=water, quantity=200 * G)
    event = draw(transformation=making, item=water, quantity=300 * G)
    correct(event=event, why="misread", by_its_making=True)
    assert sum(Movement.objects.values_list("quantity", flat=True)) == 0
    assert Movement.objects.get(event__corrects=event).portion.on_hand == 0
    assert verify() == []


def test_what_an_ended_making_used_and_made_stays():
    portion = make_stock(quantity=100 * G)
    making = make_transformation()
    used = use(transformation=making, portion=portion, quantity=10 * G)
    make(transformation=making, item=making.item, quantity=9 * G)
    close(transformation=making, made_on=days(0))
    before = books()
    for event in (used, StockEvent.objects.get(kind="made")):
        with pytest.raises(WrongState):
            correct(event=event, why="mistake")
    assert books() == before


def test_every_kind_of_act_can_be_corrected_while_its_stock_is_there():
    lot = portion_in(make(transformation=make_transformation(), item=make_item(), quantity=KG)).lot
    correct(event=StockEvent.objects.get(kind="made"), why="another batch")
    assert not lot.portions.filter(on_hand__gt=0).exists()
    make_stock()
    correct(event=StockEvent.objects.get(kind="opening"), why="it was never here")
    assert verify() == []


@pytest.mark.parametrize("table", [StockEvent, Movement, LotDecision])
def test_the_database_refuses_to_change_or_delete_the_ledger(table):
    discard(portion=make_stock(), quantity=1)
    before = books()
    row = table.objects.first()
    field = {"StockEvent": "why", "Movement": "quantity", "LotDecision": "why"}[table.__name__]
    with pytest.raises(DatabaseError, match="the ledger only grows"), transaction.atomic():
        table.objects.filter(pk=row.pk).update(**{field: 7})
    with pytest.raises(DatabaseError, match="the ledger only grows"), transaction.atomic():
        table.objects.filter(pk=row.pk)._raw_delete("default")
    assert books() == before


def test_what_was_carried_goes_back_as_it_is_now():
    """Opened where it was carried to, it is opened stock back where it came from too."""
    portion = make_stock(make_item(opened_life_days=30), quantity=100 * G)
    there = move(portion=portion, place="bench")
    open_container(portion=there)
    correct(event=StockEvent.objects.get(kind="moved"), why="it never moved")
    portion.refresh_from_db()
    assert (portion.on_hand, portion.opened_on) == (100 * G, days(0))


def test_what_was_carried_does_not_go_back_onto_stock_in_another_condition():
    portion = make_stock(quantity=100 * G)
    move(portion=portion, place="bench", quantity=40 * G)
    open_container(portion=portion)
    before = books()
    with pytest.raises(WrongState) as refusal:
        correct(event=StockEvent.objects.get(kind="moved"), why="it never moved")
    assert refusal.value.code == "other_condition"
    assert books() == before


def test_an_opening_is_taken_back_only_while_what_was_opened_is_there():
    portion = open_container(portion=make_stock(quantity=100 * G))
    move(portion=portion, place="bench")
    before = books()
    with pytest.raises(WrongState) as refusal:
        correct(event=StockEvent.objects.get(kind="opened"), why="the seal is whole")
    assert refusal.value.code == "stock_gone"
    assert books() == before


def test_an_opened_part_goes_back_unopened():
    portion = make_stock(quantity=100 * G)
    open_container(portion=portion, quantity=30 * G)
    correct(event=StockEvent.objects.get(kind="opened"), why="the seal is whole")
    portion.refresh_from_db()
    assert (portion.on_hand, portion.opened_on) == (100 * G, None)


def test_what_a_making_used_is_taken_back_only_by_its_making():
    """A batch keeps its readings: the ledger alone must not take one back."""
    used = use(transformation=make_transformation(), portion=make_stock(), quantity=10 * G)
    before = books()
    with pytest.raises(WrongState) as refusal:
        correct(event=used, why="another jar")
    assert refusal.value.code == "of_a_making"
    assert books() == before
    correct(event=used, why="another jar", by_its_making=True)
    assert verify() == []


@pytest.mark.sqlite  # PostgreSQL has no such statement
@pytest.mark.parametrize(
    ("table", "new_id"), [(StockEvent, False), (Movement, False), (LotDecision, False), (StockEvent, True)]
)
def test_the_database_refuses_to_put_another_row_in_place_of_one(table, new_id):
    """Also under a new id: a stock event's uid is its identity as well."""
    discard(portion=make_stock(), quantity=1)
    before = books()
    name = table._meta.db_table
    columns = [field.column for field in table._meta.fields if field.column != "id"]
    row = f"INSERT OR REPLACE INTO {name} (id, {', '.join(columns)}) SELECT id + %s, {', '.join(columns)} FROM {name}"
    with pytest.raises(DatabaseError, match="the ledger only grows"), transaction.atomic():
        connection.cursor().execute(row, [1000 if new_id else 0])
    assert books() == before


@pytest.mark.parametrize("measure", ["mass", "count"])
def test_the_database_refuses_a_movement_that_belies_the_measure_of_its_item(measure):
    """A trace adds up masses and pieces apart by what movements say."""
    portion = make_stock(make_item("JAR", measure=measure), 10)
    event = StockEvent.objects.create(kind="discarded", happened_at=clock.now())
    with pytest.raises(DatabaseError, match="in pieces where the item"), transaction.atomic():
        Movement.objects.create(event=event, portion=portion, lot=portion.lot, quantity=-1, in_pieces=measure == "mass")
    Movement.objects.create(event=event, portion=portion, lot=portion.lot, quantity=-1, in_pieces=measure == "count")


@pytest.mark.parametrize("kind", ["used", "discarded"])
def test_the_database_refuses_a_movement_that_names_another_making_than_its_event(kind):
    """A trace follows what movements name, so that a wrong one would hide a lot from a recall."""
    portion = make_stock(make_item("OIL"), 10 * G)
    making, other = make_transformation("B1", make_item("BALM")), make_transformation("B2", make_item("CREAM"))
    event = StockEvent.objects.create(
        kind=kind, happened_at=clock.now(), transformation=making if kind == "used" else None
    )
    for wrong in (other, None) if kind == "used" else (other, making):
        with pytest.raises(DatabaseError, match="names the making of its event"), transaction.atomic():
            Movement.objects.create(event=event, portion=portion, lot=portion.lot, quantity=-1, making=wrong)
    Movement.objects.create(
        event=event, portion=portion, lot=portion.lot, quantity=-1, making=making if kind == "used" else None
    )
