"""Stability against the world: shelf life by ICH Q1E on published data, quantiles against scipy, days of pulls."""

from __future__ import annotations

from datetime import date

import pytest
from scipy import stats

from production.models import Protocol
from production.stability_days import usual_window_days, window_of
from production.stability_life import (
    APART,
    ONE_LINE,
    ONE_SLOPE,
    Series,
    f_tail,
    incomplete_beta,
    shelf_life,
    t_quantile,
    t_tail,
)

# LeBlond, Griffith and Aubuchon 2011, Journal of Validation Technology 17(3) 47-68, data set exp1: potency in % against
# months, limit 95. The lives below are those of the article.
EXP1 = {
    "b2": "0:101.0 1:101.3 3:99.8 3:99.2 6:99.5 6:97.8 12:97.4 12:97.2 24:96.9 24:96.0",
    "b3": "0:104.8 3:103.0 3:101.2 6:100.8 6:99.2 12:98.6 12:97.2 24:97.6 24:98.0",
    "b4": "0:104.0 3:103.2 6:102.8 6:103.3 12:102.4 12:101.2 24:99.1 24:99.5",
    "b5": "0:102.0 1:101.4 2:100.8 3:100.2 3:99.7 6:98.8 6:98.5 12:98.0 12:97.1 24:96.6 24:96.1",
    "b7": "0:101.3 1:101.5 3:100.2 3:99.8 6:99.0 6:98.5 12:98.5 12:97.4 24:96.6 24:96.4",
}
LIMIT = 95.0


def lot(name: str) -> Series:
    pairs = [pair.split(":") for pair in EXP1[name].split()]
    return Series(name, [float(month) for month, _ in pairs], [float(value) for _, value in pairs])


def test_lots_that_do_not_differ_share_one_line() -> None:
    """Source: LeBlond, Griffith and Aubuchon 2011, exp1, b2 + b5 + b7: common line, 25.9957631 months."""
    found = shelf_life([lot("b2"), lot("b5"), lot("b7")], low=LIMIT)
    assert found.model == ONE_LINE
    assert found.months == pytest.approx(25.9957631, abs=1e-5)
    assert (found.shortest, len(found.lines), found.data_until) == ("", 1, 24)


def test_lots_with_one_slope_and_intercepts_of_their_own_live_as_long_as_the_worst() -> None:
    """Source: the same, b3 + b4 + b5: common slope, worst batch b5, 23.3972651 months."""
    found = shelf_life([lot("b3"), lot("b4"), lot("b5")], low=LIMIT)
    assert found.model == ONE_SLOPE
    assert found.shortest == "b5"
    assert found.months == pytest.approx(23.3972651, abs=1e-5)
    assert len({line.slope for line in found.lines}) == 1
    assert found.months == min(line.months for line in found.lines if line.months is not None)


def test_lots_whose_slopes_differ_are_judged_each_by_its_own_line() -> None:
    """Own case after ICH Q1E (from memory): slopes that differ at 0.25 are not pooled; the shortest life counts.

    The life of one lot alone is the same whether it stands alone or beside a lot of another slope.
    """
    steep = Series("steep", [0, 3, 6, 9, 12], [100.1, 98.4, 97.1, 95.4, 94.0])
    flat = Series("flat", [0, 3, 6, 9, 12], [100.0, 99.9, 99.9, 99.6, 99.6])
    found = shelf_life([steep, flat], low=90)
    assert found.model == APART
    assert found.p_slopes is not None
    assert found.p_slopes < 0.25
    assert found.p_intercepts is None
    assert (found.shortest, found.months) == ("steep", shelf_life([steep], low=90).months)


