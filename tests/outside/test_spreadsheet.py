"""The workbook a maker would write, recalculated by LibreOffice Calc, against the engine: identical integers.

Calc is the outside source. The hand-computed figures hold without it, and it must come to the same ones.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from planner.engine.plan import net
from planner.engine.problem import COUNT, Batch, Demand, Formula, Item, Line, Lot, Offer, Problem, Reservation
from planner.snapshot import take_snapshot
from tests.benchmarks.sizes import FIRST_DAY, SIZES, WEEKS
from tests.benchmarks.spreadsheet import (
    Answer,
    Calc,
    Gross,
    differences_of,
    firm_only,
    gross_of,
    read_workbook,
    soffice,
    uneven,
    write_workbook,
)
from tests.benchmarks.writing import fill

MONDAY = date(2027, 1, 4).toordinal()
SALT = 4711

needs_calc = pytest.mark.skipif(
    soffice() is None, reason="LibreOffice is not installed (no soffice on the path): nothing recalculates the workbook"
)
both_ways = pytest.mark.parametrize("own_rows", [False, True], ids=["filled down", "the batch's own rows"])

THIRDS = Formula(
    "F-MIX", 1, "MIX", "percent",
    (Line(10, "OIL", percent=333_333), Line(20, "WAX", percent=333_333), Line(30, "BUTTER", percent=333_334)),
)  # fmt: skip
HALVES = Formula("F-BULK", 2, "BULK", "percent", (Line(1, "MIX", percent=500_000), Line(2, "OIL", percent=500_000)))
PACKED = Formula(
    "F-JAR", 1, "JAR", "per_unit",
    (
        Line(1, "BULK", per_unit=Fraction(50_000)),
        Line(2, "BOX", per_unit=Fraction(1, 12)),
        Line(3, "SCENT", per_unit=Fraction(1, 2), is_volume=True),
        Line(4, "CLAY", per_unit=Fraction(4, 3)),
        Line(5, "SALT", per_unit=Fraction(1, 10), is_volume=True),
    ),
)  # fmt: skip


def small_shop() -> Problem:
    """Firm batches of every kind, and besides them what must not count: demands, offers, something to propose."""
    mass = [Item(code, "raw") for code in ("BUTTER", "CLAY", "OIL", "SALT", "SCENT", "WAX")]
    made = [Item("BULK", "intermediate"), Item("MIX", "intermediate"), Item("JAR", "product", COUNT, safety_stock=3)]
    return Problem(
        from_day=MONDAY,
        to_day=MONDAY + 27,
        items=(*mass, *made, Item("BOX", "packaging", COUNT)),
        lots=(Lot("OIL", "O-1", 40, "released", last_day=MONDAY + 90), Lot("JAR", "J-1", 6, "released")),
        offers=(Offer("S-1", "OIL", 1000, 2), Offer("S-1", "WAX", 1000, 2)),
        formulas=(THIRDS, HALVES, PACKED),
        batches=(
            Batch("B-1", "F-MIX", 1, 100, MONDAY + 1),
            Batch("B-2", "F-MIX", 1, 101, MONDAY + 1, "reserved"),
            Batch("B-3", "F-BULK", 2, 5, MONDAY + 1),
            Batch("B-4", "F-BULK", 2, 7, MONDAY - 3),  # overdue
            Batch("B-5", "F-BULK", 2, 9, MONDAY, "started", weighed={1: 6, 2: 1}),
            Batch("B-6", "F-JAR", 1, 13, MONDAY + 6),
            Batch("B-7", "F-JAR", 1, 12, MONDAY + 7),
        ),
        demands=(Demand("JAR", 40, MONDAY + 2), Demand("JAR", 6, MONDAY + 3)),
        reservations=(Reservation(0, 34, batch="B-2"), Reservation(1, 6, demand=1)),
    )


# By hand.
# B-1: 33.3333, 33.3333, 33.3334: one step over, to the butter. B-2: 33.666633 twice and 33.666734: two steps over, to
# the butter and then to the oil, which comes before the wax. B-3: 2.5 twice: the mix gets the step.
# B-4: 4 and 3, on the first day. B-5: 5 less 6 is nothing, 4 less 1 is 3, on the first day.
# B-6: 13/12 of a box is 2, 6.5 of the scent is 7, 17 1/3 of the clay is 18, 1.3 of the salt is 1.
# B-7: 1 box, 6 of the scent, 16 of the clay, 1.2 of the salt is 1.
BY_HAND: Gross = {
    ("BUTTER", MONDAY + 1): 34 + 34,
    ("OIL", MONDAY + 1): 33 + 34 + 2,
    ("WAX", MONDAY + 1): 33 + 33,
    ("MIX", MONDAY + 1): 3,
    ("MIX", MONDAY): 4,
    ("OIL", MONDAY): 3 + 3,
    ("BULK", MONDAY + 6): 650_000,
    ("BOX", MONDAY + 6): 2,
    ("SCENT", MONDAY + 6): 7,
    ("CLAY", MONDAY + 6): 18,
    ("SALT", MONDAY + 6): 1,
    ("BULK", MONDAY + 7): 600_000,
    ("BOX", MONDAY + 7): 1,
    ("SCENT", MONDAY + 7): 6,
    ("CLAY", MONDAY + 7): 16,
    ("SALT", MONDAY + 7): 1,
}


def in_all(gross: Gross, problem: Problem) -> dict[str, int]:
    totals = Counter({item.code: 0 for item in problem.items})
    for (item, _), quantity in gross.items():
        totals[item] += quantity
    return dict(totals)


def engine_gross(problem: Problem) -> Gross:
    return gross_of(net(problem).requirements)


def test_the_engine_asks_for_what_the_hand_computes_and_for_nothing_of_demands_and_proposals() -> None:
    assert engine_gross(firm_only(small_shop())) == BY_HAND
    # All that is taken out would have counted.
    assert engine_gross(small_shop()) != BY_HAND


@both_ways
def test_a_workbook_nobody_recalculated_is_no_answer(tmp_path: Path, own_rows: bool) -> None:
    path = tmp_path / "workbook.xlsx"
    write_workbook(firm_only(small_shop()), path, weeks=1, salt=SALT, own_rows=own_rows)
    with pytest.raises(ValueError, match="no whole number: ''"):
        read_workbook(path)


def test_the_comparison_finds_one_milligram_and_what_was_never_recalculated() -> None:
    problem = firm_only(small_shop())
    shown = {key: quantity for key, quantity in BY_HAND.items() if key[1] < MONDAY + 7}
    right = Answer(3 * SALT + 1, shown, in_all(BY_HAND, problem), 10 * 7, 0)

    def differences(answer: Answer) -> list[str]:
        return differences_of(answer, BY_HAND, problem, weeks=1, salt=SALT)

    assert differences(right) == []
    assert differences(replace(right, by_day=shown | {("SCENT", MONDAY + 6): 8})) == [
        "SCENT on 2027-01-10: engine 7, workbook 8"
    ]
    without = {key: quantity for key, quantity in shown.items() if key != ("WAX", MONDAY + 1)}
    assert differences(replace(right, by_day=without)) == ["WAX on 2027-01-05: engine 66, workbook 0"]
    assert differences(replace(right, by_day=shown | {("CLAY", MONDAY): 1})) == [
        "CLAY on 2027-01-04: engine 0, workbook 1"
    ]
    assert differences(replace(right, by_item=right.by_item | {"OIL": 74})) == ["OIL in all: engine 75, workbook 74"]
    assert differences(replace(right, salted=0)) == ["the workbook was not recalculated: 0 of 4711"]
    assert differences(replace(right, shown=69)) == ["the workbook shows 69 rows of an item and a day"]


def recalculated(problem: Problem, folder: Path, *, weeks: int, own_rows: bool) -> Answer:
    path = folder / "workbook.xlsx"
    write_workbook(problem, path, weeks=weeks, salt=SALT, own_rows=own_rows)
    _, answer = Calc(folder, recalculates=True).convert(path)
    return read_workbook(answer)


@needs_calc
@pytest.mark.long
@both_ways
def test_calc_comes_to_what_the_hand_computes(tmp_path: Path, own_rows: bool) -> None:
    problem = firm_only(small_shop())
    answer = recalculated(problem, tmp_path, weeks=1, own_rows=own_rows)
    assert answer.by_day == {key: quantity for key, quantity in BY_HAND.items() if key[1] < MONDAY + 7}
    assert answer.by_item == in_all(BY_HAND, problem)
    # The butter and the oil of two mixes and the first lines of three bulks.
    assert answer.rounded_up == 1 + 2 + 3
    assert differences_of(answer, BY_HAND, problem, weeks=1, salt=SALT) == []


@needs_calc
@pytest.mark.long
@pytest.mark.django_db
@both_ways
def test_calc_and_the_engine_agree_on_forty_batches(tmp_path: Path, own_rows: bool) -> None:
    fill(SIZES["tiny"], seed=1)
    problem = firm_only(uneven(take_snapshot(from_day=FIRST_DAY, weeks=WEEKS)))
    gross = engine_gross(problem)
    answer = recalculated(problem, tmp_path, weeks=6, own_rows=own_rows)
    assert len(problem.batches) == 40
    assert {batch.status for batch in problem.batches} == {"planned", "reserved", "started"}
    assert any(batch.weighed for batch in problem.batches)
    assert len(answer.by_day) > 100
    assert answer.rounded_up > 100
    assert differences_of(answer, gross, problem, weeks=6, salt=SALT) == []
