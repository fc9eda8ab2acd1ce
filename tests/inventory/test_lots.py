"""Lots come onto the books, are decided on, and their portions move, open and are set apart."""

from datetime import date, timedelta

import pytest

from inventory import clock
from inventory.errors import BadInput, Conflict, Shortage, Unusable, WrongState
from inventory.models import Alert, Demand, Lot, LotDecision, Movement, Party, Portion, Reservation, StockEvent
from inventory.selectors import find_lots, usable_portions
from inventory.services.counting import discard
from inventory.services.dispatching import Leaving, dispatch, reserve_demand, want
from inventory.services.lots import (
    ORIGIN_UNKNOWN,
    OpeningRow,
    decide,
    move,
    open_container,
    open_stock,
    put_back,
    set_apart,
    set_retest,
)
from inventory.services.reserving import Want, free, reserve, reserve_exact
from inventory.services.transforming import make, use
from tests.inventory.builders import (
    KG,
    G,
    books,
    days,
    make_item,
    make_lot,
    make_stock,
    make_transformation,
    portion_in,
)

pytestmark = pytest.mark.django_db


def set_aside(portion: Portion, quantity: int, code: str = ""):
    making = make_transformation(code)
    reserve(wants=[Want(portion.lot.item_id, quantity)], on=days(0), transformation=making)
    return making


# Opening stock


def test_opening_rows_of_one_lot_are_its_portions():
    oil = make_item("OIL")
    lots = open_stock(
        rows=[
            OpeningRow(item=oil, quantity=2 * KG, number="L1", status="released", place="shelf"),
            OpeningRow(item=oil, quantity=300 * G, number="L1", status="released", container="jar", opened_on=days(-3)),
        ]
    )
    assert [lot.number for lot in lots] == ["L1"]
    assert sorted(lots[0].portions.values_list("place", "container", "on_hand")) == [
        ("", "jar", 300 * G),
        ("shelf", "", 2 * KG),
    ]
    assert LotDecision.objects.get().to_status == "released"
    assert set(StockEvent.objects.values_list("kind", flat=True)) == {"opening"}


def test_an_opening_lot_without_a_number_is_given_one_and_says_that_its_origin_is_unknown():
    oil = make_item("OIL")
    rows = [OpeningRow(item=oil, quantity=KG, status="released") for _ in range(2)]
    lots = open_stock(rows=rows)
    today = f"{clock.today():%Y%m%d}"
    assert [(lot.number, lot.note) for lot in lots] == [
        (f"{today}-1", ORIGIN_UNKNOWN),
        (f"{today}-2", ORIGIN_UNKNOWN),
    ]
    assert open_stock(rows=rows[:1])[0].number == f"{today}-3"


@pytest.mark.parametrize(
    ("facts", "error", "field"),
    [
        ({"quantity": 0}, BadInput, "quantity"),
        ({"quantity": 10**12 + 1}, BadInput, "quantity"),
        ({"status": "fine"}, BadInput, "status"),
        ({"received_on": date(2026, 5, 2), "expires_on": date(2026, 5, 1)}, BadInput, "expires_on"),
        ({"received_on": date(2026, 5, 2), "opened_on": date(2026, 5, 1)}, BadInput, "opened_on"),
        ({"supplier": Party(code="SHOP", role="customer")}, BadInput, "supplier"),
        ({"unit_cost_e6": -1}, BadInput, "unit_cost"),
        ({"number": "TAKEN"}, Conflict, "lot"),
        ({"number": "x" * 65}, BadInput, "lot"),
        ({"number": " - "}, BadInput, "lot"),
    ],
)
def test_one_bad_opening_row_keeps_every_row_out(facts, error, field):
    oil = make_item("OIL")
    make_lot(oil, number="TAKEN")
    before = books()
    good = OpeningRow(item=oil, quantity=KG, number="GOOD", status="released")
    with pytest.raises(error) as refusal:
        open_stock(
            rows=[good, OpeningRow(**({"item": oil, "quantity": KG, "number": "BAD", "status": "released"} | facts))]
        )
    assert [fault.field for fault in refusal.value.faults] == [f"rows[1].{field}"]
    assert books() == before


