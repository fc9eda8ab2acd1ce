"""The sums of a making: splits sum exactly, the sheet keeps its limits, needs go up and outputs down."""

from __future__ import annotations

import itertools
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.quantities import MAX_MG, WHOLE
from inventory.workshop import DEFAULT_SCALES, read_scales
from production import arithmetic
from production.amounts import WrittenAmount, read_amounts
from production.arithmetic import Cuts, Portioned, UnitShare

SCALES = read_scales(DEFAULT_SCALES)


@st.composite
def percents(draw, most_lines: int = 12) -> list[int]:
    cuts = draw(st.lists(st.integers(1, WHOLE - 1), unique=True, max_size=most_lines - 1))
    edges = [0, *sorted(cuts), WHOLE]
    return [high - low for low, high in itertools.pairwise(edges)]


@given(st.integers(1, MAX_MG), percents())
def test_a_charge_is_split_to_the_milligram_and_each_part_is_within_one_of_its_share(charge, shares):
    parts = arithmetic.split_charge(charge, shares)
    assert sum(parts) == charge
    assert all(abs(part * WHOLE - charge * share) < WHOLE for part, share in zip(parts, shares, strict=True))


def test_a_tied_remainder_goes_to_the_earlier_line():
    assert arithmetic.split_charge(1_913_265, [100_000, 900_000]) == [191_327, 1_721_938]


@given(st.integers(1, 10**9), st.integers(1, WHOLE), st.integers(0, 10**7))
def test_the_charge_for_a_need_gives_it_and_one_step_less_would_not(need, yield_percent, loss):
    charge = arithmetic.charge_for(need, yield_percent=yield_percent, loss_mg=loss)
    assert arithmetic.output_of(charge, yield_percent=yield_percent, loss_mg=loss) >= need
    assert arithmetic.output_of(charge - 1, yield_percent=yield_percent, loss_mg=loss) < need


def test_the_worked_example_of_an_infusion_within_a_product():
    # Own case, recomputed: 5.000 kg with 30 % infusion, straining yield 80 %, product yield 98 %.
    charge = arithmetic.charge_for(5_000_000, yield_percent=980_000)
    infusion = arithmetic.split_charge(charge, [300_000, 700_000])[0]
    assert (charge, infusion) == (5_102_041, 1_530_612)
    assert arithmetic.charge_for(infusion, yield_percent=800_000) == 1_913_265


def test_per_unit_lines_round_pieces_and_masses_up_and_volumes_half_up_after_multiplying():
    assert arithmetic.unit_quantity(61, UnitShare(Fraction(1, 12))) == 6
    assert arithmetic.unit_quantity(3, UnitShare(Fraction(49_500))) == 148_500
    # 30 mL of 0.915 g/mL is 27450 mg; a third of a microlitre over three units is one.
    assert arithmetic.unit_quantity(2, UnitShare(Fraction(30_000), True, Fraction("0.915"))) == 54_900
    assert arithmetic.unit_quantity(1, UnitShare(Fraction(1), True, Fraction("0.5"))) == 1
    assert arithmetic.unit_quantity(1, UnitShare(Fraction(1), True, Fraction("0.4999"))) == 0


