"""Formula arithmetic, low-level codes and lot sizes."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from planner.engine.explode import charge_for, check_cuts, line_quantities, output_of, split_charge
from planner.engine.levels import find_loop, low_level_codes
from planner.engine.lotsize import cut_sizes, largest_charges
from planner.engine.problem import Formula, Line
from planner.engine.result import PlanError

from .build import mix, pack_out


def test_a_split_sums_exactly_and_each_part_is_within_a_step():
    rng = random.Random(1)
    for _ in range(500):
        cuts = sorted(rng.randrange(1_000_001) for _ in range(rng.randint(0, 12)))
        percents = [b - a for a, b in zip([0, *cuts], [*cuts, 1_000_000], strict=True)]
        charge = rng.randrange(10**12)
        parts = split_charge(charge, percents)
        assert sum(parts) == charge
        assert all(
            abs(Fraction(charge * percent, 1_000_000) - part) < 1 for percent, part in zip(percents, parts, strict=True)
        )


def test_a_tie_of_remainders_goes_to_the_earlier_position():
    # Own case: 1.913265 kg as 10 % herb and 90 % oil.
    assert split_charge(1_913_265, [100_000, 900_000]) == [191_327, 1_721_938]


def test_percents_that_do_not_sum_are_refused():
    with pytest.raises(ValueError, match="999999"):
        split_charge(100, [999_999])


def test_pieces_are_rounded_up_and_volumes_half_up():
    lines = (
        Line(1, "box", per_unit=Fraction(1, 12)),
        Line(2, "gel", per_unit=Fraction(1, 2), is_volume=True),
        Line(3, "oil", per_unit=Fraction(9, 20), is_volume=True),
    )
    formula = Formula("F", 1, "jar", "per_unit", lines)
    assert line_quantities(formula, 13) == [2, 7, 6]
    assert line_quantities(formula, 1) == [1, 1, 0]


def test_a_charge_covers_its_need_and_no_smaller_one_does():
    rng = random.Random(2)
    for _ in range(500):
        need, yield_percent, loss = rng.randrange(1, 10**9), rng.randrange(1, 1_000_001), rng.randrange(10**6)
        charge = charge_for(need, yield_percent, loss)
        assert output_of(charge, yield_percent, loss) >= need > output_of(charge - 1, yield_percent, loss)


@pytest.mark.parametrize(
    "sizes, fault",
    [
        ({"batch_multiple": 100, "max_batch": 99}, "no_multiple"),
        ({"min_batch": 150, "batch_multiple": 100, "max_batch": 199}, "max_below_min"),
        ({"loss": 90, "max_batch": 100, "yield_percent": 900_000}, "no_output"),
        ({"min_batch": 150, "batch_multiple": 100, "max_batch": 200}, None),
        ({"loss": 10**9}, None),
    ],
)
def test_sizes_that_cannot_be_cut_are_named(sizes, fault):
    assert check_cuts(**sizes) == fault


def test_cuts_are_raised_to_the_minimum_and_the_multiple_and_capped():
    formula = mix("balm", {"oil": 100}, min_batch=250, batch_multiple=100)
    assert cut_sizes(1050, formula, 500) == [(500, 500), (500, 500), (300, 300)]
    assert cut_sizes(301, formula, None) == [(400, 400)]


def test_the_rest_falls_by_the_output_not_by_the_charge():
    formula = mix("balm", {"oil": 100}, yield_percent=500_000, loss=10)
    assert cut_sizes(100, formula, 100) == [(100, 40), (100, 40), (60, 20)]


def test_a_filling_is_cut_to_one_batch_of_its_bulk_at_every_level():
    chosen = {
        "jar": pack_out("jar", {"bulk": 50}, single_lot=("bulk",), batch_multiple=12, min_batch=60),
        "bulk": mix("bulk", {"oil": 100}, max_batch=1999, batch_multiple=100, loss=20),
    }
    levels = {"jar": 0, "bulk": 1, "oil": 2}
    # 1900 in, 1880 out: 37 jars, and so 36 by the multiple of 12.
    assert largest_charges(chosen, levels) == {"bulk": 1900, "jar": 36}
    assert cut_sizes(60, chosen["jar"], 36) == [(36, 36), (36, 36)]


def test_a_multiple_that_no_bulk_fills_is_let_go():
    chosen = {
        "jar": pack_out("jar", {"bulk": 50}, single_lot=("bulk",), batch_multiple=100),
        "bulk": mix("bulk", {"oil": 100}, max_batch=1000),
    }
    assert largest_charges(chosen, {"jar": 0, "bulk": 1, "oil": 2})["jar"] == 20


def test_low_level_code_is_the_longest_path():
    uses = {"A": ["B", "C"], "C": ["B", "D", "E"], "B": ["D", "F"], "D": ["E"]}
    assert low_level_codes(uses) == {"A": 0, "C": 1, "B": 2, "D": 3, "F": 3, "E": 4}


def test_a_loop_is_refused_with_its_path():
    uses = {"A": ["B"], "B": ["C", "E"], "C": ["D"], "D": ["B"]}
    with pytest.raises(PlanError) as refused:
        low_level_codes(uses)
    assert (refused.value.code, refused.value.path) == ("loop", ("B", "C", "D", "B"))
    assert find_loop({"A": ["A"]}) == ("A", "A")
    assert find_loop({"A": ["B"]}) is None


def test_a_chain_of_thousands_is_no_deeper_than_one():
    chain = {f"I{n:05}": [f"I{n + 1:05}"] for n in range(20_000)}
    assert low_level_codes(chain)["I20000"] == 20_000
