"""Shelf life from stability readings by ICH Q1E: where the confidence bound of the mean line meets the limit. Pure.

Source: ICH Q1E, Evaluation of Stability Data (2003), sections 2.4 to 2.6 and appendix B, from memory; the arithmetic is
held against LeBlond, Griffith and Aubuchon 2011 (``tests/outside/test_stability.py``). The figure is for the quality
person and a qualified safety assessor: it decides nothing, and it sets no item's life.

1. A straight line is fitted to the readings of each lot.
2. Lots are pooled where they do not differ at a level of 0.25: first the slopes are compared, then, where those agree,
   the intercepts. One line for all; or one slope, each lot with a line of its own; or lots quite apart.
3. The life of a line ends where its bound of 95 % confidence meets the limit: one-sided where one limit is given,
   two-sided (0.025 on either side) where both are, since the reading may then go either way. Of several lines the
   shortest life counts.

Quantiles of t and tails of F come from the incomplete beta function by its continued fraction (NIST Digital Library of
Mathematical Functions, 8.17.22; evaluated by the modified Lentz method): twenty lines, held against scipy by a test,
in place of a dependency of a hundred megabytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

CONFIDENCE = 0.95
POOLED_ABOVE = 0.25  # the level of ICH Q1E for comparing lots
LONGEST_MONTHS = 1200.0  # nobody asks beyond a century: a bound that has not met its limit by then never does here
ONE_LINE, ONE_SLOPE, APART = "one line", "one slope", "lots apart"
_NOISE = 1e-12  # of the readings' spread: scatter below this is rounding of the machine


class TooFew(ValueError):
    """Not enough readings, or not enough times, for a line with a bound."""


@dataclass(frozen=True, slots=True)
class Series:
    """The readings of one lot: values at ages in months."""

    name: str
    months: Sequence[float]
    values: Sequence[float]


@dataclass(frozen=True, slots=True)
class LotLine:
    """One lot's line; ``months`` is its life, None where its bound never meets a limit."""

    name: str
    intercept: float
    slope: float
    months: float | None


@dataclass(frozen=True, slots=True)
class Life:
    """What the readings say. ``months`` is the shortest life among the lines, None where none ends.

    ``shortest`` names its lot ("" for one line of all). p-values are None for a single lot, and for intercepts where
    the slopes differ. ``data_until`` is the age of the oldest reading in months.
    """

    model: str
    p_slopes: float | None
    p_intercepts: float | None
    months: float | None
    shortest: str
    lines: tuple[LotLine, ...]
    data_until: float


def shelf_life(series: Sequence[Series], *, low: float | None = None, high: float | None = None) -> Life:
    """The life of what these lots are samples of, against one limit or two. Raises TooFew.

    Every lot needs readings at two ages at least, and all together must leave some scatter to judge by.
    """
    assert series
    assert low is not None or high is not None
    sums = [_Sums.of(one) for one in series]
    for one in sums:
        if one.sxx == 0:
            raise TooFew(f"{one.name}: readings at two ages at least")
    p_slopes, p_intercepts = _compare(sums) if len(sums) > 1 else (None, None)
    if len(sums) > 1 and p_slopes is not None and p_slopes <= POOLED_ABOVE:
        model, p_intercepts, fits = APART, None, [_fit([one], common_intercept=True)[0] for one in sums]
    elif p_intercepts is not None and p_intercepts <= POOLED_ABOVE:
        model, fits = ONE_SLOPE, _fit(sums, common_intercept=False)
    else:
        model, fits = ONE_LINE, _fit(sums, common_intercept=True)
    tail = (1 - CONFIDENCE) / (2 if low is not None and high is not None else 1)
    lines = tuple(
        LotLine(fit.name, fit.intercept, fit.slope, _months(fit, low=low, high=high, tail=tail)) for fit in fits
    )
    ending = [line for line in lines if line.months is not None]
    first = min(ending, key=lambda line: line.months or 0.0, default=None)
    return Life(
        model=model,
        p_slopes=p_slopes,
        p_intercepts=p_intercepts,
        months=first.months if first else None,
        shortest=first.name if first else "",
        lines=lines,
        data_until=max(max(one.months) for one in series),
    )


# --- lines -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Sums:
    """What a straight line needs of readings: their number, means, and sums of squares about the means."""

    name: str
    n: int
    mean_x: float
    mean_y: float
    sxx: float
    sxy: float
    syy: float

    @classmethod
    def of(cls, one: Series) -> _Sums:
        n = len(one.values)
        if n == 0:
            raise TooFew(f"{one.name}: no readings")
        mean_x, mean_y = math.fsum(one.months) / n, math.fsum(one.values) / n
        off = [(x - mean_x, y - mean_y) for x, y in zip(one.months, one.values, strict=True)]
        return cls(
            one.name,
            n,
            mean_x,
            mean_y,
            math.fsum(x * x for x, _ in off),
            math.fsum(x * y for x, y in off),
            math.fsum(y * y for _, y in off),
        )


def _together(sums: Sequence[_Sums], name: str = "") -> _Sums:
    """The sums of all lots as if they were one."""
    n = sum(one.n for one in sums)
    mean_x = math.fsum(one.n * one.mean_x for one in sums) / n
    mean_y = math.fsum(one.n * one.mean_y for one in sums) / n
    return _Sums(
        sums[0].name if len(sums) == 1 else name,
        n,
        mean_x,
        mean_y,
        math.fsum(one.sxx + one.n * (one.mean_x - mean_x) ** 2 for one in sums),
        math.fsum(one.sxy + one.n * (one.mean_x - mean_x) * (one.mean_y - mean_y) for one in sums),
        math.fsum(one.syy + one.n * (one.mean_y - mean_y) ** 2 for one in sums),
    )


