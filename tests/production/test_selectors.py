"""Reads of the bench: the batch sheet as a helper sees it, and rows in bulk."""

from __future__ import annotations

from decimal import Decimal
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.errors import Conflict, NotFound
from production import selectors
from production.services import batches, weighing
from production.services.formulas import CheckSpec, LineSpec, SubstituteSpec
from tests.production.builders import formula, in_days, item, ph_check, stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def acid():
    return item("ACID", caution="Goggles and gloves.")


@pytest.fixture
def oil():
    return item("OIL")


@pytest.fixture
def batch(oil, acid):
    stock(oil, "1 kg", "OIL-1", place="shelf 2", expires_on=in_days(60))
    stock(acid, "1 kg", "ACID-1")
    gel = item("GEL", "intermediate")
    version = formula(
        "GEL", gel, [(oil, "qs"), (acid, "1")], checks=[ph_check()], step_texts=("Stir.", "Cool."), loss_mg=10_000
    )
    return batches.plan(version=version, charge=500_000, planned_for=in_days(0), code="B1")


def test_the_sheet_can_be_read_before_the_start_and_is_the_one_written_then(batch):
    before = selectors.batch_sheet(batch)
    assert [(row.item, row.required, row.low, row.high) for row in before.lines] == [
        ("OIL", 495_000, 490_050, 499_950),
        ("ACID", 5_000, 4_750, 5_250),
    ]
    batches.start(batch=batch)
    after = selectors.batch_sheet(batch)
    assert [row.required for row in after.lines] == [row.required for row in before.lines]
    assert (after.state, after.expected_output) == ("started", 490_000)


def test_the_sheet_says_what_to_take_where_it_stands_and_what_to_mind(batch):
    batches.start(batch=batch)
    sheet = selectors.batch_sheet(batch)
    (take,) = sheet.lines[0].take
    assert (take.lot, take.place, take.quantity, take.last_day) == ("OIL-1", "shelf 2", 495_000, in_days(60))
    assert sheet.cautions == (("ACID", "Goggles and gloves."),)
    assert [step.text for step in sheet.steps] == ["Stir.", "Cool."]


def test_the_sheet_shows_readings_signatures_and_the_last_look_at_each_check(batch):
    batches.start(batch=batch)
    line = selectors.find_line(batch, 1)
    portion = batch.transformation.reservations.get(portion__lot__item=line.item).portion
    weighing.weigh(line=line, portion=portion, quantity=200_000)
    weighing.sign_step(batch=batch, step=batch.version.steps.get(position=1))
    weighing.record_check(batch=batch, check=batch.version.checks.get(), value="7")
    weighing.record_check(batch=batch, check=batch.version.checks.get(), value="5")
    sheet = selectors.batch_sheet(batch)
    assert (sheet.lines[0].weighed, sheet.lines[0].done) == (200_000, False)
    assert [reading.quantity for reading in sheet.lines[0].readings] == [200_000]
    assert [step.signed_at is not None for step in sheet.steps] == [True, False]
    assert [(check.value, check.passed) for check in sheet.checks] == [("5", True)]


def test_started_sheets_count_a_substitute_by_its_ratio_and_a_done_line_in_full(oil, acid):
    other = item("OTHER")
    spec = LineSpec(oil, "90", substitutes=[SubstituteSpec(other, Decimal("1.25"))])
    version = formula("GEL", item("GEL", "intermediate"), [spec, (acid, "10")])
    stock(oil, "1 kg")
    acid_here, other_here = stock(acid, "1 kg"), stock(other, "1 kg")
    batch = batches.start(batch=batches.plan(version=version, charge=100_000, planned_for=in_days(0)))
    weighing.weigh(line=selectors.find_line(batch, 1), portion=other_here, quantity=50_000, why="ran out")
    weighing.weigh(line=selectors.find_line(batch, 2), portion=acid_here, quantity=9_950)
    sheets = selectors.started_sheets()
    assert sheets.required == {batch.pk: {1: 90_000, 2: 10_000}}
    assert sheets.weighed == {batch.pk: {1: 40_000, 2: 10_000}}


