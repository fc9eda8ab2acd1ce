"""Batches on their way: planned, set aside for, started, weighed, and every refusal leaves the books as they were."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import clock
from inventory.errors import BadInput, Conflict, Shortage, Unusable, WrongState
from inventory.models import Alert, Lot, Portion, Reservation, StockEvent
from inventory.services import reserving
from production.models import Batch, Step, Weighing
from production.services import batches, formulas, weighing
from production.services.formulas import CheckSpec, LineSpec, SubstituteSpec
from tests.production.builders import books, formula, hours_ago, in_days, item, ph_check, stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def water():
    return item("WATER", drawn=True)


@pytest.fixture
def oil():
    return item("OIL", min_remaining_days=0)


@pytest.fixture
def acid():
    return item("ACID", max_percent="1", caution="Goggles and gloves.")


@pytest.fixture
def gel():
    return item("GEL", "intermediate")


@pytest.fixture
def version(water, oil, acid, gel):
    lines = [(water, "qs"), (oil, "20"), (acid, "1")]
    return formula("GEL", gel, lines, checks=[ph_check()], step_texts=("Stir.",))


@pytest.fixture
def oil_here(oil):
    return stock(oil, "1 kg", "OIL-1")


@pytest.fixture
def acid_here(acid):
    return stock(acid, "100 g", "ACID-1")


@pytest.fixture
def batch(version):
    return batches.plan(version=version, charge=1_000_000, planned_for=in_days(0), code="B1")


@pytest.fixture
def started(batch, oil_here, acid_here):
    return batches.start(batch=batch)


def line_of(batch: Batch, position: int):
    return batch.lines.get(position=position)


def refuses(error, act, code: str | None = None):
    before = books()
    with pytest.raises(error) as caught:
        act()
    assert books() == before
    if code is not None:
        assert caught.value.code == code
    return caught.value


def test_a_planned_batch_has_a_proposed_number_and_its_charge_as_size(version):
    batch = batches.plan(version=version, charge=500_000, planned_for=in_days(3))
    assert (batch.status, batch.charge) == ("planned", 500_000)
    assert batch.transformation.code.startswith("B")
    assert batch.transformation.planned_for == in_days(3)


def test_a_number_is_not_given_twice(batch, version):
    refuses(Conflict, lambda: batches.plan(version=version, charge=1, planned_for=in_days(0), code="B1"))


def test_a_draft_is_only_made_as_a_trial_and_a_retired_version_not_at_all(version, oil, gel):
    draft = formula("GEL", gel, [(oil, "100")], approve=False)
    refuses(
        WrongState, lambda: batches.plan(version=draft, charge=1000, planned_for=in_days(0)), "version_not_approved"
    )
    assert batches.plan(version=draft, charge=1000, planned_for=in_days(0), trial=True).trial
    formulas.approve(version=draft)
    version.refresh_from_db()
    refuses(WrongState, lambda: batches.plan(version=version, charge=1000, planned_for=in_days(0)), "version_retired")


def test_a_draft_that_cannot_be_made_is_no_trial_either(oil, gel):
    draft = formula("GEL", gel, [(oil, "90")], approve=False)
    refuses(
        WrongState,
        lambda: batches.plan(version=draft, charge=1000, planned_for=in_days(0), trial=True),
        "version_not_makeable",
    )


def test_a_version_used_by_a_trial_is_never_edited(oil, gel):
    draft = formula("GEL", gel, [(oil, "100")], approve=False)
    batches.plan(version=draft, charge=1000, planned_for=in_days(0), trial=True)
    with pytest.raises(WrongState, match="was used"):
        formula("GEL", gel, [(oil, "qs")], approve=False, version=1)


def test_a_batch_of_which_nothing_would_come_out_is_refused(oil, gel):
    lossy = formula("GEL", gel, [(oil, "100")], loss_mg=20_000)
    refuses(BadInput, lambda: batches.plan(version=lossy, charge=20_000, planned_for=in_days(0)), "no_output")
    refuses(BadInput, lambda: batches.plan(version=lossy, charge=0, planned_for=in_days(0)))


def test_reserving_takes_every_line_or_none(batch, oil_here, acid):
    error = refuses(Shortage, lambda: batches.reserve(batch=batch))
    assert error.facts["shortages"] == [{"item": "ACID", "position": 3, "wanted": "10 g", "free": "0 g"}]
    stock(acid, "10 g", "ACID-1")
    taken = batches.reserve(batch=batch)
    assert [(one.position, one.quantity) for one in taken] == [(2, 200_000), (3, 10_000)]
    assert batch.status == "reserved"


def test_reserving_again_sets_aside_anew_and_not_twice(batch, oil_here, acid_here):
    batches.reserve(batch=batch)
    batches.reserve(batch=batch)
    oil_here.refresh_from_db()
    assert oil_here.reserved == 200_000


def test_what_expires_before_the_planned_day_is_not_set_aside(version, oil, acid_here):
    stock(oil, "1 kg", "EARLY", expires_on=in_days(4))
    batch = batches.plan(version=version, charge=1_000_000, planned_for=in_days(5))
    refuses(Shortage, lambda: batches.reserve(batch=batch))


def test_another_size_or_day_frees_what_was_set_aside(batch, oil_here, acid_here):
    batches.reserve(batch=batch)
    batches.change_plan(batch=batch, priority=1)
    assert batch.status == "reserved"
    batches.change_plan(batch=batch, charge=2_000_000, planned_for=in_days(2))
    batch.refresh_from_db()
    assert (batch.status, batch.charge, batch.transformation.planned_for) == ("planned", 2_000_000, in_days(2))
    assert not Reservation.objects.exists()


def test_unreserving_frees_everything(batch, oil_here, acid_here):
    batches.reserve(batch=batch)
    batches.unreserve(batch=batch)
    assert batch.status == "planned"
    assert not Reservation.objects.exists()
    refuses(WrongState, lambda: batches.unreserve(batch=batch))


def test_starting_sets_aside_what_is_not_yet_and_writes_the_sheet(batch, oil_here, acid_here):
    batches.start(batch=batch)
    assert batch.status == "started"
    rows = list(batch.lines.order_by("position").values_list("item__code", "required", "tolerance", "done"))
    assert rows == [
        ("WATER", 790_000, 7_900, False),
        ("OIL", 200_000, 2_000, False),
        ("ACID", 10_000, 500, False),
    ]
    assert Reservation.objects.count() == 2


def test_a_start_with_something_missing_or_not_released_is_refused(batch, oil_here, acid):
    stock(acid, "100 g", "ACID-Q", status="quarantine")
    error = refuses(Shortage, lambda: batches.start(batch=batch))
    assert error.facts["shortages"][0]["item"] == "ACID"


def test_a_start_with_a_reserved_lot_held_meanwhile_takes_another_or_is_refused(batch, oil, oil_here, acid_here):
    batches.reserve(batch=batch)
    Lot.objects.filter(pk=oil_here.lot_id).update(status="held")
    refuses(Shortage, lambda: batches.start(batch=batch))
    other = stock(oil, "200 g", "OIL-2")
    batches.start(batch=batch)
    other.refresh_from_db()
    assert other.reserved == 200_000


def test_a_batch_whose_version_was_retired_meanwhile_does_not_start(batch, version, oil_here, acid_here):
    formulas.retire(version=version)
    refuses(WrongState, lambda: batches.start(batch=batch), "version_retired")


def test_a_line_is_done_once_its_total_is_within_tolerance(started, oil_here):
    line = line_of(started, 2)
    weighing.weigh(line=line, portion=oil_here, quantity=150_000)
    assert not line.done
    weighing.weigh(line=line, portion=oil_here, quantity=48_000)
    line.refresh_from_db()
    assert line.done
    oil_here.refresh_from_db()
    assert (oil_here.on_hand, oil_here.reserved) == (802_000, 2_000)


def test_outside_tolerance_needs_a_reason(started, oil_here):
    line = line_of(started, 2)
    error = refuses(BadInput, lambda: weighing.weigh(line=line, portion=oil_here, quantity=202_001), "reason_needed")
    assert "outside tolerance" in error.facts["reasons"][0]
    refuses(
        BadInput,
        lambda: weighing.weigh(line=line, portion=oil_here, quantity=197_999, done=True),
        "reason_needed",
    )
    weighing.weigh(line=line, portion=oil_here, quantity=202_001, why="the spoon slipped")
    assert line.weighings.get().why == "the spoon slipped"


def test_another_lot_than_set_aside_needs_a_reason(started, oil):
    other = stock(oil, "1 kg", "OIL-2")
    line = line_of(started, 2)
    error = refuses(BadInput, lambda: weighing.weigh(line=line, portion=other, quantity=200_000), "reason_needed")
    assert "OIL-2" in error.facts["reasons"][0]
    weighing.weigh(line=line, portion=other, quantity=200_000, why="nearer to hand")
    assert line.weighings.get().lot.number == "OIL-2"


def test_only_the_lines_item_or_its_substitute_goes_into_a_line(started, acid_here):
    refuses(BadInput, lambda: weighing.weigh(line=line_of(started, 2), portion=acid_here, quantity=1_000), "wrong_item")


def test_a_substitute_counts_by_its_ratio_and_needs_a_reason(oil, gel):
    other = item("OTHER-OIL")
    line_spec = LineSpec(oil, "100", substitutes=[SubstituteSpec(other, Decimal("1.25"))])
    version = formula("GEL", gel, [line_spec])
    stock(oil, "1 kg", "OIL-1")
    here = stock(other, "2 kg", "OTHER-1")
    batch = batches.start(batch=batches.plan(version=version, charge=1_000_000, planned_for=in_days(0)))
    line = line_of(batch, 1)
    refuses(BadInput, lambda: weighing.weigh(line=line, portion=here, quantity=1_250_000), "reason_needed")
    weighing.weigh(line=line, portion=here, quantity=1_250_000, why="the usual oil smelled")
    line.refresh_from_db()
    assert line.done


def test_a_second_lot_on_a_single_lot_line_needs_a_reason(oil, gel):
    version = formula("GEL", gel, [LineSpec(oil, "100", single_lot=True)])
    first, second = stock(oil, "100 g", "OIL-1"), stock(oil, "50 g", "OIL-2")
    batch = batches.start(batch=batches.plan(version=version, charge=100_000, planned_for=in_days(0)))
    line = line_of(batch, 1)
    weighing.weigh(line=line, portion=first, quantity=90_000)
    Reservation.objects.all().delete()
    Portion.objects.update(reserved=0)
    error = refuses(BadInput, lambda: weighing.weigh(line=line, portion=second, quantity=10_000), "reason_needed")
    assert error.facts["reasons"] == ["line 1 is to come from a single lot"]
    weighing.weigh(line=line, portion=second, quantity=10_000, why="the first was empty")


def test_more_than_the_book_holds_asks_once_then_is_counted_and_used(started, acid_here, acid):
    Portion.objects.filter(pk=acid_here.pk).update(reserved=0)
    Reservation.objects.filter(portion=acid_here).delete()
    line = line_of(started, 3)
    error = refuses(
        Shortage,
        lambda: weighing.weigh(line=line, portion=acid_here, quantity=100_500, why="all of it"),
        "not_on_hand",
    )
    assert error.facts["shortages"][0]["free"] == "100 g"
    weighing.weigh(line=line, portion=acid_here, quantity=100_500, why="all of it", found=True)
    kinds = list(StockEvent.objects.order_by("-pk").values_list("kind", flat=True)[:2])
    assert kinds == ["used", "counted"]
    acid_here.refresh_from_db()
    assert acid_here.on_hand == 0


def test_what_is_weighed_of_others_reservations_frees_them_with_an_alert(started, version, oil, oil_here):
    other = batches.plan(version=version, charge=4_000_000, planned_for=in_days(9), code="LATER")
    reserving.reserve_exact(rows=[(oil_here, other.transformation, 800_000)])
    weighing.weigh(line=line_of(started, 2), portion=oil_here, quantity=300_000, why="poured too much")
    assert Reservation.objects.get(transformation=other.pk).quantity == 700_000
    assert Alert.objects.get(kind="reservation_freed").subject == "batch:LATER"


def test_unusable_stock_is_refused_whatever_the_reason(started, oil_here):
    Lot.objects.filter(pk=oil_here.lot_id).update(status="rejected")
    refuses(Unusable, lambda: weighing.weigh(line=line_of(started, 2), portion=oil_here, quantity=200_000, why="must"))


def test_a_life_in_hours_is_checked_to_the_minute_at_weighing(gel):
    infusion = item("INFUSION", "intermediate", shelf_life_days=None, shelf_life_hours=24)
    version = formula("GEL", gel, [(infusion, "100")])
    made_at = hours_ago(23.9)
    here = stock(infusion, "100 g", "I1", received_on=clock.day_of(made_at), made_at=made_at)
    stock(infusion, "500 g", "I2", received_on=clock.today(), made_at=clock.now())
    batch = batches.start(batch=batches.plan(version=version, charge=100_000, planned_for=in_days(0)))
    line = line_of(batch, 1)
    weighing.weigh(line=line, portion=here, quantity=10_000, why="still good")
    Lot.objects.filter(pk=here.lot_id).update(made_at=made_at - timedelta(minutes=8))
    error = refuses(Unusable, lambda: weighing.weigh(line=line, portion=here, quantity=10_000, why="still good"))
    assert error.facts["reason"] == "expired"


def test_drawn_water_opens_and_continues_the_days_lot(started):
    line = line_of(started, 1)
    weighing.draw_water(line=line, quantity=400_000)
    weighing.draw_water(line=line, quantity=390_000)
    lot = Lot.objects.get(item__code="WATER")
    assert lot.number == f"{clock.today():%Y%m%d}"
    assert {row.lot_id for row in line.weighings.all()} == {lot.pk}
    line.refresh_from_db()
    assert line.done


def test_an_addition_is_a_line_of_its_own_with_a_reason_and_tells_its_caution(started, acid, acid_here):
    refuses(BadInput, lambda: weighing.add(batch=started, item=acid, portion=acid_here, quantity=500, why=" "))
    added = weighing.add(batch=started, item=acid, portion=acid_here, quantity=500, why="pH 6.1, down to 5")
    assert added.caution == "Goggles and gloves."
    line = added.weighing.line
    assert (line.position, line.is_addition, line.required, line.done) == (4, True, 0, True)


def test_water_made_up_to_weight_is_drawn_as_an_addition(started, water):
    added = weighing.add(batch=started, item=water, quantity=12_000, why="made up to weight")
    assert added.weighing.lot.origin == "drawn"


def test_an_addition_over_the_use_limit_is_written_down_and_told(started, acid, acid_here):
    """The limit is on all of the item that went in: 1 % of 1000 g; what was taken back does not count."""
    weighing.add(batch=started, item=acid, portion=acid_here, quantity=9_000, why="pH 6.1, down to 5")
    wrong = weighing.add(batch=started, item=acid, portion=acid_here, quantity=5_000, why="pH 5.6")
    assert "14 g of ACID went in, 1.4 % of the batch: over its use limit of 1 %" in wrong.caution
    assert "qualified safety assessor" in wrong.caution
    weighing.correct_weighing(weighing=wrong.weighing, why="read 5 for 0.5")
    right = weighing.add(batch=started, item=acid, portion=acid_here, quantity=1_000, why="pH 5.6")
    assert right.caution == "Goggles and gloves."
    over = weighing.add(batch=started, item=acid, portion=acid_here, quantity=1, why="a drop more")
    assert "10.001 g of ACID went in, 1.0001 % of the batch" in over.caution


def test_far_more_than_the_batch_holds_is_told(started, water):
    assert weighing.add(batch=started, item=water, quantity=1_050_000, why="made up to weight").caution == ""
    added = weighing.add(batch=started, item=water, quantity=1_000, why="made up to weight")
    assert added.caution.startswith("1051 g went in in all, and the batch's size is 1000 g")


def test_a_supply_or_pieces_are_no_addition_to_a_percent_batch(started):
    gloves, jar = item("GLOVES", "supply", "count"), item("JAR", "packaging", "count")
    for wrong in (gloves, jar):
        portion = stock(wrong, "10 pc")
        refuses(
            BadInput,
            lambda: weighing.add(batch=started, item=wrong, portion=portion, quantity=1, why="x"),  # noqa: B023
        )


def test_a_wrong_reading_is_corrected_by_an_opposite_event_and_the_line_is_open_again(started, oil_here):
    line = line_of(started, 2)
    wrong = weighing.weigh(line=line, portion=oil_here, quantity=200_000)
    event = weighing.correct_weighing(weighing=wrong, why="read the wrong scale")
    assert (event.kind, event.corrects_id) == ("corrected", wrong.event_id)
    line.refresh_from_db()
    oil_here.refresh_from_db()
    assert not line.done
    assert (oil_here.on_hand, oil_here.reserved) == (1_000_000, 200_000)
    refuses(WrongState, lambda: weighing.correct_weighing(weighing=wrong, why="again"))
    weighing.weigh(line=line, portion=oil_here, quantity=199_000)


def test_a_corrected_drawing_leaves_no_water_behind(started):
    wrong = weighing.draw_water(line=line_of(started, 1), quantity=790_000)
    weighing.correct_weighing(weighing=wrong, why="wrong beaker")
    assert Portion.objects.get(lot=wrong.lot).on_hand == 0


def test_a_corrected_reading_takes_what_was_found_for_it_back_too(started, acid_here):
    wrong = weighing.weigh(line=line_of(started, 3), portion=acid_here, quantity=101_000, why="slip", found=True)
    weighing.correct_weighing(weighing=wrong, why="it was 10.1 g")
    acid_here.refresh_from_db()
    assert acid_here.on_hand == 100_000


def test_steps_are_signed_once_and_checks_keep_their_last_result(started, version):
    step = Step.objects.get(version=version)
    weighing.sign_step(batch=started, step=step)
    refuses(WrongState, lambda: weighing.sign_step(batch=started, step=step), "signed_already")
    check = version.checks.get()
    assert not weighing.record_check(batch=started, check=check, value="6.1").passed
    assert weighing.record_check(batch=started, check=check, value="5.5").passed
    for wrong in ("about 5", "1e3", "1_0", "٤", "5,2", "5.", "nan", "1e400", ""):
        refuses(BadInput, lambda wrong=wrong: weighing.record_check(batch=started, check=check, value=wrong))


def test_checks_in_words_and_yes_or_no(oil, gel):
    checks = [CheckSpec("colour", "release", expected="pale green"), CheckSpec("clear", "release")]
    version = formula("GEL", gel, [(oil, "100")], checks=checks)
    colour, clear = version.checks.order_by("pk")
    assert weighing.passes(colour, " Pale Green ")
    assert not weighing.passes(colour, "brown")
    assert weighing.passes(clear, "yes")
    assert not weighing.passes(clear, "No")
    with pytest.raises(BadInput, match="yes or no"):
        weighing.passes(clear, "rather")


def test_nothing_is_weighed_into_a_batch_that_is_not_started(batch, oil_here, acid_here, started):
    batches.cancel(batch=started, why="no power")
    line = line_of(started, 2)
    refuses(WrongState, lambda: weighing.weigh(line=line, portion=oil_here, quantity=200_000))


def test_a_batch_is_cancelled_before_its_first_weighing_and_frees_its_stock(started, oil_here):
    refuses(BadInput, lambda: batches.cancel(batch=started, why=""))
    batches.cancel(batch=started, why="no power")
    assert (started.status, started.ended_why) == ("cancelled", "no power")
    assert not Reservation.objects.exists()
    started.transformation.refresh_from_db()
    assert started.transformation.closed_at is not None


def test_after_the_first_weighing_a_batch_is_not_cancelled(started, oil_here):
    reading = weighing.weigh(line=line_of(started, 2), portion=oil_here, quantity=200_000)
    refuses(WrongState, lambda: batches.cancel(batch=started, why="no power"), "already_weighed")
    weighing.correct_weighing(weighing=reading, why="it was another batch")
    batches.cancel(batch=started, why="no power")
    assert Weighing.objects.count() == 1


def test_nothing_is_weighed_before_the_batch_was_started(started, oil_here, acid, acid_here):
    early = hours_ago(5)
    for act in (
        lambda: weighing.weigh(line=line_of(started, 2), portion=oil_here, quantity=200_000, happened_at=early),
        lambda: weighing.draw_water(line=line_of(started, 1), quantity=790_000, happened_at=early),
        lambda: weighing.add(
            batch=started, item=acid, portion=acid_here, quantity=1000, why="pH too high", happened_at=early
        ),
    ):
        refuses(BadInput, act, "before_the_start")


@pytest.mark.parametrize("quantity", [0, -1, 1.5, True, "5", None, float("nan"), 10**12 + 1])
def test_a_quantity_that_is_none_is_refused_wherever_one_is_taken(started, version, oil_here, quantity):
    for act in (
        lambda: weighing.weigh(line=line_of(started, 2), portion=oil_here, quantity=quantity, why="so"),
        lambda: weighing.draw_water(line=line_of(started, 1), quantity=quantity, why="so"),
        lambda: batches.plan(version=version, charge=quantity, planned_for=in_days(0)),
    ):
        refuses(BadInput, act)


def test_a_priority_is_a_whole_number_from_0(batch, version):
    refuses(BadInput, lambda: batches.plan(version=version, charge=1000, planned_for=in_days(0), priority=-1))
    refuses(BadInput, lambda: batches.change_plan(batch=batch, priority=2**31))


def test_a_reason_longer_than_is_kept_is_refused(batch):
    refuses(BadInput, lambda: batches.cancel(batch=batch, why="x" * 501))


def test_a_corrected_reading_does_not_set_aside_more_than_the_line_needs(started, version, oil_here):
    """Half weighed and half set aside: with the reading taken back, the whole need is set aside, once."""
    line = line_of(started, 2)
    reading = weighing.weigh(line=line, portion=oil_here, quantity=100_000)
    weighing.weigh(line=line, portion=oil_here, quantity=50_000)
    weighing.correct_weighing(weighing=reading, why="misread")
    aside = Reservation.objects.get(transformation=started.pk, portion=oil_here)
    assert aside.quantity == 150_000


def test_a_corrected_reading_beside_a_full_reservation_sets_nothing_more_aside(started, oil, oil_here):
    line = line_of(started, 2)
    reading = weighing.weigh(line=line, portion=oil_here, quantity=10_000)
    reserving.reserve_exact(
        rows=[(Portion.objects.select_related("lot__item").get(pk=oil_here.pk), started.transformation, 10_000)]
    )
    weighing.correct_weighing(weighing=reading, why="misread")
    assert Reservation.objects.get(transformation=started.pk, portion=oil_here).quantity == 200_000


def test_a_batch_is_no_larger_than_each_of_its_lines_may_be(gel, water):
    """Also of drawn water, which nobody sets aside and so nobody would look at before the start."""
    tub = item("TUB", "product", "count")
    version = formula("TUB", tub, [(gel, "1 g"), (water, "1000 kg")], basis="per_unit")
    refuses(BadInput, lambda: batches.plan(version=version, charge=1001, planned_for=in_days(0)))


def test_a_substitute_for_a_line_that_there_is_not_is_refused(batch, oil_here, acid_here, acid):
    error = refuses(BadInput, lambda: batches.reserve(batch=batch, substitutes={9: acid}), "no_substitute")
    assert [(fault.field, fault.value) for fault in error.faults] == [("substitutes", "9")]


def test_a_number_that_is_taken_is_named(batch, version):
    act = lambda: batches.plan(version=version, charge=1_000, planned_for=in_days(0), code="B1")  # noqa: E731
    assert [fault.value for fault in refuses(Conflict, act, "number_taken").faults] == ["B1"]


def _statements_for(lines: int) -> tuple[int, int]:
    raws = [item(f"RAW{lines}-{at}") for at in range(lines)]
    for raw in raws:
        stock(raw, "1 kg", f"{raw.code}-1")
        stock(raw, "1 kg", f"{raw.code}-2")
    mix = item(f"MIX{lines}", "intermediate")
    version = formula(mix.code, mix, [(raw, str(Decimal(100) / lines)) for raw in raws])
    batch = batches.plan(version=version, charge=1_500_000 * lines, planned_for=in_days(0))
    with CaptureQueriesContext(connection) as first:
        assert len(batches.reserve(batch=batch)) == 2 * lines
    with CaptureQueriesContext(connection) as anew:
        assert len(batches.reserve(batch=batch)) == 2 * lines
    return len(first), len(anew)


def test_a_batch_is_reserved_in_the_same_number_of_statements_for_5_and_for_50_lines():
    assert _statements_for(5) == _statements_for(50)