def test_opening_rows_of_one_lot_must_tell_the_same_lot():
    oil = make_item("OIL")
    row = OpeningRow(item=oil, quantity=KG, number="L1", status="released", place="a")
    with pytest.raises(BadInput) as differs:
        open_stock(rows=[row, OpeningRow(item=oil, quantity=KG, number="L1", status="held", place="b")])
    with pytest.raises(BadInput) as twice:
        open_stock(rows=[row, row])
    assert [differs.value.faults[0].field, twice.value.faults[0].field] == ["rows[1].lot", "rows[1].place"]
    assert not Lot.objects.exists()


# Decisions


def test_a_release_makes_the_lot_usable_from_today_and_is_kept_with_its_reason():
    portion = make_stock(status="quarantine", available_on=days(5))
    lot = portion.lot
    assert usable_portions([lot.item_id], days(0)) == {lot.item_id: []}
    (decision,) = decide(lots=[lot], status="released", why="certificate seen")
    assert (decision.from_status, decision.to_status, decision.how) == ("quarantine", "released", "by_decision")
    assert lot.status == "released"
    assert [row.pk for row in usable_portions([lot.item_id], days(0))[lot.item_id]] == [portion.pk]


def test_one_action_holds_many_lots_and_leaves_rejected_ones_rejected():
    fine, bad = make_lot(), make_lot(status="rejected")
    held = decide(lots=[fine, bad], status="held", why="recall")
    assert [decision.lot for decision in held] == [fine]
    bad.refresh_from_db()
    assert bad.status == "rejected"
    assert decide(lots=[fine], status="held", why="again") == []


def test_a_held_lot_is_released_again_only_with_a_reason():
    lot = make_lot(status="held")
    before = books()
    with pytest.raises(BadInput):
        decide(lots=[lot], status="released")
    assert books() == before
    decide(lots=[lot], status="released", why="the count was clean")
    assert Lot.objects.get().released_by == "by_decision"


def test_an_expired_lot_is_not_released():
    lot = make_lot(status="quarantine", expires_on=days(-1))
    before = books()
    with pytest.raises(WrongState):
        decide(lots=[lot], status="released")
    assert books() == before


def test_a_made_lot_without_a_last_day_and_a_trial_are_never_released():
    making = make_transformation()
    undated = make(transformation=making, item=making.item, quantity=KG, number="M1")
    trial = make(transformation=making, item=making.item, quantity=KG, number="M2", expires_on=days(30), trial=True)
    before = books()
    for lot in (undated, trial):
        with pytest.raises(WrongState):
            decide(lots=[lot], status="released", why="please")
    assert books() == before


def test_the_database_itself_refuses_a_released_trial():
    from django.db import IntegrityError, transaction

    lot = make_lot(status="released")
    with pytest.raises(IntegrityError), transaction.atomic():
        Lot.objects.filter(pk=lot.pk).update(trial=True)


def test_a_hold_breaks_reservations_with_an_alert_per_holder_and_a_release_mends_them():
    portion = make_stock(quantity=100 * G, number="L1")
    set_aside(portion, 30 * G, "B1")
    set_aside(portion, 30 * G, "B2")
    decide(lots=[portion.lot], status="held", why="doubt")
    assert Reservation.objects.count() == 2
    assert sorted(Alert.objects.filter(kind="reservation_broken", closed_at=None).values_list("subject")) == [
        ("batch:B1",),
        ("batch:B2",),
    ]
    decide(lots=[portion.lot], status="released", why="all fine")
    assert not Alert.objects.filter(closed_at=None).exists()


def test_an_alert_stays_while_another_reserved_lot_is_still_held():
    one, other = make_stock(quantity=50 * G), make_stock(quantity=50 * G)
    making = make_transformation("B1")
    reserve(wants=[Want(one.lot.item_id, 50 * G), Want(other.lot.item_id, 50 * G)], on=days(0), transformation=making)
    decide(lots=[one.lot, other.lot], status="held", why="doubt")
    decide(lots=[one.lot], status="released", why="fine")
    assert Alert.objects.get(closed_at=None).facts == {"lots": [f"{other.lot.item.code} {other.lot.number}"]}


