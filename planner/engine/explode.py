"""Formula arithmetic: what goes in for what must come out, and what each line weighs.

Whole steps (milligrams, pieces) and exact fractions only; imports the standard library, numpy and the
problem's row types. Needs are rounded up, outputs down.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.problem import WHOLE, Formula

PERCENT = "percent"
PER_UNIT = "per_unit"


def split_charge(charge: int, percents: Sequence[int]) -> list[int]:
    """Split ``charge`` steps by ``percents`` (ten-thousandths of a percent) so that the parts sum exactly.

    The largest remainder method (Hamilton's method of apportionment): every part is rounded down,
    then the steps left over go one each to the largest remainders, ties to the earlier position.
    Raises ValueError when the percents do not sum to ``WHOLE``.
    """
    if sum(percents) != WHOLE:
        raise ValueError(f"percents sum to {sum(percents)}, not {WHOLE}")
    exact = [charge * percent for percent in percents]
    parts = [product // WHOLE for product in exact]
    left_over = charge - sum(parts)
    if left_over:
        # sorted() is stable, so equal remainders stay in the order of their positions.
        by_remainder = sorted(range(len(exact)), key=lambda place: -(exact[place] % WHOLE))
        for place in by_remainder[:left_over]:
            parts[place] += 1
    return parts


def split_charges(charges: np.ndarray, percents: np.ndarray, batch_of: np.ndarray) -> np.ndarray:
    """``split_charge`` for many batches at once; a charge of at most 10^12 steps, so that the products fit 64 bits.

    ``charges`` by batch; ``percents`` and ``batch_of`` by line, the lines of a batch together and in order of
    position. Answers steps by line.
    """
    exact = charges[batch_of] * percents
    parts, remainders = np.divmod(exact, WHOLE)
    first_line = np.searchsorted(batch_of, np.arange(len(charges) + 1))
    sums = np.concatenate([[0], np.cumsum(parts)])
    left_over = charges - np.diff(sums[first_line])
    # Only of batches with steps left over: usual charges and percentages divide evenly.
    open_lines = np.flatnonzero(left_over[batch_of] > 0)
    # By batch, then largest remainder first; stable, so equal ones stay in the order of their positions.
    key = batch_of[open_lines] * WHOLE + (WHOLE - 1 - remainders[open_lines])
    by_remainder = open_lines[np.argsort(key, kind="stable")]
    rank = open_lines - first_line[batch_of[open_lines]]
    parts[by_remainder] += rank < left_over[batch_of[open_lines]]
    return parts


def line_quantities(formula: Formula, charge: int) -> list[int]:
    """What each line of ``formula`` needs for ``charge``, in steps of its item, in the order of the lines.

    Percent: the charge split by largest remainder. Per unit: units begun times the amount,
    a volume rounded half up, everything else rounded up.
    """
    if formula.basis == PERCENT:
        return split_charge(charge, [line.percent for line in formula.lines])
    quantities = []
    for line in formula.lines:
        steps, per = charge * line.per_unit.numerator, line.per_unit.denominator
        quantities.append((2 * steps + per) // (2 * per) if line.is_volume else -(-steps // per))
    return quantities


def charge_for(quantity: int, yield_percent: int = WHOLE, loss: int = 0) -> int:
    """The smallest charge whose output is at least ``quantity``: (quantity + loss) / yield, rounded up."""
    return -(-(quantity + loss) * WHOLE // yield_percent)


def output_of(charge: int, yield_percent: int = WHOLE, loss: int = 0) -> int:
    """What comes out of ``charge``: charge x yield, rounded down, less the loss; never below 0."""
    return max(0, charge * yield_percent // WHOLE - loss)


def outputs_of(charges: np.ndarray, yield_percents: np.ndarray, losses: np.ndarray) -> np.ndarray:
    """``output_of`` for many charges at once; of at most 10^12 steps, so that the products fit 64 bits."""
    return np.maximum(0, charges * yield_percents // WHOLE - losses)


def formula_charge_for(formula: Formula, quantity: int) -> int:
    """``charge_for`` by the formula's own yield and loss (a per-unit formula has no loss)."""
    return charge_for(quantity, formula.yield_percent, formula_loss(formula))


def formula_output(formula: Formula, charge: int) -> int:
    """``output_of`` by the formula's own yield and loss (a per-unit formula has no loss)."""
    return output_of(charge, formula.yield_percent, formula_loss(formula))


def formula_loss(formula: Formula) -> int:
    """The steps that stay in the vessel: percent formulas only."""
    return formula.loss if formula.basis == PERCENT else 0


def raised(charge: int, batch_multiple: int) -> int:
    """``charge`` raised to a multiple of ``batch_multiple``."""
    return -(-charge // batch_multiple) * batch_multiple


def largest_multiple(max_batch: int, batch_multiple: int) -> int:
    """The largest multiple of ``batch_multiple`` not above ``max_batch``; 0 where none is."""
    return max_batch // batch_multiple * batch_multiple


def check_cuts(
    *,
    yield_percent: int = WHOLE,
    loss: int = 0,
    min_batch: int = 0,
    batch_multiple: int = 1,
    max_batch: int | None = None,
) -> str | None:
    """Why a formula's sizes cannot be cut into batches, as a stable code; None when they can.

    ``no_multiple``: no multiple fits under ``max_batch``. ``max_below_min``: the largest multiple is
    below ``min_batch`` raised to a multiple. ``no_output``: the loss takes all that the largest gives.
    """
    if max_batch is None:
        return None
    largest = largest_multiple(max_batch, batch_multiple)
    if largest == 0:
        return "no_multiple"
    if largest < raised(min_batch, batch_multiple):
        return "max_below_min"
    if output_of(largest, yield_percent, loss) == 0:
        return "no_output"
    return None