@pytest.mark.parametrize("names", [("b2", "b5", "b7"), ("b3", "b4", "b5"), ("b2", "b3"), ("b4", "b7")])
def test_the_comparison_of_lots_is_that_of_least_squares_done_another_way(names: tuple[str, ...]) -> None:
    """Source: an analysis of covariance by numpy's least squares over explicit columns, with scipy's F."""
    import numpy

    lots = [lot(name) for name in names]
    months = numpy.concatenate([one.months for one in lots])
    values = numpy.concatenate([one.values for one in lots])
    own = numpy.concatenate([[at] * len(one.months) for at, one in enumerate(lots)])
    intercepts = numpy.stack([own == at for at in range(len(lots))], axis=1).astype(float)

    def left(columns: numpy.ndarray) -> float:
        fitted = columns @ numpy.linalg.lstsq(columns, values, rcond=None)[0]
        return float(((values - fitted) ** 2).sum())

    apart = left(numpy.hstack([intercepts, intercepts * months[:, None]]))
    one_slope = left(numpy.hstack([intercepts, months[:, None]]))
    one_line = left(numpy.stack([numpy.ones_like(months), months], axis=1))
    n, k = len(values), len(lots)
    found = shelf_life(lots, low=LIMIT)
    slopes = stats.f.sf(((one_slope - apart) / (k - 1)) / (apart / (n - 2 * k)), k - 1, n - 2 * k)
    assert found.p_slopes == pytest.approx(slopes, rel=1e-8)
    if found.p_intercepts is not None:
        intercept = stats.f.sf(((one_line - one_slope) / (k - 1)) / (one_slope / (n - k - 1)), k - 1, n - k - 1)
        assert found.p_intercepts == pytest.approx(intercept, rel=1e-8)


@pytest.mark.parametrize("free", [1, 2, 3, 7, 28, 500])
def test_quantiles_and_tails_of_t_and_f_are_those_of_scipy(free: int) -> None:
    """Source: scipy.stats."""
    for p in (0.6, 0.9, 0.95, 0.975, 0.999):
        assert t_quantile(p, free) == pytest.approx(stats.t.ppf(p, free), rel=1e-9)
    for value in (0.0, 1e-6, 0.3, 1.0, 2.5, 9.0, 80.0):
        assert t_tail(value, free) == pytest.approx(stats.t.sf(value, free), rel=1e-9, abs=1e-250)
        for other in (1, 2, 5, 30):
            assert f_tail(value, other, free) == pytest.approx(stats.f.sf(value, other, free), rel=1e-9, abs=1e-250)


def test_the_incomplete_beta_function_has_its_known_values() -> None:
    """Source: closed forms of NIST DLMF 8.17: I_x(1, b) = 1 - (1 - x)^b, I_x(a, 1) = x^a, I_1/2(a, a) = 1/2."""
    assert incomplete_beta(1, 4, 0.3) == pytest.approx(1 - 0.7**4, rel=1e-14)
    assert incomplete_beta(3, 1, 0.3) == pytest.approx(0.3**3, rel=1e-14)
    assert incomplete_beta(7.5, 7.5, 0.5) == pytest.approx(0.5, rel=1e-13)
    assert (incomplete_beta(2, 3, 0), incomplete_beta(2, 3, 1)) == (0, 1)


@pytest.mark.parametrize(
    ("started_on", "unit", "count", "due_on"),
    [
        (date(2026, 11, 25), "week", 12, date(2027, 2, 17)),  # Source: the calendar; 84 days
        (date(2027, 1, 31), "month", 1, date(2027, 2, 28)),  # the last day of February
        (date(2028, 1, 31), "month", 1, date(2028, 2, 29)),  # of a leap year too
        (date(2027, 1, 31), "month", 2, date(2027, 3, 31)),  # from the start, not from February
        (date(2028, 2, 29), "month", 12, date(2029, 2, 28)),
    ],
)
def test_pulls_fall_on_their_calendar_day(started_on: date, unit: str, count: int, due_on: date) -> None:
    assert window_of(started_on, unit, count, days_before=2, days_after=2).due_on == due_on


@pytest.mark.django_db
def test_the_first_protocol_is_common_practice() -> None:
    """Common practice, no source: weeks 0 1 2 4 8 12, months 6 9 12 18 24, at 4, 25 and 40 degrees C; two days either
    side to week 4, seven later."""
    protocol = Protocol.objects.get(code="COMMON")
    assert "no source" in protocol.name
    times = {(one.unit, one.count): (one.days_before, one.days_after) for one in protocol.pull_times.all()}
    weeks = {("week", count): (2, 2) for count in (0, 1, 2, 4)} | {("week", count): (7, 7) for count in (8, 12)}
    assert times == weeks | {("month", count): (7, 7) for count in (6, 9, 12, 18, 24)}
    assert all((usual_window_days(*time), usual_window_days(*time)) == window for time, window in times.items())
    assert [one.temperature_c for one in protocol.conditions.order_by("position")] == [4, 25, 40]
