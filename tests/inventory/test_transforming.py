"""Lots go into a making, lots come out."""

from datetime import datetime, timedelta

import pytest

from inventory import clock
from inventory.errors import BadInput, Conflict, Shortage, Unusable, WrongState
from inventory.models import Alert, Lot, Portion, Reservation, StockEvent
from inventory.services.lots import decide
from inventory.services.reserving import Want, reserve
from inventory.services.transforming import (
    close,
    draw,
    make,
    open_transformation,
    reopen,
    reschedule,
    use,
)
from tests.inventory.builders import (
    KG,
    G,
    books,
    days,
    make_item,
    make_stock,
    make_transformation,
    portion_in,
)

pytestmark = pytest.mark.django_db


def test_what_is_used_comes_off_the_makings_own_reservation_first():
    portion = make_stock(quantity=100 * G)
    making = make_transformation()
    reserve(wants=[Want(portion.lot.item_id, 60 * G)], on=days(0), transformation=making)
    event = use(transformation=making, portion=portion, quantity=25 * G)
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (75 * G, 35 * G)
    assert (event.kind, event.transformation) == ("used", making)


def test_what_was_weighed_is_gone_though_it_was_set_aside_for_others():
    portion = make_stock(quantity=100 * G)
    other = make_transformation("OTHER")
    reserve(wants=[Want(portion.lot.item_id, 90 * G)], on=days(0), transformation=other)
    use(transformation=make_transformation(), portion=portion, quantity=30 * G)
    assert Reservation.objects.get(transformation=other).quantity == 70 * G
    assert Alert.objects.get().subject == "batch:OTHER"


def test_more_than_the_book_holds_is_asked_about_once_and_then_found():
    portion = make_stock(quantity=100 * G)
    making = make_transformation()
    reserve(wants=[Want(portion.lot.item_id, 100 * G)], on=days(0), transformation=making)
    before = books()
    with pytest.raises(Shortage) as refusal:
        use(transformation=making, portion=portion, quantity=103 * G)
    assert refusal.value.code == "not_on_hand"
    assert books() == before
    use(transformation=making, portion=portion, quantity=103 * G, found=True)
    found = StockEvent.objects.get(kind="counted")
    assert (found.why, found.movements.get().quantity) == ("found at weighing", 3 * G)
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved) == (0, 0)
    assert not Alert.objects.exists()


@pytest.mark.parametrize(
    ("facts", "reason"),
    [
        ({"status": "quarantine"}, "quarantine"),
        ({"status": "held"}, "held"),
        ({"status": "rejected"}, "rejected"),
        ({"expires": -1}, "expired"),
        ({"available": 1}, "not_yet"),
    ],
)
def test_only_unusable_stock_is_refused_with_the_reason(facts, reason):
    facts = {f"{name}_on" if name != "status" else name: value for name, value in facts.items()}
    facts = {name: days(value) if isinstance(value, int) else value for name, value in facts.items()}
    portion = make_stock(**facts)
    making = make_transformation()
    before = books()
    with pytest.raises(Unusable) as refusal:
        use(transformation=making, portion=portion, quantity=1)
    assert refusal.value.facts["reason"] == reason
    assert books() == before


def test_stock_is_used_through_its_last_day():
    portion = make_stock(expires_on=days(0))
    use(transformation=make_transformation(), portion=portion, quantity=1)


def test_a_life_in_hours_is_checked_to_the_minute():
    tea = make_item("TEA", kind="intermediate", shelf_life_hours=24)
    brewed_at = clock.now() - timedelta(hours=30)
    lot = make(
        transformation=make_transformation(),
        item=tea,
        quantity=KG,
        made_at=brewed_at,
        expires_on=clock.day_of(brewed_at),
        status="released",
    )
    portion = portion_in(lot)
    making = make_transformation()
    use(transformation=making, portion=portion, quantity=1, happened_at=brewed_at + timedelta(hours=24))
    before = books()
    with pytest.raises(Unusable):
        use(
            transformation=making,
            portion=portion,
            quantity=1,
            happened_at=brewed_at + timedelta(hours=24, minutes=1),
        )
    assert books() == before


def test_a_capped_life_in_hours_still_ends_on_its_day():
    tea = make_item("TEA", kind="intermediate", shelf_life_hours=96)
    brewed_at = datetime.combine(days(-3), datetime.min.time(), tzinfo=clock.now().tzinfo)
    lot = make(
        transformation=make_transformation(),
        item=tea,
        quantity=KG,
        made_at=brewed_at,
        expires_on=days(-2),
        status="released",
    )
    with pytest.raises(Unusable):
        use(transformation=make_transformation(), portion=portion_in(lot), quantity=1)


