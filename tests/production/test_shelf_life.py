"""Shelf life from readings: what the arithmetic refuses, and where it ends."""

from __future__ import annotations

import pytest

from production.stability_life import ONE_LINE, Series, TooFew, shelf_life

FALLING = Series("A", [0, 3, 6, 9, 12], [5.30, 5.22, 5.19, 5.10, 5.05])


def test_a_life_against_an_upper_limit_is_that_of_the_mirror_image_against_a_lower_one() -> None:
    mirrored = Series("A", FALLING.months, [-value for value in FALLING.values])
    down, up = shelf_life([FALLING], low=4.8), shelf_life([mirrored], high=-4.8)
    assert down.months is not None
    assert down.months == pytest.approx(up.months)


def test_two_limits_are_judged_by_a_wider_bound_than_one() -> None:
    one, two = shelf_life([FALLING], low=4.8), shelf_life([FALLING], low=4.8, high=5.6)
    assert one.months is not None
    assert two.months is not None
    assert two.months < one.months


def test_readings_that_do_not_change_never_meet_a_limit() -> None:
    steady = Series("A", [0, 3, 6, 9], [5.0, 5.0, 5.0, 5.0])
    assert shelf_life([steady], low=4.5).months is None


def test_what_is_out_of_its_limit_at_the_start_has_no_life() -> None:
    assert shelf_life([FALLING], low=5.4).months == 0


def test_without_scatter_the_life_ends_where_the_line_meets_the_limit() -> None:
    exact = [Series(name, [0, 6, 12], [6.0, 5.4, 4.8]) for name in ("A", "B")]
    found = shelf_life(exact, low=4.5)
    assert found.model == ONE_LINE
    assert found.months == pytest.approx(15)
    assert (found.p_slopes, found.p_intercepts) == (1, 1)


def test_a_wider_scatter_shortens_the_life() -> None:
    wide = Series("A", FALLING.months, [value + (-1) ** at * 0.05 for at, value in enumerate(FALLING.values)])
    narrow_life, wide_life = shelf_life([FALLING], low=4.8).months, shelf_life([wide], low=4.8).months
    assert narrow_life is not None
    assert wide_life is not None
    assert wide_life < narrow_life


@pytest.mark.parametrize(
    "series",
    [
        [Series("A", [], [])],
        [Series("A", [0, 0, 0], [5, 5, 5.1])],
        [Series("A", [0, 3], [5, 5])],
        [Series("A", [0, 3], [5, 4.9]), Series("B", [0, 3], [5, 4.8])],
        [FALLING, Series("B", [6], [5])],
    ],
    ids=["nothing", "one age", "two readings", "two of each lot", "one lot with one"],
)
def test_too_few_readings_are_refused(series: list[Series]) -> None:
    with pytest.raises(TooFew):
        shelf_life(series, low=4.5)