def _scatter(sums: Sequence[_Sums], *, slopes: str) -> float:
    """The sum of squares that lines leave: ``own`` slopes and intercepts, a ``common`` slope with own intercepts."""
    if slopes == "own":
        left = math.fsum(one.syy - one.sxy**2 / one.sxx for one in sums)
    else:
        left = math.fsum(one.syy for one in sums) - math.fsum(one.sxy for one in sums) ** 2 / math.fsum(
            one.sxx for one in sums
        )
    return left if left > _NOISE * math.fsum(one.syy for one in sums) else 0.0


def _compare(sums: Sequence[_Sums]) -> tuple[float, float]:
    """The p-values of equal slopes, and of equal intercepts given one slope. Raises TooFew where no scatter is left."""
    n, lots = sum(one.n for one in sums), len(sums)
    if n <= 2 * lots:
        raise TooFew("more readings than two for each lot, to tell scatter from difference")
    apart, one_slope = _scatter(sums, slopes="own"), _scatter(sums, slopes="common")
    one_line = _scatter([_together(sums)], slopes="own")
    return (
        _p_of(one_slope - apart, lots - 1, apart, n - 2 * lots),
        _p_of(one_line - one_slope, lots - 1, one_slope, n - lots - 1),
    )


def _p_of(more: float, more_free: int, left: float, left_free: int) -> float:
    if left == 0:  # readings without any scatter: a difference is one, or there is none
        return 0.0 if more > 0 else 1.0
    return f_tail((max(0.0, more) / more_free) / (left / left_free), more_free, left_free)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A line with what its bound hangs on: the scatter's deviation and freedom, and the spread of ages."""

    name: str
    intercept: float
    slope: float
    deviation: float
    free: int
    n: int
    mean_x: float
    sxx: float


def _fit(sums: Sequence[_Sums], *, common_intercept: bool) -> list[_Fit]:
    """One line through all readings; or a line for each lot with one slope and the scatter of all."""
    parts = [_together(sums)] if common_intercept else list(sums)
    n, sxx = sum(one.n for one in parts), math.fsum(one.sxx for one in parts)
    slope = math.fsum(one.sxy for one in parts) / sxx
    free = n - len(parts) - 1
    if free < 1:
        raise TooFew(f"{parts[0].name or 'all lots'}: three readings at least")
    deviation = math.sqrt(_scatter(parts, slopes="common") / free)
    return [
        _Fit(one.name, one.mean_y - slope * one.mean_x, slope, deviation, free, one.n, one.mean_x, sxx) for one in parts
    ]


# --- where the bound meets the limit -----------------------------------------------------------------------


def _months(fit: _Fit, *, low: float | None, high: float | None, tail: float) -> float | None:
    factor = t_quantile(1 - tail, fit.free) * fit.deviation
    ends = []
    if low is not None:
        ends.append(_meets(fit.intercept - low, fit.slope, factor, fit))
    if high is not None:
        ends.append(_meets(high - fit.intercept, -fit.slope, factor, fit))
    return min((end for end in ends if end is not None), default=None)


def _meets(margin: float, slope: float, factor: float, fit: _Fit) -> float | None:
    """The first age at which margin + slope x age, less the bound's width, is below nothing; None: never.

    The difference is concave, so that once it is gone it stays gone: its end is found by halving.
    """

    def left(age: float) -> float:
        return margin + slope * age - factor * math.sqrt(1 / fit.n + (age - fit.mean_x) ** 2 / fit.sxx)

    if left(0.0) < 0:
        return 0.0
    if left(LONGEST_MONTHS) >= 0:
        return None
    here, gone = 0.0, LONGEST_MONTHS
    while gone - here > 1e-10:
        middle = (here + gone) / 2
        if middle in (here, gone):
            break
        here, gone = (middle, gone) if left(middle) >= 0 else (here, middle)
    return here


# --- t and F -----------------------------------------------------------------------------------------------


def f_tail(f: float, free_1: int, free_2: int) -> float:
    """The chance of a value above ``f`` under the F distribution."""
    return incomplete_beta(free_2 / 2, free_1 / 2, free_2 / (free_2 + free_1 * f))


def t_tail(t: float, free: int) -> float:
    """The chance of a value above ``t`` (at least 0) under Student's t."""
    return incomplete_beta(free / 2, 0.5, free / (free + t * t)) / 2


def t_quantile(p: float, free: int) -> float:
    """The value that Student's t stays below with chance ``p`` (0.5 to below 1), by halving."""
    assert 0.5 <= p < 1
    assert free >= 1
    low, high = 0.0, 1.0
    while t_tail(high, free) > 1 - p:
        low, high = high, 2 * high
    while high - low > 1e-12 * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if t_tail(middle, free) > 1 - p else (low, middle)
    return high


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularized incomplete beta function I_x(a, b), for a and b above 0 and x from 0 to 1."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    # The fraction converges fast below the mean; above it the other tail is taken (DLMF 8.17.4).
    if x < (a + 1) / (a + b + 2):
        return front / a * _beta_fraction(a, b, x)
    return 1.0 - front / b * _beta_fraction(b, a, 1.0 - x)


def _beta_fraction(a: float, b: float, x: float) -> float:
    """1 / (1 + d1 / (1 + d2 / (1 + ...))) of DLMF 8.17.22 and 8.17.23, by the modified Lentz method."""
    tiny = 1e-300
    ratio, above, below = 1.0, 1.0, 0.0
    for step in range(1, 10_000):
        m = step // 2
        if step % 2:
            term = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        else:
            term = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        below = 1.0 / ((1.0 + term * below) or tiny)
        above = (1.0 + term / above) or tiny
        ratio *= above * below
        if abs(above * below - 1.0) < 1e-15:
            break
    return 1.0 / ratio