def test_water_is_drawn_into_one_lot_a_day():
    water = make_item("WATER", drawn=True)
    making = make_transformation()
    first = draw(transformation=making, item=water, quantity=300 * G)
    second = draw(transformation=make_transformation(), item=water, quantity=200 * G)
    lot = Lot.objects.get()
    assert (lot.number, lot.origin, lot.status) == (f"{clock.today():%Y%m%d}", "drawn", "released")
    assert (first.kind, second.kind) == ("used", "used")
    assert Portion.objects.get().on_hand == 0
    draw(transformation=making, item=water, quantity=1 * G, happened_at=clock.now() - timedelta(days=1))
    assert Lot.objects.count() == 2


def test_water_of_a_held_day_is_not_drawn_and_only_drawn_items_are():
    water = make_item("WATER", drawn=True)
    making = make_transformation()
    draw(transformation=making, item=water, quantity=1 * G)
    decide(lots=list(Lot.objects.all()), status="held", why="the filter broke")
    before = books()
    with pytest.raises(Unusable):
        draw(transformation=making, item=water, quantity=1 * G)
    with pytest.raises(BadInput):
        draw(transformation=making, item=making.item, quantity=1 * G)
    assert books() == before


def test_what_was_made_is_a_lot_with_its_day_and_its_first_decision():
    making = make_transformation("B1")
    lot = make(
        transformation=making,
        item=making.item,
        quantity=950 * G,
        number="B1",
        expires_on=days(60),
        status="released",
        unit_cost_e6=1,
        place="shelf",
    )
    assert (lot.origin, lot.received_on, lot.transformation, lot.released_by) == (
        "made",
        clock.today(),
        making,
        "by_checks",
    )
    assert portion_in(lot).on_hand == 950 * G
    assert lot.decisions.get().to_status == "released"


@pytest.mark.parametrize(
    ("facts", "error"),
    [
        ({"quantity": 0}, BadInput),
        ({"quantity": 10**12 + 1}, BadInput),
        ({"status": "released"}, WrongState),
        ({"number": "TAKEN"}, Conflict),
        ({"late": True}, BadInput),
        ({"early": True}, BadInput),
        ({"trial": True, "status": "released", "expires": True}, WrongState),
    ],
)
def test_what_cannot_have_been_made_is_refused(facts, error):
    making = make_transformation()
    make(transformation=making, item=making.item, quantity=1, number="TAKEN")
    if facts.pop("late", False):
        facts["made_at"] = clock.now() + timedelta(hours=1)
    if facts.pop("early", False):
        facts["expires_on"] = days(-1)
    if facts.pop("expires", False):
        facts["expires_on"] = days(9)
    before = books()
    with pytest.raises(error):
        make(**({"transformation": making, "item": making.item, "quantity": KG, "number": "NEW"} | facts))
    assert books() == before


def test_an_ended_making_keeps_its_losses_and_holds_nothing():
    portion = make_stock(quantity=100 * G)
    making = make_transformation()
    reserve(wants=[Want(portion.lot.item_id, 60 * G)], on=days(0), transformation=making)
    close(transformation=making, made_on=days(0), residue_mg=5, evaporated_mg=6, left_in_vessel_mg=7)
    portion.refresh_from_db()
    assert portion.reserved == 0
    before = books()
    for refused in (
        lambda: use(transformation=making, portion=portion, quantity=1),
        lambda: make(transformation=making, item=making.item, quantity=1),
        lambda: close(transformation=making),
        lambda: reschedule(transformation=making, planned_for=days(1)),
    ):
        with pytest.raises(WrongState):
            refused()
    assert books() == before
    reopen(transformation=making)
    use(transformation=making, portion=portion, quantity=1)
    with pytest.raises(WrongState):
        reopen(transformation=making)


def test_losses_are_not_negative():
    making = make_transformation()
    before = books()
    with pytest.raises(BadInput):
        close(transformation=making, residue_mg=-1)
    assert books() == before


def test_a_batch_number_is_used_once_and_a_day_may_change():
    making = make_transformation("B1")
    with pytest.raises(Conflict):
        open_transformation(code="B1", item=making.item, planned_for=days(0))
    with pytest.raises(BadInput):
        open_transformation(code="", item=making.item, planned_for=days(0))
    assert reschedule(transformation=making, planned_for=days(4)).planned_for == days(4)
