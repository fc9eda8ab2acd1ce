"""Forward to everything that contains a lot and who received it; backward to everything it was made from."""

import random
from decimal import Decimal

import pytest
from django.db import connection

from inventory import tracing
from inventory.models import Lot, StockEvent
from inventory.services.correcting import correct
from inventory.services.dispatching import Leaving, dispatch, take_back
from inventory.services.lots import decide
from inventory.services.transforming import close, draw, make, use
from inventory.tracing import affected, lots_reached, trace
from tests.inventory.builders import G, days, make_item, make_party, make_stock, make_transformation, portion_in

pytestmark = pytest.mark.django_db

ITEMS = {"mass": {"kind": "intermediate"}, "count": {"kind": "product", "measure": "count"}}


def made(number, inputs, quantity, measure="mass"):
    """A lot made of so much of each portion, in a making of the same number."""
    making = make_transformation(number, make_item(f"ITEM-{number}", **ITEMS[measure]))
    for portion, used in inputs:
        use(transformation=making, portion=portion, quantity=used)
    lot = make(
        transformation=making,
        item=making.item,
        quantity=quantity,
        number=number,
        expires_on=days(90),
        status="released",
    )
    close(transformation=making, made_on=days(0))
    return portion_in(lot)


@pytest.fixture
def chain():
    """Two raws, two premixes of which one holds both, three fills."""
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    r2 = make_stock(make_item("R2"), 1000 * G, number="R2")
    i1 = made("I1", [(r1, 100 * G)], 100 * G)
    i2 = made("I2", [(r1, 40 * G), (r2, 60 * G)], 90 * G)
    made("F1", [(i1, 50 * G)], 1, "count")
    made("F2", [(i1, 10 * G), (i2, 30 * G)], 2, "count")
    made("F3", [(i2, 30 * G)], 3, "count")


def lot(number: str) -> Lot:
    return Lot.objects.get(number=number)


def reached(number: str, *, forward: bool) -> dict[str, int]:
    return {one.lot: one.depth for one in trace([lot(number)], forward=forward).lots}


def from_origin(number: str, *, forward: bool) -> dict[str, int | None]:
    return {one.lot: one.from_origin for one in trace([lot(number)], forward=forward).lots}


def test_forward_reaches_everything_that_contains_the_lot_and_nothing_else(chain):
    assert reached("R1", forward=True) == {"R1": 0, "I1": 1, "I2": 1, "F1": 2, "F2": 2, "F3": 2}
    assert reached("R2", forward=True) == {"R2": 0, "I2": 1, "F2": 2, "F3": 2}


def test_backward_reaches_everything_the_lot_was_made_from_and_nothing_else(chain):
    assert reached("F1", forward=False) == {"F1": 0, "I1": 1, "R1": 2}
    assert reached("F2", forward=False) == {"F2": 0, "I1": 1, "I2": 1, "R1": 2, "R2": 2}


def test_forward_a_lot_carries_its_share_of_what_went_in_and_losses_are_shared_evenly(chain):
    carried = from_origin("R1", forward=True)
    assert (carried["R1"], carried["I1"], carried["I2"]) == (1000 * G, 100 * G, 36 * G)
    assert (carried["F1"], carried["F2"], carried["F3"]) == (None, None, None)


def test_backward_a_lot_gave_its_share_to_what_was_made_of_it(chain):
    gave = from_origin("F2", forward=False)
    assert (gave["I1"], gave["I2"]) == (10 * G, 30 * G)
    # a third of I2's 90 g: a third of the 40 g and 60 g that went into it
    assert gave["R1"] == 10 * G + round(40 * G / 3)
    assert gave["R2"] == 20 * G


def test_a_share_is_rounded_once_after_many_makings():
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    other = make_stock(make_item("R2"), 1000 * G, number="R2")
    above = r1
    for step in range(1, 6):
        above = made(f"M{step}", [(above, 1000), (other, 2000)], 3000)
    # 3000 mg x (1/3)^5, half up; rounding at every step would give 11 or 13
    assert from_origin("R1", forward=True)["M5"] == 12