def order_of_two() -> tuple[Party, list[Portion], list[Demand]]:
    """One customer's order of two items, each set aside."""
    ann = Party.objects.create(code="ANN", name="Ann", role="customer")
    portions = [make_stock(quantity=50 * G), make_stock(quantity=50 * G)]
    demands = [
        want(item=portion.lot.item, quantity=20 * G, due_on=days(3), customer=ann, reference="A-1")
        for portion in portions
    ]
    reserve_exact(rows=[(portion, demand, 20 * G) for portion, demand in zip(portions, demands, strict=True)])
    return ann, portions, demands


def standing_alerts() -> dict[str, dict[str, object]]:
    return dict(Alert.objects.filter(closed_at=None).values_list("subject", "facts"))


def test_an_order_of_several_items_has_an_alert_for_each_that_ends_when_that_one_is_mended_or_has_left():
    ann, (one, other), (first, second) = order_of_two()
    spare = make_stock(one.lot.item, 50 * G)
    decide(lots=[one.lot, other.lot], status="held", why="doubt")
    lots = {
        f"demand:ANN/A-1/{lot.item.code}/{days(3)}": f"{lot.item.code} {lot.number}" for lot in (one.lot, other.lot)
    }
    assert standing_alerts() == {subject: {"lots": [lot]} for subject, lot in lots.items()}
    decide(lots=[other.lot], status="released", why="fine")
    assert [facts["lots"] for facts in standing_alerts().values()] == [[f"{one.lot.item.code} {one.lot.number}"]]
    dispatch(customer=ann, lines=[Leaving(portion=other, quantity=20 * G, demand=second)])
    assert len(standing_alerts()) == 1
    dispatch(customer=ann, lines=[Leaving(portion=spare, quantity=20 * G, demand=first)])
    assert standing_alerts() == {}


def test_what_is_gone_of_an_order_is_told_item_by_item_and_freeing_one_leaves_the_other_told():
    _, portions, (first, second) = order_of_two()
    for portion in portions:
        discard(portion=portion, quantity=50 * G, why="leaked")
    assert [alert["item"] for alert in standing_alerts().values()] == [first.item.code, second.item.code]
    free(demand=first)
    assert [alert["item"] for alert in standing_alerts().values()] == [second.item.code]


def test_an_alert_that_bears_the_orders_name_alone_as_older_ones_do_ends_too():
    _, _, (first, _) = order_of_two()
    Alert.objects.create(kind="reservation_broken", subject="demand:ANN/A-1", message="set aside but not released")
    free(demand=first)
    assert standing_alerts() == {}


def test_an_alert_of_a_demand_ends_when_what_was_bad_is_gone_and_other_stock_is_set_aside():
    bad = make_stock(quantity=50 * G)
    demand = want(item=bad.lot.item, quantity=20 * G, due_on=days(3), reference="A-2")
    reserve_demand(demand=demand)
    decide(lots=[bad.lot], status="rejected", why="it smells")
    discard(portion=bad, quantity=50 * G, why="it smells")
    make_stock(bad.lot.item, 50 * G)
    reserve_demand(demand=demand)
    assert Alert.objects.count() == 2
    assert not Alert.objects.filter(closed_at=None).exists()


def test_a_lot_past_its_retest_day_is_unusable_until_it_is_looked_at_again():
    portion = make_stock(retest_on=days(-1))
    making = make_transformation()
    with pytest.raises(Unusable) as refusal:
        use(transformation=making, portion=portion, quantity=1 * G)
    assert refusal.value.facts["reason"] == "retest"
    set_retest(lot=portion.lot, retest_on=days(90), why="smell and colour as new")
    use(transformation=making, portion=portion, quantity=1 * G)
    assert "smell and colour as new" in LotDecision.objects.order_by("pk").last().why


# Portions


def test_a_moved_part_is_a_portion_there_and_the_lot_keeps_its_number():
    portion = make_stock(quantity=100 * G)
    there = move(portion=portion, place="cold room", quantity=40 * G)
    assert (portion.on_hand, there.on_hand, there.place) == (60 * G, 40 * G, "cold room")
    assert there.lot_id == portion.lot_id
    assert StockEvent.objects.get(kind="moved").movements.count() == 2


