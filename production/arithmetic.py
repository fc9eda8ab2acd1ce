"""The sums of a making: splits, needs, outputs, cuts, and the batch sheet's rounding. Pure: imports no Django.

Quantities are whole base steps (mg or pieces); percentages are ten-thousandths of a percent, ``WHOLE`` is
100 %. Needs are rounded up, outputs down, and a percent batch always sums to its charge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from inventory.quantities import (
    PERCENT_STEPS,
    WHOLE,
    round_down,
    round_half_up,
    round_up,
    show_percent,
    show_quantity,
)

PERCENT = "percent"
PER_UNIT = "per_unit"

# Weighing tolerance where the line gives none: common practice, no source.
SMALL_WEIGHING_MG = 10_000
TOLERANCE_SMALL = 5 * PERCENT_STEPS
TOLERANCE = 1 * PERCENT_STEPS


class Scale(Protocol):
    """A balance of the workshop: its step, the most it carries, and what it is called."""

    @property
    def step_mg(self) -> int: ...
    @property
    def most_mg(self) -> int: ...
    @property
    def name(self) -> str: ...


@dataclass(frozen=True, slots=True)
class UnitShare:
    """What one unit begun takes of a line: base steps, or microlitres of an item with this density."""

    amount: Fraction
    is_volume: bool = False
    density_g_per_ml: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Cuts:
    """How a formula's makings may be sized, all in its charge: mg, or units begun."""

    yield_percent: int = WHOLE
    loss_mg: int = 0
    min_batch: int = 0
    batch_multiple: int = 1
    max_batch: int | None = None


@dataclass(frozen=True, slots=True)
class Portioned:
    """One percent line before rounding: its exact quantity, the bounds of its use limits, and its tolerance."""

    position: int
    quantity: int
    lowest: int
    highest: int
    tolerance_percent: int | None = None
    takes_rest: bool = False


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One line as the batch sheet asks for it. ``flag`` says what its scale cannot do, or is blank."""

    position: int
    required: int
    tolerance: int
    scale: str = ""
    flag: str = ""


def split_charge(charge: int, percents: Sequence[int]) -> list[int]:
    """Split a charge over percentages by largest remainder; equal remainders go to the earlier line.

    The parts sum to the charge exactly. The percentages must sum to ``WHOLE``.
    """
    assert sum(percents) == WHOLE, "the percentages must sum to 100"
    return _largest_remainder(charge, percents, WHOLE)


def percents_of_masses(masses: Sequence[int]) -> list[int]:
    """Percentages of a formula written in grams, by largest remainder: they sum to 100.0000 exactly."""
    return _largest_remainder(WHOLE, masses, sum(masses))


def _largest_remainder(total: int, weights: Sequence[int], weight_sum: int) -> list[int]:
    parts = [total * weight // weight_sum for weight in weights]
    by_remainder = sorted(range(len(weights)), key=lambda at: (-(total * weights[at] % weight_sum), at))
    for at in by_remainder[: total - sum(parts)]:
        parts[at] += 1
    return parts


def resolve_rest(percents: Sequence[int | None]) -> list[int]:
    """The percentages with the one blank (``qs``) line given what the others leave of 100."""
    rest = WHOLE - sum(percent for percent in percents if percent is not None)
    return [rest if percent is None else percent for percent in percents]


def unit_quantity(units: int, share: UnitShare) -> int:
    """What a line takes for so many units: pieces and masses rounded up, a volume's mass half up."""
    if not share.is_volume:
        return round_up(units * share.amount)
    assert share.density_g_per_ml is not None, "a volume needs a density"
    return round_half_up(units * share.amount * share.density_g_per_ml)


def charge_for(need: int, *, yield_percent: int = WHOLE, loss_mg: int = 0) -> int:
    """What must go in so that at least ``need`` comes out: (need + loss) / yield, rounded up."""
    return round_up(Fraction((need + loss_mg) * WHOLE, yield_percent))


def output_of(charge: int, *, yield_percent: int = WHOLE, loss_mg: int = 0) -> int:
    """What comes out: charge x yield - loss, rounded down, at least nothing."""
    return max(0, round_down(Fraction(charge * yield_percent, WHOLE)) - loss_mg)