def test_a_lot_reached_by_a_short_and_a_long_way_has_the_short_depth_and_both_shares():
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    water = make_stock(make_item("R2"), 1000 * G, number="R2")
    first = made("M1", [(r1, 50 * G), (water, 50 * G)], 100 * G)
    second = made("M2", [(first, 100 * G), (water, 100 * G)], 200 * G)
    made("M3", [(r1, 100 * G), (second, 100 * G)], 200 * G)
    assert reached("R1", forward=True) == {"R1": 0, "M1": 1, "M3": 1, "M2": 2}
    assert from_origin("R1", forward=True)["M3"] == 125 * G
    gave = from_origin("M3", forward=False)
    assert (gave["R1"], gave["R2"]) == (125 * G, 75 * G)


def test_several_origins_are_followed_together(chain):
    both = trace([lot("R1"), lot("R2")], forward=True)
    assert {one.lot: one.from_origin for one in both.lots}["I2"] == 90 * G
    assert both.origins == (lot("R1").pk, lot("R2").pk)


def test_a_corrected_use_is_no_link():
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    making = make_transformation("B1")
    event = use(transformation=making, portion=r1, quantity=10 * G)
    assert len(trace([r1.lot], forward=True).links) == 1
    correct(event=event, why="another jar", by_its_making=True)
    found = trace([r1.lot], forward=True)
    assert (found.links, [one.lot for one in found.lots]) == ((), ["R1"])


def test_a_use_that_is_under_way_is_a_link_to_no_lot_yet():
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    making = make_transformation("B1")
    use(transformation=making, portion=r1, quantity=10 * G)
    use(transformation=making, portion=r1, quantity=5 * G)
    (link,) = trace([r1.lot], forward=True).links
    assert (link.from_lot, link.batch, link.to_lot, link.quantity) == ("R1", "B1", None, 15 * G)


def test_a_bad_day_of_water_reaches_what_it_went_into():
    water = make_item("WATER", drawn=True)
    making = make_transformation("B1")
    draw(transformation=making, item=water, quantity=300 * G)
    make(transformation=making, item=making.item, quantity=290 * G, number="B1")
    day = Lot.objects.get(origin="drawn")
    assert [(one.lot, one.from_origin) for one in trace([day], forward=True).lots] == [
        (day.number, 300 * G),
        ("B1", 290 * G),
    ]


def test_a_trace_says_who_received_what_and_what_is_still_here(chain):
    ann = make_party("ANN")
    f3 = portion_in(lot("F3"))
    sent = dispatch(lines=[Leaving(f3, 2)], customer=ann, reference="parcel 7")
    take_back(dispatch_line=sent.lines.get(), quantity=1, place="returns")
    mistake = dispatch(lines=[Leaving(f3, 1)], public_place="market")
    correct(event=StockEvent.objects.get(dispatch_line=mistake.lines.get()), why="nothing left")
    found = trace([lot("R2")], forward=True)
    assert [(one.lot, one.customer, one.quantity, one.returned) for one in found.departures] == [("F3", "ANN", 2, 1)]
    here = {(one.lot, one.place, one.set_apart): one.quantity for one in found.here}
    assert here[("F3", "returns", True)] == 1
    assert here[("F3", "", False)] == 1
    assert {one.balance.accounted_percent for one in found.lots} == {Decimal("100.00")}


def test_one_decision_holds_everything_that_contains_a_lot(chain):
    bad = affected([lot("R2")])
    assert [one.number for one in bad] == ["R2", "I2", "F2", "F3"]
    held = decide(lots=bad, status="held", why="the supplier recalls it")
    assert len({decision.action_uid for decision in held}) == 1
    assert set(Lot.objects.filter(status="held").values_list("number", flat=True)) == {"R2", "I2", "F2", "F3"}