def test_to_the_market_and_back_merges_into_the_portion_that_stayed():
    portion = make_stock(make_item("BALM", measure="count", kind="product"), 30)
    stall = move(portion=portion, place="market", quantity=20)
    move(portion=stall, place="", quantity=8)
    assert sorted(Portion.objects.values_list("place", "on_hand")) == [("", 18), ("market", 12)]


def test_reservations_move_along_when_the_whole_portion_moves():
    portion = make_stock(quantity=100 * G)
    making = set_aside(portion, 70 * G)
    there = move(portion=portion, place="bench")
    assert (there.on_hand, there.reserved) == (100 * G, 70 * G)
    assert (portion.on_hand, portion.reserved) == (0, 0)
    assert Reservation.objects.get(transformation=making).portion == there
    assert not Alert.objects.exists()


def test_reservations_stay_when_a_part_moves_and_what_no_longer_fits_is_freed_with_an_alert():
    portion = make_stock(quantity=100 * G)
    making = set_aside(portion, 70 * G, "B1")
    move(portion=portion, place="bench", quantity=30 * G)
    assert (portion.on_hand, portion.reserved) == (70 * G, 70 * G)
    assert not Alert.objects.exists()
    move(portion=portion, place="bench", quantity=20 * G)
    assert (portion.on_hand, portion.reserved) == (50 * G, 50 * G)
    assert Reservation.objects.get(transformation=making).quantity == 50 * G
    assert Alert.objects.get().facts["quantity"] == "20 g"


@pytest.mark.parametrize("quantity", [0, 101 * G, -1])
def test_more_than_is_there_does_not_move(quantity):
    portion = make_stock(quantity=100 * G)
    before = books()
    with pytest.raises((BadInput, Conflict)):
        move(portion=portion, place="bench", quantity=quantity)
    assert books() == before


def test_nothing_moves_to_where_it_is():
    portion = make_stock(place="shelf")
    with pytest.raises(BadInput):
        move(portion=portion, place="shelf")


def test_an_opened_container_counts_its_opened_life_from_that_day():
    portion = make_stock(make_item(opened_life_days=10), expires_on=days(100))
    opened = open_container(portion=portion, opened_on=days(-2))
    assert opened.pk == portion.pk
    assert [row.pk for row in usable_portions([portion.lot.item_id], days(8))[portion.lot.item_id]] == [portion.pk]
    assert usable_portions([portion.lot.item_id], days(9))[portion.lot.item_id] == []
    assert Movement.objects.filter(event__kind="opened").count() == 0
    with pytest.raises(WrongState):
        open_container(portion=opened)


def test_opening_one_of_several_containers_splits_the_portion_and_reservations_stay():
    portion = make_stock(make_item(opened_life_days=10), 5 * KG)
    set_aside(portion, 4 * KG)
    opened = open_container(portion=portion, quantity=1 * KG, container="can 1")
    portion.refresh_from_db()
    assert (portion.on_hand, portion.reserved, portion.opened_on) == (4 * KG, 4 * KG, None)
    assert (opened.on_hand, opened.reserved, opened.opened_on) == (1 * KG, 0, clock.today())


def test_opened_and_closed_stock_do_not_mix_in_one_container():
    portion = make_stock(quantity=5 * KG)
    open_container(portion=portion, quantity=1 * KG, container="can 1")
    before = books()
    with pytest.raises(WrongState):
        move(portion=portion, place="", container="can 1", quantity=1 * KG)
    assert books() == before


def test_an_emptied_container_can_be_filled_and_opened_anew():
    portion = make_stock(quantity=5 * KG)
    can = open_container(portion=portion, quantity=1 * KG, opened_on=days(-9))
    use(transformation=make_transformation(), portion=can, quantity=1 * KG)
    again = open_container(portion=portion, quantity=1 * KG)
    assert (again.pk, again.opened_on, again.on_hand) == (can.pk, clock.today(), 1 * KG)


def test_what_is_set_apart_is_not_used_until_it_is_put_back():
    portion = make_stock(quantity=100 * G)
    set_aside(portion, 90 * G, "B1")
    apart = set_apart(portion=portion, quantity=40 * G, why="cracked jar")
    assert (apart.on_hand, portion.reserved) == (40 * G, 60 * G)
    assert Alert.objects.get().facts["quantity"] == "30 g"
    with pytest.raises(Unusable):
        use(transformation=make_transformation(), portion=apart, quantity=1 * G)
    with pytest.raises(WrongState):
        set_apart(portion=apart)
    back = put_back(portion=apart, why="only the label was torn")
    assert (back.pk, back.on_hand) == (portion.pk, 100 * G)
    with pytest.raises(WrongState):
        put_back(portion=back)