def raised_minimum(cuts: Cuts) -> int:
    """The smallest charge that is a multiple and not below ``min_batch``."""
    return max(1, -(-cuts.min_batch // cuts.batch_multiple)) * cuts.batch_multiple


def largest_charge(cuts: Cuts) -> int | None:
    """The largest multiple not above ``max_batch``; None: any size."""
    if cuts.max_batch is None:
        return None
    return cuts.max_batch // cuts.batch_multiple * cuts.batch_multiple


def faults_of_cuts(cuts: Cuts) -> list[str]:
    """Why no making can be cut by these sizes; empty when they work."""
    largest = largest_charge(cuts)
    if largest is None:
        return []
    if largest <= 0:
        return ["max_batch is below one batch_multiple: no batch fits"]
    if largest < raised_minimum(cuts):
        return ["the largest multiple within max_batch is below min_batch: no batch fits"]
    if output_of(largest, yield_percent=cuts.yield_percent, loss_mg=cuts.loss_mg) <= 0:
        return ["the loss leaves no output even of the largest batch"]
    return []


def tolerance_of(quantity: int, tolerance_percent: int | None) -> int:
    """Plus and minus of a weighing in mg, rounded down: the line's own, else 1 % above 10 g and 5 % up to it."""
    if tolerance_percent is None:
        tolerance_percent = TOLERANCE if quantity > SMALL_WEIGHING_MG else TOLERANCE_SMALL
    return quantity * tolerance_percent // WHOLE


def use_bounds(
    quantities: Sequence[int],
    items: Sequence[int],
    charge: int,
    limits: dict[int, tuple[int | None, int | None]],
) -> list[tuple[int, int]]:
    """How low and how high rounding may go per line so that each item keeps its use limits of the charge.

    An item's room (limit less what all its lines take) is shared among its lines. A line that is outside its
    limit already (approved with a warning) may only be rounded towards it.
    """
    totals: dict[int, list[int]] = {}
    for quantity, item in zip(quantities, items, strict=True):
        totals.setdefault(item, []).append(quantity)
    bounds = []
    for quantity, item in zip(quantities, items, strict=True):
        low, high = limits.get(item, (None, None))
        taken, lines = sum(totals[item]), len(totals[item])
        room_down, room_up = quantity, charge
        if low is not None:
            room_down = max(0, taken - round_up(Fraction(charge * low, WHOLE))) // lines
        if high is not None:
            room_up = max(0, charge * high // WHOLE - taken) // lines
        bounds.append((max(0, quantity - room_down), quantity + room_up))
    return bounds


def smallest_scale(quantity: int, scales: Sequence[Scale]) -> Scale:
    """The smallest scale that carries a quantity; the largest one where none does. Scales: smallest first."""
    return next((scale for scale in scales if scale.most_mg >= quantity), scales[-1])


def round_to_scales(lines: Sequence[Portioned], scales: Sequence[Scale]) -> list[SheetLine]:
    """The batch sheet of a percent batch: what the scales can weigh, summing to the charge exactly.

    1. Every line but the one that takes the rest is rounded to the step of the smallest scale that carries
       it, kept within its bounds. Where no step lies within them, or it would be rounded to nothing, it stays
       exact.
    2. The line that takes the rest gets what is left. Where that leaves its own bounds, the lines that pushed
       it furthest go back to their exact quantity, one by one, until it is within them.
    3. Tolerances and flags are worked out on the result.
    """
    rest = next(line for line in lines if line.takes_rest)
    rounded = {
        line.position: _to_scale(line, smallest_scale(line.quantity, scales)) for line in lines if line is not rest
    }
    others = {line.position: line for line in lines if line is not rest}
    pushed = sum(line.quantity - rounded[position] for position, line in others.items())
    while not rest.lowest <= rest.quantity + pushed <= rest.highest:
        sign = 1 if pushed > 0 else -1
        furthest = max(others.values(), key=lambda line: sign * (line.quantity - rounded[line.position]))
        pushed -= furthest.quantity - rounded[furthest.position]
        rounded[furthest.position] = furthest.quantity
    rounded[rest.position] = rest.quantity + pushed
    return [_sheet_line(line, rounded[line.position], scales) for line in lines]


def _to_scale(line: Portioned, scale: Scale) -> int:
    step = scale.step_mg
    nearest = (2 * line.quantity + step) // (2 * step) * step
    if nearest > line.highest:
        nearest = line.highest // step * step
    if nearest < line.lowest:
        nearest = -(-line.lowest // step) * step
    return nearest if nearest > 0 and line.lowest <= nearest <= line.highest else line.quantity


def _sheet_line(line: Portioned, required: int, scales: Sequence[Scale]) -> SheetLine:
    scale = smallest_scale(required, scales)
    tolerance = tolerance_of(required, line.tolerance_percent)
    return SheetLine(line.position, required, tolerance, scale.name, _flag(line, required, tolerance, scale))


def _flag(line: Portioned, required: int, tolerance: int, scale: Scale) -> str:
    step = show_quantity(scale.step_mg, "mass")
    if required == 0:
        return "nothing to weigh at this batch size"
    if not line.takes_rest and required % scale.step_mg:
        return f"scale too coarse: its step of {step} does not meet the use limits"
    # A reading is true to half a step: the scale holds the line when that is within its tolerance.
    if scale.step_mg > 2 * tolerance or abs(required - line.quantity) > tolerance:
        return f"scale too coarse: a step of {step} is more than the tolerance allows"
    if required > scale.most_mg:
        return f"weigh in parts: no scale carries {show_quantity(required, 'mass')}"
    return ""


def describe_total(percents: Sequence[int | None]) -> str:
    """What is wrong with the percentages' total, or blank. A blank percentage is the ``qs`` line."""
    total = sum(percent for percent in percents if percent is not None)
    rests = sum(percent is None for percent in percents)
    if rests > 1:
        return "two lines are qs: only one may take the rest"
    if rests == 1 and total >= WHOLE:
        return f"the other lines sum to {show_percent(total)} %: nothing is left for the qs line"
    if rests == 0 and total != WHOLE:
        return f"the lines sum to {show_percent(total)} %, not to 100"
    return ""