@pytest.mark.parametrize(
    "cuts, words",
    [
        (Cuts(batch_multiple=10, max_batch=9), "below one batch_multiple"),
        (Cuts(min_batch=95, batch_multiple=10, max_batch=99), "below min_batch"),
        (Cuts(loss_mg=50, max_batch=50), "no output"),
        (Cuts(yield_percent=WHOLE // 2, loss_mg=50, max_batch=101), "no output"),
    ],
)
def test_sizes_that_no_batch_can_have_are_named(cuts, words):
    assert words in arithmetic.faults_of_cuts(cuts)[0]


@pytest.mark.parametrize(
    "cuts", [Cuts(), Cuts(loss_mg=10**6), Cuts(min_batch=95, batch_multiple=10, max_batch=100), Cuts(max_batch=1)]
)
def test_sizes_that_work_have_no_fault(cuts):
    assert arithmetic.faults_of_cuts(cuts) == []


@given(
    st.integers(1_000, 60_000_000),
    percents(),
    st.data(),
)
def test_the_sheet_sums_exactly_and_keeps_every_limit(charge, shares, data):
    quantities = arithmetic.split_charge(charge, shares)
    items = [data.draw(st.integers(0, 5)) for _ in shares]
    limits = {
        item: (
            data.draw(st.none() | st.integers(0, WHOLE)),
            data.draw(st.none() | st.integers(1, WHOLE)),
        )
        for item in set(items)
    }
    bounds = arithmetic.use_bounds(quantities, items, charge, limits)
    rest = data.draw(st.integers(0, len(shares) - 1))
    lines = [
        Portioned(at, quantity, low, high, None, at == rest)
        for at, (quantity, (low, high)) in enumerate(zip(quantities, bounds, strict=True))
    ]
    sheet = arithmetic.round_to_scales(lines, SCALES)
    assert sum(line.required for line in sheet) == charge
    for line, (low, high) in zip(sheet, bounds, strict=True):
        assert low <= line.required <= high
    for item, (low, high) in limits.items():
        before = sum(quantity for quantity, of in zip(quantities, items, strict=True) if of == item)
        after = sum(line.required for line, of in zip(sheet, items, strict=True) if of == item)
        if high is not None:
            assert after <= max(before, charge * high // WHOLE)
        if low is not None:
            assert after >= min(before, -(-charge * low // WHOLE))
    for line in sheet:
        scale = next(one for one in SCALES if one.name == line.scale)
        on_the_step = line.required % scale.step_mg == 0
        assert on_the_step or line.position == rest or line.flag


def sheet_of(charge: int, shares: list[int], limits=None, rest: int = 0, tolerance=None):
    quantities = arithmetic.split_charge(charge, shares)
    bounds = arithmetic.use_bounds(quantities, list(range(len(shares))), charge, limits or {})
    lines = [
        Portioned(at, quantity, low, high, tolerance, at == rest)
        for at, (quantity, (low, high)) in enumerate(zip(quantities, bounds, strict=True))
    ]
    return arithmetic.round_to_scales(lines, SCALES)


def test_each_line_is_rounded_to_the_smallest_scale_that_carries_it():
    # 1234.567 g: 90 % on the 0.1 g scale takes the rest, 10 % (123.457 g) on the 0.01 g scale.
    big, small = sheet_of(1_234_567, [900_000, 100_000])
    assert (small.required, small.scale) == (123_460, "0.01 g to 500 g")
    assert (big.required, big.scale) == (1_111_107, "0.1 g to 5 kg")


def test_a_line_at_its_use_limit_is_rounded_down_never_above_it():
    _, small = sheet_of(1_234_567, [995_000, 5_000], {1: (None, 5_000)})
    assert small.required == 6_170  # exact 6.173 g, nearest step 6.17
    _, small = sheet_of(1_235_800, [995_000, 5_000], {1: (None, 5_000)})
    assert small.required == 6_170  # exact 6.179 g: the nearest step 6.18 is above the limit


def test_a_line_at_its_minimum_is_rounded_up_never_below_it():
    _, small = sheet_of(1_234_567, [995_000, 5_000], {1: (5_000, None)})
    assert small.required == 6_180


def test_a_line_that_its_scale_cannot_hold_within_tolerance_is_flagged():
    _, tiny = sheet_of(100_000, [999_500, 500])  # 0.05 g within 5 %: 2.5 mg, half a step is 5 mg
    assert "scale too coarse" in tiny.flag
    _, small = sheet_of(100_000, [990_000, 10_000])  # 1 g within 5 %
    assert small.flag == ""
    _, tight = sheet_of(100_000, [990_000, 10_000], tolerance=1_000)  # 1 g within 0.1 %: 1 mg
    assert "scale too coarse" in tight.flag


def test_a_line_that_would_be_rounded_to_nothing_stays_exact_and_is_flagged():
    _, tiny = sheet_of(100_000, [999_960, 40])
    assert tiny.required == 4
    assert tiny.flag


def test_what_no_scale_carries_is_weighed_in_parts_and_says_so():
    (big,) = sheet_of(50_000_000, [WHOLE])
    assert "weigh in parts" in big.flag


def test_tolerance_is_the_lines_own_else_one_percent_above_ten_grams_and_five_below():
    assert arithmetic.tolerance_of(10_001, None) == 100
    assert arithmetic.tolerance_of(10_000, None) == 500
    assert arithmetic.tolerance_of(10_000, 20_000) == 200


def written(*texts: str, measure: str = "mass", density: Decimal | None = None) -> list[WrittenAmount]:
    return [WrittenAmount(text, measure, density) for text in texts]


def test_a_formula_written_wholly_in_grams_is_turned_into_percentages_that_sum_to_100():
    read = read_amounts("percent", written("1 g", "1 g", "1 g"))
    assert read.turned_into_percent
    assert [one.percent for one in read.amounts] == [333_334, 333_333, 333_333]


def test_percent_and_grams_mixed_are_refused_line_by_line():
    read = read_amounts("percent", written("98.5", "1.5 g"))
    assert list(read.refused) == [1]


def test_more_than_four_decimals_zero_and_words_are_refused():
    for text in ("0", "1.00001", "-1", "a bit", "100.0001"):
        assert read_amounts("percent", written(text, "qs")).refused == {
            0: 'a percentage above 0 to 100 with at most 4 decimals, or "qs"'
        }


def test_unit_amounts_are_exact_fractions():
    read = read_amounts("per_unit", written("1 pc / 12", measure="count"))
    assert read.amounts[0].per_unit == Fraction(1, 12)
    read = read_amounts("per_unit", written("30 mL", density=Decimal("0.915")))
    assert (read.amounts[0].per_unit, read.amounts[0].is_volume) == (Fraction(30_000), True)
    assert read_amounts("per_unit", written("qs", measure="count")).refused


def test_two_rests_and_totals_that_leave_nothing_are_told():
    assert "two lines" in arithmetic.describe_total([None, None, 10])
    assert "nothing is left" in arithmetic.describe_total([WHOLE, None])
    assert "99.9999" in arithmetic.describe_total([WHOLE - 1])
    assert arithmetic.describe_total([WHOLE - 1, None]) == ""