def test_a_lot_that_nothing_came_to_has_no_percentage():
    portion = make_stock()
    correct(event=StockEvent.objects.get(), why="never here")
    (only,) = trace([portion.lot], forward=True).lots
    assert only.balance.accounted_percent is None


def test_queries_grow_with_the_levels_and_not_with_the_lots(django_assert_num_queries):
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    for total in (2, 10):
        for place in range(total):
            made(f"M{total}-{place}", [(r1, 1 * G)], 1 * G)
        with django_assert_num_queries(9):  # three for each level with makings, one for the last, five for all
            trace([r1.lot], forward=True)


# The set of lots alone


def random_store(seed: int) -> None:
    """Makings of random lots, some closed and some under way, among them uses and whole makings that were corrected."""
    chance = random.Random(seed)
    portions = [make_stock(make_item(f"R{number}"), 1000 * G, number=f"R{number}") for number in range(6)]
    for number in range(25):
        making = make_transformation(f"M{number}", make_item(f"ITEM-M{number}", **ITEMS["mass"]))
        for portion in chance.sample(portions, 3):
            portion.refresh_from_db()
            if portion.on_hand < 4 * G:
                continue
            event = use(transformation=making, portion=portion, quantity=2 * G)
            if chance.random() < 0.3:
                correct(event=event, why="another jar", by_its_making=True)
                if chance.random() < 0.3:
                    use(transformation=making, portion=portion, quantity=1 * G)
        if chance.random() < 0.1:
            continue
        for part in range(chance.choice([1, 1, 2])):
            made_lot = make(
                transformation=making,
                item=making.item,
                quantity=50 * G,
                number=f"M{number}-{part}",
                expires_on=days(90),
                status="released",
            )
            if chance.random() < 0.2:
                correct(event=StockEvent.objects.get(kind="made", movements__lot=made_lot), why="it was spilt")
            else:
                portions.append(portion_in(made_lot))
        close(transformation=making, made_on=days(0))


@pytest.mark.parametrize("seed", range(3))
def test_the_lots_alone_are_those_of_the_trace(seed):
    random_store(seed)
    both = sorted(Lot.objects.values_list("pk", flat=True))
    sizes = set()
    for forward in (True, False):
        for origins in ([pk] for pk in both):
            traced = {one.lot_id for one in trace(Lot.objects.filter(pk__in=origins), forward=forward).lots}
            assert lots_reached(origins, forward) == traced
            assert tracing._reached(set(origins), forward) == traced
            if connection.vendor == "postgresql":
                assert tracing._reached_at_once(set(origins), forward) == traced
            sizes.add(len(traced))
        assert lots_reached(both[:2], forward) == {
            one.lot_id for one in trace(Lot.objects.filter(pk__in=both[:2]), forward=forward).lots
        }
    assert len(sizes) > 4


def test_what_was_corrected_leads_nowhere():
    r1 = make_stock(make_item("R1"), 1000 * G, number="R1")
    making = make_transformation("B1")
    mistake = use(transformation=making, portion=r1, quantity=10 * G)
    made_lot = make(transformation=making, item=making.item, quantity=9 * G, number="B1")
    assert lots_reached([r1.lot_id], True) == {r1.lot_id, made_lot.pk}
    assert lots_reached([made_lot.pk], False) == {r1.lot_id, made_lot.pk}
    correct(event=mistake, why="another jar", by_its_making=True)
    assert lots_reached([r1.lot_id], True) == {r1.lot_id}
    assert lots_reached([made_lot.pk], False) == {made_lot.pk}
    use(transformation=making, portion=r1, quantity=10 * G)
    correct(event=StockEvent.objects.get(kind="made"), why="it was spilt")
    assert lots_reached([r1.lot_id], True) == {r1.lot_id}
    assert lots_reached([made_lot.pk], False) == {made_lot.pk}


def test_no_lots_reach_none():
    assert lots_reached([], True) == set()
    assert affected([]) == []