def test_a_lot_is_found_by_any_number_that_stands_on_the_jar():
    oil = make_item("OIL")
    lot = make_lot(oil, number="LAV-2026/01", supplier_lot="ab 77-x", maker_lot="Z9")
    other = make_lot(make_item("WAX"), number="Z-9")
    assert find_lots("lav2026/01") == [lot]
    assert find_lots("AB77X") == [lot]
    assert find_lots("z 9") == [lot, other]
    assert find_lots("z 9", item=oil) == [lot]
    assert find_lots(" - ") == []
    assert find_lots("nothing") == []


def test_a_moment_in_the_future_is_refused():
    portion = make_stock()
    before = books()
    with pytest.raises(BadInput) as refusal:
        move(portion=portion, place="bench", happened_at=clock.now() + timedelta(minutes=1))
    assert [fault.field for fault in refusal.value.faults] == ["happened_at"]
    assert books() == before


def test_opening_many_rows_takes_few_statements(django_assert_max_num_queries):
    items = [make_item() for _ in range(5)]
    rows = [
        OpeningRow(item=items[place % 5], quantity=KG, number=f"N{place}", status="released") for place in range(150)
    ]
    with django_assert_max_num_queries(20):
        open_stock(rows=rows)
    assert portion_in(Lot.objects.get(number="N149")).on_hand == KG


def test_opening_more_than_is_here_is_refused():
    portion = make_stock(quantity=5 * G)
    before = books()
    with pytest.raises(Shortage) as refusal:
        open_container(portion=portion, quantity=5 * G + 1)
    assert refusal.value.code == "not_on_hand"
    assert books() == before


def test_a_portion_read_before_it_was_opened_is_not_opened_twice():
    portion = make_stock()
    read_before = Portion.objects.select_related("lot__item").get(pk=portion.pk)
    open_container(portion=portion)
    before = books()
    with pytest.raises(WrongState) as refusal:
        open_container(portion=read_before)
    assert refusal.value.code == "opened"
    assert books() == before


@pytest.mark.parametrize(
    "act",
    [
        lambda portion: move(portion=portion, place="bench"),
        lambda portion: set_apart(portion=portion, place="shelf"),
    ],
)
def test_a_portion_read_before_it_was_opened_is_carried_as_opened(act):
    portion = make_stock()
    read_before = Portion.objects.select_related("lot__item").get(pk=portion.pk)
    open_container(portion=portion)
    assert act(read_before).opened_on == days(0)


def test_the_day_of_an_opening_is_that_of_its_moment():
    portion = make_stock()
    before = books()
    with pytest.raises(BadInput):
        open_container(portion=portion, opened_on=days(-2), happened_at=clock.now())
    assert books() == before


LONG = "x" * 501


@pytest.mark.parametrize(
    ("act", "field"),
    [
        (lambda portion: move(portion=portion, place=LONG), "place"),
        (lambda portion: move(portion=portion, place="bench", container="a\0b"), "container"),
        (lambda portion: move(portion=portion, place="bench", why=LONG), "why"),
        (lambda portion: decide(lots=[portion.lot], status="held", why=LONG), "why"),
        (lambda portion: set_retest(lot=portion.lot, retest_on=days(30), why=LONG), "why"),
        (lambda portion: make_lot(portion.lot.item, place=LONG), "place"),
        (
            lambda portion: make(
                transformation=make_transformation("B-L"), item=make_item("M"), quantity=1, place=LONG
            ),
            "place",
        ),
    ],
)
def test_a_text_longer_than_is_kept_is_refused_and_named(act, field):
    portion = make_stock()
    lots = Lot.objects.count()
    with pytest.raises(BadInput) as refusal:
        act(portion)
    assert [fault.field for fault in refusal.value.faults] == [field]
    assert (Lot.objects.count(), StockEvent.objects.count(), LotDecision.objects.count()) == (lots, 1, 1)