def test_batches_affected_are_those_a_lot_went_into_or_is_set_aside_for(batch):
    lot_id = batch.version.lines.get(position=2).item.lots.get().pk
    assert selectors.batches_affected([lot_id]) == {}
    batches.reserve(batch=batch)
    assert selectors.batches_affected([lot_id]) == {batch.pk: selectors.BatchRow("B1", "GEL", 1, "reserved", None)}


def test_what_is_not_there_is_not_found(batch):
    for look in (
        lambda: selectors.find_batch("B9"),
        lambda: selectors.find_formula("F9"),
        lambda: selectors.find_version("GEL", 9),
        lambda: selectors.find_line(batch, 9),
        lambda: selectors.find_step(batch, 9),
        lambda: selectors.find_check(batch, "colour"),
        lambda: selectors.find_weighing(batch, uuid4()),
    ):
        with pytest.raises(NotFound):
            look()
    assert selectors.find_version("GEL").version == 1


def test_a_check_of_two_stages_is_named_with_its_stage(oil):
    checks = [ph_check("in_process"), ph_check(), CheckSpec("pH", "stability")]
    version = formula("CALM", item("CALM", "intermediate"), [(oil, "100")], checks=checks)
    batch = batches.plan(version=version, charge=1_000, planned_for=in_days(0))
    assert selectors.find_check(batch, "pH", "release").stage == "release"
    with pytest.raises(Conflict) as error:
        selectors.find_check(batch, "pH")
    assert error.value.facts == {"stages": ["in_process", "release"]}


def test_the_sheet_says_which_substitute_to_take_and_what_to_mind_with_it(oil, acid):
    spec = LineSpec(oil, "90", substitutes=[SubstituteSpec(acid, Decimal("1.5"))])
    wax = item("WAX")
    version = formula("GEL", item("GEL", "intermediate"), [spec, (wax, "10")])
    stock(acid, "1 kg", "ACID-1", place="cupboard")
    stock(wax, "1 kg", "WAX-1")
    batch = batches.plan(version=version, charge=100_000, planned_for=in_days(0))
    assert selectors.batch_sheet(batch).cautions == ()
    batches.reserve(batch=batch, substitutes={1: acid})
    sheet = selectors.batch_sheet(batch)
    assert [(one.item, one.lot, one.place, one.quantity) for one in sheet.lines[0].take] == [
        ("ACID", "ACID-1", "cupboard", 135_000)
    ]
    assert [one.lot for one in sheet.lines[1].take] == ["WAX-1"]
    assert sheet.cautions == (("ACID", "Goggles and gloves."),)


def test_a_reading_is_found_by_its_stock_event_in_its_batch_only(batch):
    batches.start(batch=batch)
    line = selectors.find_line(batch, 1)
    portion = batch.transformation.reservations.get(portion__lot__item=line.item).portion
    reading = weighing.weigh(line=line, portion=portion, quantity=100_000)
    (shown,) = selectors.batch_sheet(batch).lines[0].readings
    assert selectors.find_weighing(batch, shown.event) == reading
    other = batches.plan(version=batch.version, charge=100_000, planned_for=in_days(0))
    with pytest.raises(NotFound):
        selectors.find_weighing(other, shown.event)


def queries_of(act) -> int:
    with CaptureQueriesContext(connection) as queries:
        act()
    return len(queries)


def test_a_sheet_of_two_lines_and_of_twelve_takes_the_same_number_of_queries(batch):
    items = [item(f"RAW-{n}") for n in range(12)]
    for one in items:
        stock(one, "1 kg")
    lines = [(items[0], "qs"), *((one, "1") for one in items[1:])]
    long = batches.plan(
        version=formula("LONG", item("LONG", "intermediate"), lines), charge=100_000, planned_for=in_days(0)
    )
    for one in (batch, long):
        batches.start(batch=one)
    assert queries_of(lambda: selectors.batch_sheet(long)) == queries_of(lambda: selectors.batch_sheet(batch))
