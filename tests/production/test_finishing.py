"""The end of a batch: the lot it becomes, the balance it leaves, and four levels made for real."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db.models import Sum

from inventory import clock, ledger
from inventory.errors import BadInput, Conflict, Shortage, WrongState
from inventory.models import Lot, Portion, Reservation, StockEvent, Transformation
from inventory.services import dispatching, lots
from production.models import Batch, Weighing
from production.services import batches, finishing, weighing
from production.services.finishing import Filling
from production.services.formulas import CheckSpec
from tests.production.builders import books, formula, hours_ago, in_days, item, ph_check, stock

pytestmark = pytest.mark.django_db


def made_of(version, charge, *, trial=False, code=None, readings=None) -> Batch:
    """A started batch with every line weighed as the sheet says, from what is set aside (drawn items drawn)."""
    batch = batches.start(
        batch=batches.plan(version=version, charge=charge, planned_for=in_days(0), trial=trial, code=code)
    )
    for line in batch.lines.select_related("item").order_by("position"):
        if line.item.drawn:
            weighing.draw_water(line=line, quantity=line.required)
            continue
        held = list(
            Reservation.objects.filter(transformation=batch.pk, portion__lot__item=line.item).select_related(
                "portion__lot__item"
            )
        )
        rest = line.required
        for row in held:
            part = rest if row is held[-1] else min(rest, row.quantity)
            rest -= part
            weighing.weigh(line=line, portion=row.portion, quantity=part)
    return batch


def look(batch: Batch, name: str, value: str) -> None:
    weighing.record_check(batch=batch, check=batch.version.checks.get(name=name), value=value)


def refuses(error, act, code: str | None = None):
    before = books()
    with pytest.raises(error) as caught:
        act()
    assert books() == before
    if code is not None:
        assert caught.value.code == code
    return caught.value


def assert_balanced(batch: Batch, made_mg: int) -> None:
    making = Transformation.objects.get(pk=batch.pk)
    weighed = Weighing.objects.filter(line__batch=batch, corrected=False).aggregate(total=Sum("quantity"))["total"]
    assert weighed == made_mg + making.residue_mg + making.evaporated_mg + making.left_in_vessel_mg
    assert ledger.verify() == []


@pytest.fixture
def oil():
    return item("OIL")


@pytest.fixture
def gel():
    return item("GEL", "intermediate", shelf_life_days=100, release_by="checks", release_days=3)


@pytest.fixture
def version(oil, gel):
    return formula("GEL", gel, [(oil, "100")], checks=[ph_check(), CheckSpec("smell", "in_process")])


@pytest.fixture
def weighed(version, oil):
    stock(oil, "10 kg", "OIL-1", unit_cost_e6=8_000_000)
    return made_of(version, 1_000_000, code="B7")


def test_a_finished_batch_becomes_a_lot_with_its_number_and_the_rest_evaporated(weighed):
    lot = finishing.finish(batch=weighed, made=900_000, residue_mg=50_000, left_in_vessel_mg=30_000)
    assert (lot.number, lot.origin, lot.received_on) == ("B7", "made", clock.today())
    assert Portion.objects.get(lot=lot).on_hand == 900_000
    making = Transformation.objects.get(pk=weighed.pk)
    assert (making.evaporated_mg, making.made_on) == (20_000, clock.today())
    assert weighed.status == "finished"
    assert_balanced(weighed, 900_000)


def test_more_out_than_in_is_refused(weighed):
    error = refuses(
        Conflict, lambda: finishing.finish(batch=weighed, made=990_000, residue_mg=10_001), "more_out_than_in"
    )
    assert error.facts == {"weighed_in": "1000 g", "came_out": "1000.001 g"}


def test_nothing_made_is_no_finish(weighed):
    refuses(BadInput, lambda: finishing.finish(batch=weighed, made=0))
    refuses(BadInput, lambda: finishing.finish(batch=weighed, made=1, residue_mg=-1))


def test_a_line_not_weighed_needs_a_reason(version, oil):
    portion = stock(oil, "10 kg", "OIL-1")
    batch = batches.start(batch=batches.plan(version=version, charge=1_000_000, planned_for=in_days(0)))
    weighing.weigh(line=batch.lines.get(), portion=portion, quantity=500_000)
    error = refuses(WrongState, lambda: finishing.finish(batch=batch, made=490_000), "lines_open")
    assert error.facts["lines"] == ["1 OIL"]
    finishing.finish(batch=batch, made=490_000, why="half was enough")
    assert not Reservation.objects.exists()
    assert_balanced(batch, 490_000)


def test_a_batch_into_which_nothing_was_weighed_is_not_finished(version, oil):
    stock(oil, "10 kg", "OIL-1")
    batch = batches.start(batch=batches.plan(version=version, charge=1_000_000, planned_for=in_days(0)))
    refuses(WrongState, lambda: finishing.finish(batch=batch, made=1, why="x"), "nothing_weighed")


def test_a_number_that_the_item_has_is_not_given_again(weighed, gel):
    stock(gel, "1 g", "B7")
    refuses(Conflict, lambda: finishing.finish(batch=weighed, made=900_000), "number_taken")
    assert finishing.finish(batch=weighed, made=900_000, number="B7-2").number == "B7-2"


def test_released_by_checks_when_every_check_passed(weighed):
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    lot = finishing.finish(batch=weighed, made=900_000)
    assert (lot.status, lot.released_by, lot.available_on) == ("released", "by_checks", clock.today())


def test_a_check_not_looked_at_leaves_the_lot_in_quarantine_until_its_release_days_are_over(weighed):
    look(weighed, "pH", "5")
    lot = finishing.finish(batch=weighed, made=900_000)
    assert (lot.status, lot.available_on) == ("quarantine", in_days(3))


def test_a_failed_check_leaves_the_lot_in_quarantine_without_a_day(weighed):
    look(weighed, "smell", "yes")
    look(weighed, "pH", "5")
    look(weighed, "pH", "7")
    lot = finishing.finish(batch=weighed, made=900_000)
    assert (lot.status, lot.available_on) == ("quarantine", None)


def test_an_item_released_by_decision_waits_for_it(oil):
    cream = item("CREAM", "product", release_days=7)
    stock(oil, "1 kg", "OIL-1")
    batch = made_of(formula("CREAM", cream, [(oil, "100")], checks=[ph_check()]), 500_000)
    look(batch, "pH", "5")
    lot = finishing.finish(batch=batch, made=500_000)
    assert (lot.status, lot.available_on) == ("quarantine", in_days(7))


def test_the_life_counts_from_the_making_day(weighed):
    assert finishing.finish(batch=weighed, made=900_000).expires_on == in_days(100)


def test_the_life_ends_with_the_first_input_unless_a_study_stands_behind_it(version, oil, gel):
    stock(oil, "500 g", "OIL-1", expires_on=in_days(40))
    stock(oil, "10 kg", "OIL-2", expires_on=in_days(60))
    assert finishing.finish(batch=made_of(version, 1_000_000), made=900_000).expires_on == in_days(40)
    gel.shelf_life_basis = "study"
    gel.save()
    assert finishing.finish(batch=made_of(version, 1_000_000), made=900_000).expires_on == in_days(100)


def test_an_input_that_does_not_cap_life_leaves_it(oil, gel, version):
    oil.caps_life = False
    oil.save()
    stock(oil, "10 kg", "OIL-1", expires_on=in_days(40))
    assert finishing.finish(batch=made_of(version, 1_000_000), made=900_000).expires_on == in_days(100)


def test_what_caps_a_life_does_so_through_a_preparation_without_a_basis_of_its_own(oil, gel):
    herb, cream = item("HERB"), item("CREAM", "intermediate", shelf_life_days=300)
    stock(herb, "1 kg", "HERB-1", expires_on=in_days(50))
    stock(oil, "1 kg", "OIL-1")
    first = finishing.finish(batch=made_of(formula("GEL", gel, [(herb, "10"), (oil, "90")]), 100_000), made=90_000)
    assert first.expires_on == in_days(50)
    lots.decide(lots=[first], status="released", why="looks right", who=None)
    cream_version = formula("CREAM", cream, [(gel, "50"), (oil, "50")])
    assert finishing.finish(batch=made_of(cream_version, 100_000), made=90_000).expires_on == in_days(50)


def test_no_life_known_gives_no_date_and_no_release(oil):
    base = item("BASE", "intermediate", shelf_life_days=None, release_by="checks")
    stock(oil, "1 kg", "OIL-1", expires_on=in_days(40))
    batch = made_of(formula("BASE", base, [(oil, "100")], checks=[ph_check()]), 100_000)
    look(batch, "pH", "5")
    lot = finishing.finish(batch=batch, made=90_000)
    assert (lot.expires_on, lot.status, lot.available_on) == (None, "quarantine", None)
    refuses(WrongState, lambda: lots.decide(lots=[lot], status="released", why="please", who=None))


def test_the_cost_is_that_of_the_inputs_spread_over_what_came_out(oil, gel):
    water = item("WATER", drawn=True)
    stock(oil, "1 kg", "OIL-1", unit_cost_e6=10_000_000)
    half = formula("GEL", gel, [(oil, "50"), (water, "50")])
    assert finishing.finish(batch=made_of(half, 100_000), made=80_000).unit_cost_e6 == 6_250_000
    Lot.objects.filter(number="OIL-1").update(unit_cost_e6=None)
    assert finishing.finish(batch=made_of(half, 100_000), made=80_000).unit_cost_e6 is None


def test_a_trial_is_never_released_or_dispatched(oil):
    cream = item("CREAM", "product", release_by="checks")
    stock(oil, "1 kg", "OIL-1")
    draft = formula("CREAM", cream, [(oil, "100")], checks=[ph_check()], approve=False)
    batch = made_of(draft, 100_000, trial=True)
    look(batch, "pH", "5")
    lot = finishing.finish(batch=batch, made=90_000)
    assert (lot.status, lot.trial, lot.available_on) == ("quarantine", True, None)
    refuses(WrongState, lambda: lots.decide(lots=[lot], status="released", why="it is lovely", who=None))
    portion = Portion.objects.select_related("lot__item").get(lot=lot)
    leaving = [dispatching.Leaving(portion=portion, quantity=1_000)]
    with pytest.raises(Conflict):
        dispatching.dispatch(lines=leaving, public_place="market", who=None)


def test_an_abandoned_mix_becomes_a_rejected_lot_and_what_was_weighed_stays_used(weighed):
    refuses(BadInput, lambda: finishing.abandon(batch=weighed, why="", waste_mg=1))
    refuses(BadInput, lambda: finishing.abandon(batch=weighed, why="it split"))
    lot = finishing.abandon(batch=weighed, why="it split", rejected=950_000, left_in_vessel_mg=20_000)
    assert (lot.status, weighed.status, weighed.ended_why) == ("rejected", "abandoned", "it split")
    assert Portion.objects.get(lot__number="OIL-1").on_hand == 9_000_000
    assert_balanced(weighed, 950_000)
    refuses(WrongState, lambda: finishing.finish(batch=weighed, made=1))


def test_an_abandoned_mix_thrown_away_is_waste_with_its_weight(weighed):
    refuses(Conflict, lambda: finishing.abandon(batch=weighed, why="it split", waste_mg=1_000_001))
    assert finishing.abandon(batch=weighed, why="it split", waste_mg=980_000) is None
    making = Transformation.objects.get(pk=weighed.pk)
    assert (making.residue_mg, making.evaporated_mg) == (980_000, 20_000)
    assert_balanced(weighed, 0)


def test_before_the_first_weighing_a_batch_is_not_abandoned(version, oil):
    stock(oil, "10 kg", "OIL-1")
    batch = batches.start(batch=batches.plan(version=version, charge=1_000_000, planned_for=in_days(0)))
    refuses(WrongState, lambda: finishing.abandon(batch=batch, why="x", waste_mg=1), "nothing_weighed")


def test_a_batch_ended_wrongly_is_opened_again_and_its_lot_taken_back(weighed):
    wrong = finishing.finish(batch=weighed, made=90_000)
    refuses(BadInput, lambda: finishing.reopen(batch=weighed, why=""))
    finishing.reopen(batch=weighed, why="a nought was missing")
    wrong.refresh_from_db()
    assert (weighed.status, wrong.status, Portion.objects.get(lot=wrong).on_hand) == ("started", "rejected", 0)
    right = finishing.finish(batch=weighed, made=900_000)
    assert right.number == "B7-2"
    assert_balanced(weighed, 900_000)


def test_a_batch_whose_lot_was_used_is_not_opened_again(weighed, gel):
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    lot = finishing.finish(batch=weighed, made=900_000)
    made_of(formula("NEXT", item("NEXT", "intermediate"), [(gel, "100")]), 100_000)
    refuses(WrongState, lambda: finishing.reopen(batch=weighed, why="a nought too many"))
    assert Portion.objects.get(lot=lot).on_hand == 800_000


@pytest.fixture
def packed():
    return item("GEL-50", "product", "count", shelf_life_days=200)


@pytest.fixture
def jar():
    return item("JAR", "packaging", "count")


@pytest.fixture
def filling(gel, jar, packed):
    box = item("BOX", "packaging", "count")
    stock(jar, "100 pc", "JAR-1")
    stock(box, "10 pc", "BOX-1")
    return formula("GEL-50", packed, [(gel, "50 g"), (jar, "1 pc"), (box, "1 pc / 12")], basis="per_unit")


def test_a_packed_unit_counts_from_its_bulks_making_day(gel, filling):
    stock(gel, "2 kg", "OLD", received_on=in_days(-30), expires_on=in_days(70))
    lot = finishing.finish(batch=made_of(filling, 20), made=20)
    assert lot.expires_on == in_days(170)


def test_a_unit_whose_bulk_is_too_old_is_not_finished_but_abandoned(gel, filling, packed):
    stock(gel, "2 kg", "OLD", received_on=in_days(-300), expires_on=in_days(70))
    batch = made_of(filling, 20)
    refuses(WrongState, lambda: finishing.finish(batch=batch, made=20), "past_its_life")
    finishing.abandon(batch=batch, why="too old", rejected=20)
    assert ledger.verify() == []


def test_fewer_units_or_more_may_come_out_but_not_more_than_the_jars(gel, filling, jar):
    stock(gel, "5 kg", "G1", received_on=in_days(0), expires_on=in_days(70))
    assert Portion.objects.get(lot=finishing.finish(batch=made_of(filling, 20), made=18).pk).on_hand == 18
    batch = made_of(filling, 20)
    refuses(Conflict, lambda: finishing.finish(batch=batch, made=21), "more_out_than_in")
    jars = Portion.objects.select_related("lot__item").get(lot__number="JAR-1")
    weighing.weigh(line=batch.lines.get(item=jar), portion=jars, quantity=1, why="the bulk gave one more")
    assert Portion.objects.get(lot=finishing.finish(batch=batch, made=21).pk).on_hand == 21


def test_a_bulk_released_by_its_checks_is_filled_from_the_same_pot_in_one_act(weighed, filling, gel):
    stock(gel, "5 kg", "OTHER", received_on=in_days(-5), expires_on=in_days(20))
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    bulk, packed = finishing.make_and_fill(
        batch=weighed, made=960_000, left_in_vessel_mg=40_000, filling=Filling(filling, 19, made=19, code="F1")
    )
    assert Portion.objects.get(lot=bulk).on_hand == 10_000
    assert Portion.objects.get(lot=packed).on_hand == 19
    assert Portion.objects.get(lot__number="OTHER").reserved == 0
    assert packed.expires_on == in_days(200)
    assert Batch.objects.get(transformation__code="F1").status == "finished"
    assert ledger.verify() == []


def test_a_bulk_that_waits_for_its_release_is_not_filled_and_nothing_is_finished(weighed, filling):
    look(weighed, "pH", "5")
    refuses(
        Conflict,
        lambda: finishing.make_and_fill(batch=weighed, made=960_000, filling=Filling(filling, 19)),
        "bulk_not_released",
    )


def test_more_units_than_the_pot_holds_are_refused_as_a_whole(weighed, filling):
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    refuses(Shortage, lambda: finishing.make_and_fill(batch=weighed, made=960_000, filling=Filling(filling, 20)))


def test_four_levels_made_for_real_balance_at_each(gel):
    herb, oil, wax = item("HERB"), item("SUN-OIL", density_g_per_ml=Decimal("0.92")), item("WAX")
    water = item("WATER", drawn=True)
    jar = item("JAR", "packaging", "count")
    preparation = {"release_by": "checks", "shelf_life_days": 180}
    infusion = item("INFUSION", "intermediate", **preparation)
    premix = item("PREMIX", "intermediate", **preparation)
    bulk = item("BULK", "intermediate", **preparation)
    unit = item("UNIT", "product", "count", shelf_life_days=365)
    for of, quantity in ((herb, "1 kg"), (oil, "5 kg"), (wax, "1 kg"), (jar, "50 pc")):
        stock(of, quantity, of.code + "-1", expires_on=in_days(400))
    checks = [CheckSpec("smell", "release", expected="yes")]
    strained = formula("INF", infusion, [(herb, "10"), (oil, "90")], yield_percent=800_000, checks=checks)
    mixed = formula("PRE", premix, [(infusion, "60"), (wax, "qs")], checks=checks)
    whole = formula("BULK", bulk, [(premix, "33.3333"), (water, "qs")], loss_mg=20_000, checks=checks)
    filled = formula("UNIT", unit, [(bulk, "50 g"), (jar, "1 pc")], basis="per_unit", checks=checks)

    def make(version, charge, made, **losses):
        batch = made_of(version, charge)
        look(batch, "smell", "yes")
        lot = finishing.finish(batch=batch, made=made, **losses)
        if version.basis == "percent":
            assert_balanced(batch, made)
        return lot

    make(strained, 1_000_000, 790_000, residue_mg=195_000, left_in_vessel_mg=10_000)
    make(mixed, 1_000_000, 985_000, left_in_vessel_mg=12_345)
    poured = make(whole, 2_345_678, 2_300_001, left_in_vessel_mg=20_001)
    packed = make(filled, 40, 40)
    assert packed.expires_on == poured.received_on + timedelta(days=365)
    assert packed.status == "quarantine"
    assert Portion.objects.get(lot=poured).on_hand == 300_001
    assert ledger.verify() == []


@pytest.mark.parametrize("mass", [-1, 1.5, True, "5", None, float("nan"), 10**12 + 1])
def test_a_mass_that_is_none_is_refused_at_the_end(weighed, mass):
    for act in (
        lambda: finishing.finish(batch=weighed, made=1000, residue_mg=mass),
        lambda: finishing.finish(batch=weighed, made=1000, left_in_vessel_mg=mass),
        lambda: finishing.abandon(batch=weighed, why="it split", waste_mg=mass),
    ):
        refuses(BadInput, act)


@pytest.mark.parametrize("status", ["held", "rejected"])
def test_what_is_made_of_a_lot_held_meanwhile_is_held_too(weighed, status):
    """A recall while the batch stands on the bench: its checks alone must not release what it becomes."""
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    lots.decide(lots=[Lot.objects.get(item__code="OIL")], status=status, why="recall")
    made = finishing.finish(batch=weighed, made=1000, why="some")
    assert (made.status, made.available_on) == ("held", None)


def test_what_is_made_of_a_lot_back_in_quarantine_is_not_released_by_checks(weighed):
    look(weighed, "pH", "5")
    look(weighed, "smell", "yes")
    lots.decide(lots=[Lot.objects.get(item__code="OIL")], status="quarantine", why="look again")
    assert finishing.finish(batch=weighed, made=1000, why="some").status == "quarantine"


def test_a_filling_recorded_late_happened_when_its_bulk_was_made(oil, gel, version):
    """From the same pot in one go: the units bear that day too, and the jars are judged by it."""
    jar = item("JAR", "packaging", "count")
    tub = item("TUB", "product", "count", shelf_life_days=90)
    stock(oil, "1 kg", "OIL-1")
    stock(jar, "100 pc", "JAR-1", expires_on=in_days(-1))
    filling = formula("TUB", tub, [(gel, "10 g"), (jar, "1 pc")], basis="per_unit")
    batch = batches.plan(version=version, charge=100_000, planned_for=in_days(-2), code="B1")
    batches.start(batch=batch, happened_at=hours_ago(50))
    weighing.weigh(
        line=batch.lines.get(), portion=Reservation.objects.get().portion, quantity=100_000, happened_at=hours_ago(49)
    )
    look(batch, "pH", "5")
    look(batch, "smell", "yes")
    moment = hours_ago(48)
    bulk, packed = finishing.make_and_fill(
        batch=batch, made=100_000, made_at=moment, filling=Filling(version=filling, units=10)
    )
    assert (bulk.made_at, packed.made_at) == (moment, moment)
    events = StockEvent.objects.filter(transformation__code=packed.transformation.code)
    assert set(events.values_list("happened_at", flat=True)) == {moment}
    assert ledger.verify() == []


def test_an_abandoned_mix_keeps_no_longer_than_what_is_in_it(version, oil):
    """So that nobody who releases it after all gives it a life that its oil does not have."""
    stock(oil, "1 kg", "OIL-1", expires_on=in_days(10))
    batch = made_of(version, 100_000)
    lot = finishing.abandon(batch=batch, why="it split", rejected=90_000)
    assert lot is not None
    assert (lot.status, lot.expires_on) == ("rejected", in_days(10))
