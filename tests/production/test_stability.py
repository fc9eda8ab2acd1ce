"""Studies: samples taken at the start, pulls on their days, what they showed, and the word that ends them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
import time_machine
from pytest_django import DjangoAssertNumQueries

from inventory.errors import BadInput, Conflict, Shortage, WrongState
from inventory.models import ChangeRecord, Item, Lot, Portion, StockEvent
from inventory.services import correcting, lots
from inventory.services.dispatching import want
from inventory.services.reserving import Want, reserve
from production import stability_selectors as selectors
from production.models import Protocol, Pull, PullRecord, Reading, Study
from production.services import batches, finishing, stability, weighing
from production.services.formulas import CheckSpec
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec, ReadingSpec, StabilityTestSpec
from production.stability_selectors import find_pull, find_study
from tests.production import builders
from tests.production.builders import formula, item, stock

pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 25)
ROOM = ConditionSpec("25 C", Decimal(25))
COLD = ConditionSpec("4 C", Decimal(4))
FROST = ConditionSpec("frost and thaw", Decimal(-10), cycle_to_c=Decimal(25), cycle_days=2)
LOOKS = StabilityTestSpec("looks as at the start", expected="yes")
NOTE = StabilityTestSpec("what else was seen")


@pytest.fixture(autouse=True)
def noon() -> Iterator[Any]:
    with time_machine.travel(datetime(2026, 11, 25, 12, tzinfo=UTC), tick=False) as clock:
        yield clock


def protocol(
    *times: tuple[str, int],
    code: str = "P",
    conditions: tuple[ConditionSpec, ...] = (ROOM, COLD),
    tests: tuple[StabilityTestSpec, ...] = (LOOKS, NOTE),
    samples: int = 1,
) -> Protocol:
    return stability.make_protocol(code=code, spec=spec_of(*times, conditions=conditions, tests=tests, samples=samples))


def spec_of(
    *times: tuple[str, int],
    conditions: tuple[ConditionSpec, ...] = (ROOM, COLD),
    tests: tuple[StabilityTestSpec, ...] = (LOOKS, NOTE),
    samples: int = 1,
) -> ProtocolSpec:
    pulls = [PullTimeSpec(unit, count, 2, 7) for unit, count in times or (("week", 0), ("week", 4), ("month", 3))]
    return ProtocolSpec("a look", conditions, pulls, tests, samples_per_pull=samples)


def jars(quantity: str = "60 pc", **more: Any) -> Portion:
    return stock(item("JAR", "product", "count"), quantity, "J1", **more)


def start(lot: Lot, by: Protocol, **more: Any) -> Study:
    more.setdefault("sample_quantity", 1)
    return stability.start_study(lot=lot, protocol=by, **more)


def begun(**more: Any) -> Study:
    return start(jars().lot, protocol(**more))


def books() -> tuple[Any, ...]:
    tables = (Study, Pull, PullRecord, Reading)
    return (*builders.books(), *(list(table.objects.order_by("pk").values_list()) for table in tables))


# --- a study begins ----------------------------------------------------------------------------------------


def test_a_study_takes_its_samples_for_every_pull_at_every_condition_in_one_event() -> None:
    portion = jars()
    study = start(portion.lot, protocol(samples=3))
    portion.refresh_from_db()
    assert portion.on_hand == 60 - 3 * 2 * 3
    event = StockEvent.objects.get(study=study)
    assert (event.kind, event.why) == ("sampled", f"samples of study {study.code}")
    assert study.code == "S20261125-1"
    assert study.pulls.count() == 6
    assert {pull.samples for pull in study.pulls.all()} == {3}


def test_samples_of_what_is_weighed_have_a_mass() -> None:
    portion = stock(item("BALM", "intermediate"), "1 kg", "B1")
    start(portion.lot, protocol(), sample_quantity=30_000)
    portion.refresh_from_db()
    assert portion.on_hand == 1_000_000 - 6 * 30_000


def test_a_shortage_is_refused_naming_what_is_free_and_begins_nothing() -> None:
    portion = jars("5 pc")
    by = protocol()
    before = books()
    with pytest.raises(Shortage) as refusal:
        start(portion.lot, by)
    assert refusal.value.facts["shortages"] == [{"item": "JAR", "lot": "J1", "wanted": "6 pc", "free": "5 pc"}]
    assert books() == before


def test_what_is_set_aside_for_others_is_not_sampled_away() -> None:
    portion = jars("10 pc", received_on=TODAY)
    demand = want(item=portion.lot.item, quantity=5, due_on=TODAY, customer=None)
    reserve(wants=[Want(portion.lot.item_id, 5)], on=TODAY, demand=demand)
    by = protocol()
    before = books()
    with pytest.raises(Shortage, match="5 pc of lot J1"):
        start(portion.lot, by)
    assert books() == before


def test_samples_come_from_several_portions_but_never_from_what_is_set_apart() -> None:
    shelf = jars("4 pc", place="shelf")
    cellar = stock(shelf.lot.item, "3 pc", "J1", place="cellar")
    apart = lots.set_apart(portion=stock(shelf.lot.item, "9 pc", "J1", place="bench"))
    start(shelf.lot, protocol())
    for portion in (shelf, cellar, apart):
        portion.refresh_from_db()
    assert (shelf.on_hand, cellar.on_hand, apart.on_hand) == (0, 1, 9)


def test_the_portion_named_gives_all_samples_or_none() -> None:
    shelf = jars("40 pc", place="shelf")
    cellar = stock(shelf.lot.item, "3 pc", "J1", place="cellar")
    by = protocol()
    with pytest.raises(Shortage):
        start(shelf.lot, by, portion=cellar)
    start(shelf.lot, by, portion=shelf)


def test_a_study_that_began_before_the_books_moves_no_stock() -> None:
    portion = jars("1 pc")
    study = start(portion.lot, protocol(), already_sampled=True, started_on=date(2026, 6, 1))
    portion.refresh_from_db()
    assert (portion.on_hand, study.event) == (1, None)


def test_samples_taken_by_mistake_go_back_by_a_correction() -> None:
    study = begun()
    assert study.event is not None
    correcting.correct(event=study.event, why="the other lot was meant")
    assert Portion.objects.get(lot=study.lot).on_hand == 60


def test_a_lot_in_quarantine_and_a_trial_may_be_studied_a_rejected_one_may_not() -> None:
    start(jars(status="quarantine").lot, protocol())
    bad = stock(item("BAD", "product", "count"), "60 pc", "X1", status="rejected")
    by = Protocol.objects.get(code="P")
    with pytest.raises(WrongState, match="rejected"):
        start(bad.lot, by)


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"started_on": TODAY + timedelta(days=1)}, "in_the_future"),
        ({"started_on": date(2026, 10, 31)}, "before_it_came"),
        ({"sample_quantity": 0}, "bad_input"),
        ({"code": "TAKEN"}, "taken"),
        ({"code": "x" * 65}, "bad_input"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_a_study_cannot_begin_with_is_refused(more: dict[str, Any], code: str) -> None:
    lot = jars(received_on=date(2026, 11, 1)).lot
    by = protocol()
    start(lot, by, code="TAKEN")
    before = books()
    with pytest.raises((BadInput, Conflict)) as refusal:
        start(lot, by, **more)
    assert refusal.value.code == code
    assert books() == before


def test_no_study_starts_by_a_retired_protocol() -> None:
    by = protocol()
    stability.change_protocol(protocol=by, spec=replace(spec_of(), retired=True))
    with pytest.raises(WrongState, match="retired"):
        start(jars().lot, by)


# --- days --------------------------------------------------------------------------------------------------


def test_pulls_hang_on_the_start_and_their_windows_never_begin_before_it() -> None:
    by = protocol(("week", 0), ("week", 12), ("month", 1), ("month", 2), conditions=(ROOM,))
    study = start(jars().lot, by, started_on=date(2026, 8, 31), already_sampled=True)
    assert [(p.number, p.unit, p.count, p.window_from, p.due_on, p.window_to) for p in study.pulls.order_by("number")] \
        == [
        (1, "week", 0, date(2026, 8, 31), date(2026, 8, 31), date(2026, 9, 7)),
        (2, "month", 1, date(2026, 9, 28), date(2026, 9, 30), date(2026, 10, 7)),
        (3, "month", 2, date(2026, 10, 29), date(2026, 10, 31), date(2026, 11, 7)),
        (4, "week", 12, date(2026, 11, 21), date(2026, 11, 23), date(2026, 11, 30)),
    ]  # fmt: skip


def test_a_condition_in_cycles_is_looked_at_after_cycles_and_the_others_after_weeks_and_months() -> None:
    by = protocol(("week", 1), ("cycle", 3), ("cycle", 5), conditions=(ROOM, FROST))
    study = start(jars().lot, by)
    pulls = [(p.condition.name, p.unit, p.count, p.due_on) for p in study.pulls.select_related("condition")]
    assert sorted(pulls) == [
        ("25 C", "week", 1, date(2026, 12, 2)),
        ("frost and thaw", "cycle", 3, date(2026, 12, 1)),
        ("frost and thaw", "cycle", 5, date(2026, 12, 5)),
    ]


def test_a_pull_keeps_its_day_on_a_holiday() -> None:
    by = protocol(("week", 4), conditions=(ROOM,))
    study = start(jars().lot, by, started_on=TODAY)  # four weeks on is 23 December; from 27 November it is Christmas
    assert study.pulls.get().due_on == date(2026, 12, 23)
    with time_machine.travel(datetime(2026, 11, 27, 12, tzinfo=UTC)):
        other = start(study.lot, by)
    assert other.pulls.get().due_on == date(2026, 12, 25)


def test_changing_a_protocol_changes_no_study_that_started() -> None:
    study = begun()
    held = [list(part.order_by("pk").values()) for part in (study.pulls, study.conditions, study.tests)]
    other = spec_of(("month", 24), ("cycle", 1), conditions=(FROST, ROOM), tests=(), samples=9)
    stability.change_protocol(protocol=study.protocol, spec=other)
    assert [list(part.order_by("pk").values()) for part in (study.pulls, study.conditions, study.tests)] == held
    later = start(study.lot, study.protocol)
    assert {(p.unit, p.count, p.samples) for p in later.pulls.all()} == {("month", 24, 9), ("cycle", 1, 9)}


def test_what_changed_in_a_protocol_is_written_down() -> None:
    by = protocol()
    made = ChangeRecord.objects.get(kind="protocol", code="P")
    assert (made.act, "25 C" in made.after) == ("made", True)
    stability.change_protocol(protocol=by, spec=spec_of(samples=3, conditions=(ROOM,)))
    changes = {row.field: (row.before, row.after) for row in ChangeRecord.objects.filter(code="P", act="changed")}
    assert changes == {
        "samples_per_pull": ("1", "3"),
        "conditions": ("name 25 C, temperature_c 25; name 4 C, temperature_c 4", "name 25 C, temperature_c 25"),
    }


# --- protocols ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "field"),
    [
        (ProtocolSpec("p", [], [PullTimeSpec("week", 1, 0, 0)]), "conditions"),
        (ProtocolSpec("p", [ROOM], []), "pull_times"),
        (ProtocolSpec("p", [ROOM, ROOM], [PullTimeSpec("week", 1, 0, 0)]), "conditions[1].condition"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("week", 1, 0, 0)] * 2), "pull_times[1].count"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("cycle", 1, 0, 0)]), "pull_times[0].unit"),
        (ProtocolSpec("p", [FROST], [PullTimeSpec("week", 1, 0, 0)]), "conditions[0].condition"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("year", 1, 0, 0)]), "pull_times[0].unit"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("month", 241, 0, 0)]), "pull_times[0].count"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("week", 1, 0, 367)]), "pull_times[0].days_after"),
        (ProtocolSpec("p", [ROOM], [PullTimeSpec("week", 1, 0, 0)], samples_per_pull=0), "samples_per_pull"),
        (
            ProtocolSpec("p", [ConditionSpec("x", cycle_to_c=Decimal(5))], [PullTimeSpec("week", 1, 0, 0)]),
            "conditions[0].cycle_to_c",
        ),
        (
            ProtocolSpec("p", [ConditionSpec("x", cycle_days=2)], [PullTimeSpec("cycle", 1, 0, 0)]),
            "conditions[0].cycle_days",
        ),
        (
            ProtocolSpec(
                "p", [ROOM], [PullTimeSpec("week", 1, 0, 0)], [StabilityTestSpec("pH", low=Decimal(6), high=Decimal(5))]
            ),
            "tests[0].low",
        ),
        (
            ProtocolSpec(
                "p", [ROOM], [PullTimeSpec("week", 1, 0, 0)], [StabilityTestSpec("pH", low=Decimal(6), expected="6")]
            ),
            "tests[0].expected",
        ),
        (
            ProtocolSpec(
                "p",
                [ConditionSpec(f"{degrees} C", Decimal(degrees)) for degrees in range(50)],
                [PullTimeSpec("week", week, 0, 0) for week in range(21)],
            ),
            "pull_times",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_protocol_that_cannot_be_followed_is_refused(spec: ProtocolSpec, field: str) -> None:
    with pytest.raises(BadInput) as refusal:
        stability.make_protocol(code="WRONG", spec=spec)
    assert field in [fault.field for fault in refusal.value.faults]
    assert not Protocol.objects.filter(code="WRONG").exists()


# --- what is looked at -------------------------------------------------------------------------------------


def packed_cream(bulk_checks: list[CheckSpec], pack_checks: list[CheckSpec]) -> Lot:
    """Eight jars filled from a bulk, each made by its own formula with these checks."""
    oil = item("OIL")
    stock(oil, "5 kg", "O1")
    cream = item("CREAM", "intermediate")
    jar = item("CREAM-JAR", "product", "count")
    makes = formula("CREAM", cream, [(oil, "100")], checks=bulk_checks)
    fills = formula("CREAM-JAR", jar, [(cream, "100 g")], basis="per_unit", checks=pack_checks)
    bulk = _made(batches.plan(version=makes, charge=1_000_000, planned_for=TODAY), 1_000_000)
    lots.decide(lots=[bulk], status="released")
    return _made(batches.plan(version=fills, charge=8, planned_for=TODAY), 8)


def _made(batch: Any, made: int) -> Lot:
    batches.start(batch=batch)
    (line,) = batch.lines.select_related("item", "batch")
    (portion,) = Portion.objects.select_related("lot__item").filter(lot__item=line.item, on_hand__gt=0)
    weighing.weigh(line=line, portion=portion, quantity=line.required)
    return finishing.finish(batch=batch, made=made)


def test_a_packed_lot_is_looked_at_by_the_checks_of_its_filling_and_of_its_bulk() -> None:
    lot = packed_cream(
        [
            CheckSpec("pH", "stability", low=Decimal("4.5"), high=Decimal("5.2")),
            CheckSpec("thick", "release"),
            CheckSpec("leaks", "stability", expected="never"),
        ],
        [CheckSpec("leaks", "stability", expected="no"), CheckSpec("closes", "stability")],
    )
    by = protocol(("week", 1), conditions=(ROOM,), tests=(StabilityTestSpec("pH", high=Decimal(9)), LOOKS))
    study = start(lot, by)
    assert study.version is not None
    assert study.version.formula.code == "CREAM-JAR"
    tests = [(one.name, one.low, one.high, one.expected) for one in study.tests.order_by("position")]
    assert tests == [
        ("leaks", None, None, "no"),  # the pack's own word before the bulk's
        ("closes", None, None, "yes"),  # a check without an answer expects yes
        ("pH", Decimal("4.5"), Decimal("5.2"), ""),  # the formula's limits before the protocol's
        ("looks as at the start", None, None, "yes"),
    ]


def test_a_lot_that_no_batch_made_is_looked_at_by_the_formula_that_is_named() -> None:
    balm = item("BALM", "intermediate")
    oil = item("OIL")
    version = formula("BALM", balm, [(oil, "100")], checks=[builders.ph_check("stability")])
    other = formula("SALVE", item("SALVE", "intermediate"), [(oil, "100")])
    lot = stock(balm, "1 kg", "B1").lot
    by = protocol(tests=())
    with pytest.raises(BadInput, match="another item"):
        start(lot, by, version=other)
    study = start(lot, by, version=version)
    assert [test.name for test in study.tests.all()] == ["pH"]


def test_a_lot_that_a_batch_made_is_not_looked_at_by_another_formula() -> None:
    lot = packed_cream([], [])
    other = formula("OTHER", Item.objects.get(code="CREAM-JAR"), [(Item.objects.get(code="CREAM"), "90 g")],
                    basis="per_unit")  # fmt: skip
    by = protocol(("week", 1), conditions=(ROOM,))
    with pytest.raises(BadInput, match="was made by"):
        start(lot, by, version=other)


# --- pulls -------------------------------------------------------------------------------------------------


def first_pull(study: Study, number: int = 1) -> Pull:
    return find_pull(study.code, number)


def test_a_pull_is_done_with_readings_that_are_judged() -> None:
    study = begun(tests=(LOOKS, NOTE, StabilityTestSpec("pH", low=Decimal("4.5"), high=Decimal("5.5"))), samples=2)
    stability.record_pull(
        pull=first_pull(study),
        readings=[
            ReadingSpec("looks as at the start", "no"),
            ReadingSpec("looks as at the start", "yes", sample=2),
            ReadingSpec("what else was seen", "a little paler"),
            ReadingSpec("pH", "5.50"),
        ],
    )
    found = {(r.test.name, r.sample): r.passed for r in Reading.objects.select_related("test")}
    assert found == {
        ("looks as at the start", 1): False,
        ("looks as at the start", 2): True,
        ("what else was seen", 1): None,
        ("pH", 1): True,
    }


def test_a_pull_is_done_on_its_real_day_early_in_time_or_late(noon: Any) -> None:
    from production.api.stability import read_pull

    study = begun()
    noon.move_to(datetime(2027, 1, 20, 12, tzinfo=UTC))
    by_condition = {(p.condition.name, p.count): p.number for p in study.pulls.select_related("condition")}
    for (condition, count), done_on, timing in (
        (("25 C", 4), date(2026, 12, 20), "early"),
        (("4 C", 4), date(2026, 12, 30), "in_time"),
        (("25 C", 0), date(2026, 12, 3), "late"),
    ):
        number = by_condition[condition, count]
        stability.record_pull(pull=first_pull(study, number), done_on=done_on)
        answer = read_pull(study.code, number)
        assert (answer["done_on"], answer["timing"], answer["state"]) == (done_on, timing, "done")


@pytest.mark.parametrize("day", [TODAY + timedelta(days=1), TODAY - timedelta(days=1)])
def test_no_pull_was_done_tomorrow_or_before_the_start(day: date) -> None:
    study = begun()
    before = books()
    with pytest.raises(BadInput) as refusal:
        stability.record_pull(pull=first_pull(study), done_on=day)
    assert [fault.field for fault in refusal.value.faults] == ["done_on"]
    assert books() == before


@pytest.mark.parametrize(
    ("readings", "field"),
    [
        ([ReadingSpec("colour", "red")], "readings[0].test"),
        ([ReadingSpec("looks as at the start", "perhaps")], "readings[0].value"),
        ([ReadingSpec("what else was seen", "  ")], "readings[0].value"),
        ([ReadingSpec("what else was seen", "x", sample=2)], "readings[0].sample"),
        ([ReadingSpec("what else was seen", "x"), ReadingSpec("what else was seen", "y")], "readings[1].test"),
    ],
)
def test_readings_that_a_test_cannot_have_are_refused_with_the_whole_pull(
    readings: list[ReadingSpec], field: str
) -> None:
    study = begun()
    before = books()
    with pytest.raises(BadInput) as refusal:
        stability.record_pull(pull=first_pull(study), readings=readings)
    assert [fault.field for fault in refusal.value.faults] == [field]
    assert books() == before


def test_readings_may_come_later_and_the_last_one_of_a_sample_counts() -> None:
    study = begun()
    pull = first_pull(study)
    with pytest.raises(WrongState, match="not done"):
        stability.record_readings(pull=pull, readings=[ReadingSpec("looks as at the start", "no")])
    stability.record_pull(pull=pull)
    stability.record_readings(pull=pull, readings=[ReadingSpec("looks as at the start", "no")])
    (out,) = selectors.readings_out_of_limits()
    assert (out.study, out.number, out.lot, out.test, out.value, out.expected) == (
        study.code, 1, "J1", "looks as at the start", "no", "yes",
    )  # fmt: skip
    stability.record_readings(pull=pull, readings=[ReadingSpec("looks as at the start", "yes")])
    assert selectors.readings_out_of_limits() == []
    assert Reading.objects.count() == 2


def test_a_missed_pull_has_a_reason_and_is_not_done_afterwards() -> None:
    study = begun()
    with pytest.raises(BadInput, match="why"):
        stability.miss_pull(pull=first_pull(study), why="  ")
    stability.miss_pull(pull=first_pull(study), why="the jar broke")
    for act in (stability.record_pull, lambda pull: stability.miss_pull(pull=pull, why="again")):
        with pytest.raises(WrongState, match="the jar broke"):
            act(pull=first_pull(study))


def test_a_pull_is_done_once() -> None:
    study = begun()
    stability.record_pull(pull=first_pull(study))
    with pytest.raises(WrongState, match="was done on 2026-11-25"):
        stability.record_pull(pull=first_pull(study))
    assert PullRecord.objects.count() == 1


def test_a_pull_opened_again_is_planned_its_readings_count_no_more_and_all_stays_readable() -> None:
    study = begun()
    pull = first_pull(study)
    with pytest.raises(WrongState, match="planned still"):
        stability.reopen_pull(pull=pull, why="a mistake")
    stability.record_pull(pull=pull, readings=[ReadingSpec("looks as at the start", "no")])
    with pytest.raises(BadInput, match="why"):
        stability.reopen_pull(pull=pull, why="")
    stability.reopen_pull(pull=pull, why="it was the other lot's jar")
    pull.refresh_from_db()
    assert (pull.done_on, pull.missed_on) == (None, None)
    assert selectors.readings_out_of_limits() == []
    (reading,) = selectors.readings_of([pull.pk])[pull.pk]
    assert (reading["value"], reading["counts"]) == ("no", False)
    assert [row["kind"] for row in selectors.records_of(pull.pk)] == ["done", "reopened"]
    stability.miss_pull(pull=first_pull(study), why="too late now")


# --- what is due -------------------------------------------------------------------------------------------


def test_what_is_due_between_days_is_told_in_one_query(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    study = begun()
    stability.record_pull(pull=first_pull(study))
    with django_assert_num_queries(1):
        found = selectors.pulls_due(from_day=TODAY, to_day=date(2026, 12, 23))
    assert [(one.study, one.number, one.item, one.lot, one.condition, one.when, one.due_on) for one in found] == [
        (study.code, 2, "JAR", "J1", "4 C", "week 0", TODAY),
        (study.code, 3, "JAR", "J1", "25 C", "week 4", date(2026, 12, 23)),
        (study.code, 4, "JAR", "J1", "4 C", "week 4", date(2026, 12, 23)),
    ]
    assert not found[0].is_overdue(date(2026, 12, 2))  # the last day of its window
    assert found[0].is_overdue(date(2026, 12, 3))
    assert selectors.pulls_due(from_day=date(2026, 11, 26), to_day=date(2026, 12, 22)) == []
    assert len(selectors.pulls_due(to_day=date(2030, 1, 1))) == 5


# --- the word that ends it ---------------------------------------------------------------------------------


def test_closing_says_what_it_showed_leaves_no_pull_planned_and_sets_no_life() -> None:
    study = begun()
    stability.record_pull(pull=first_pull(study))
    life = study.lot.item.shelf_life_days
    stability.close_study(
        study=find_study(study.code), conclusion="Sound.", proposed_life_days=540, life_basis="three lots at 25 C"
    )
    study = find_study(study.code)
    assert (study.status, study.closed_on, study.proposed_life_days) == ("closed", TODAY, 540)
    assert (study.lot.item.shelf_life_days, study.lot.item.shelf_life_basis) == (life, "")
    assert selectors.pulls_due(to_day=date(2030, 1, 1)) == []
    assert {pull.missed_why for pull in study.pulls.exclude(number=1)} == {stability.STUDY_CLOSED}
    before = books()
    for act in (
        lambda: stability.close_study(study=study, conclusion="again"),
        lambda: stability.record_pull(pull=first_pull(study, 2)),
        lambda: stability.record_readings(pull=first_pull(study), readings=[]),
        lambda: stability.miss_pull(pull=first_pull(study, 2), why="closed"),
        lambda: stability.reopen_pull(pull=first_pull(study, 2), why="closed"),
    ):
        with pytest.raises(WrongState, match="is closed"):
            act()
    assert books() == before


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"conclusion": " "}, "conclusion"),
        ({"proposed_life_days": 365}, "life_basis"),
        ({"life_basis": "three lots"}, "proposed_life_days"),
        ({"closed_on": TODAY + timedelta(days=1)}, "closed_on"),
        ({"closed_on": TODAY - timedelta(days=1)}, "closed_on"),
    ],
)
def test_what_a_study_cannot_end_with_is_refused(more: dict[str, Any], field: str) -> None:
    study = begun()
    before = books()
    with pytest.raises(BadInput) as refusal:
        stability.close_study(study=find_study(study.code), **{"conclusion": "Sound."} | more)
    assert [fault.field for fault in refusal.value.faults] == [field]
    assert books() == before


# --- shelf life of studies ---------------------------------------------------------------------------------


def looked_at(lot: Lot, by: Protocol, code: str, values: tuple[str, ...], late: int = 0) -> Study:
    """A study begun in 2024 and looked at as many times as there are values, so many days late."""
    study = start(lot, by, code=code, started_on=date(2024, 1, 15), already_sampled=True)
    for pull, value in zip(study.pulls.order_by("number"), values, strict=True):
        done_on = pull.due_on + timedelta(days=late)
        stability.record_pull(pull=first_pull(study, pull.number), done_on=done_on, readings=[ReadingSpec("pH", value)])
    return find_study(code)


PH = StabilityTestSpec("pH", low=Decimal("4.5"))


def test_the_life_of_studies_is_reckoned_from_the_real_ages_against_the_tests_own_limit() -> None:
    by = protocol(("month", 0), ("month", 6), ("month", 12), ("month", 24), conditions=(ROOM,), tests=(PH,))
    lot = jars().lot
    first = looked_at(lot, by, "S-1", ("5.30", "5.21", "5.08", "4.91"))
    second = looked_at(lot, by, "S-2", ("5.32", "5.20", "5.10", "4.90"))
    found = selectors.life_of_studies([first, second], test="pH", condition="25 C")
    assert (found.low, found.high, found.readings) == (Decimal("4.5"), None, {"S-1": 4, "S-2": 4})
    assert found.life.model == "one line"
    assert found.life.months is not None
    assert 40 < found.life.months < 50
    assert found.life.data_until == pytest.approx(24, abs=0.1)
    with_given = selectors.life_of_studies([first, second], test="pH", condition="25 C", low=Decimal("4.8"))
    assert with_given.life.months is not None
    assert with_given.life.months < found.life.months


def test_a_sample_looked_at_late_counts_with_its_real_age() -> None:
    by = protocol(("month", 0), ("month", 6), ("month", 12), conditions=(ROOM,), tests=(PH,))
    lot = jars().lot
    values = ("5.30", "5.21", "5.08")
    in_time = selectors.life_of_studies([looked_at(lot, by, "S-1", values)], test="pH", condition="25 C")
    late = selectors.life_of_studies([looked_at(lot, by, "S-2", values, late=30)], test="pH", condition="25 C")
    assert late.life.data_until == pytest.approx(in_time.life.data_until + 30 / 30.4375)


def test_what_cannot_be_evaluated_is_refused_naming_what_is_wrong() -> None:
    by = protocol(("month", 0), ("month", 6), conditions=(ROOM,), tests=(PH, NOTE))
    lot = jars().lot
    one = looked_at(lot, by, "S-1", ("5.3", "5.2"))
    other = looked_at(stock(item("TUB", "product", "count"), "9 pc", "T1").lot, by, "S-2", ("5.3", "5.2"))
    stability.record_readings(pull=first_pull(one), readings=[ReadingSpec(NOTE.name, "paler")])
    for chosen, test, condition, field in (
        ([one, other], "pH", "25 C", "study"),
        ([one], "colour", "25 C", "test"),
        ([one], "pH", "40 C", "condition"),
        ([one], "pH", "25 C", "test"),  # two readings are too few
        ([one], NOTE.name, "25 C", "low"),  # no limits
    ):
        with pytest.raises(BadInput) as refusal:
            selectors.life_of_studies(chosen, test=test, condition=condition)
        assert [fault.field for fault in refusal.value.faults] == [field]
    with pytest.raises(BadInput, match="no number"):
        selectors.life_of_studies([one], test=NOTE.name, condition="25 C", low=Decimal(1))
