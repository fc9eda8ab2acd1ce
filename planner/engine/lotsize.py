"""Lot sizes: how a need for a made item is cut into batches.

Pure; whole steps only.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from planner.engine.explode import (
    PERCENT,
    check_cuts,
    formula_charge_for,
    formula_loss,
    formula_output,
    largest_multiple,
    line_quantities,
    raised,
)
from planner.engine.formula_lines import single_lot_lines
from planner.engine.problem import WHOLE, Formula, Line
from planner.engine.result import PlanError

# What one batch of a bulk can give to a single-lot line: (place of the line, steps at most).
Limit = tuple[int, int]

# A need cut into more batches than this is a typing error in the formula, not a plan.
MAX_CUTS = 100_000


def cut_sizes(
    quantity: int, formula: Formula, largest_charge: int | None, limits: Sequence[Limit] = ()
) -> list[tuple[int, int]]:
    """Cut ``quantity`` into batches one by one: (charge, output) of each, in the order they are cut.

    Each charge is what the rest needs, raised to the formula's minimum and multiple, at most
    ``largest_charge`` (None: no limit); the rest falls by the batch's output. ``limits`` are already in
    ``largest_charge``, but largest remainder can give a line a step more for a smaller charge, so they
    are looked at again.
    Raises PlanError ``too_many_cuts`` above ``MAX_CUTS``.
    """
    cuts: list[tuple[int, int]] = []
    while quantity > 0:
        charge = raised(max(formula_charge_for(formula, quantity), formula.min_batch), formula.batch_multiple)
        if largest_charge is not None:
            charge = min(charge, largest_charge)
        if limits and not _fits(formula, charge, limits):
            charge = _largest_that_fits(formula, charge, limits)
        output = formula_output(formula, charge)
        if output == 0 or len(cuts) == MAX_CUTS:
            raise PlanError("too_many_cuts", f"formula {formula.formula}: batches too small for {quantity}")
        cuts.append((charge, output))
        quantity -= output
    return cuts


def largest_charges(
    chosen: Mapping[str, Formula], levels: Mapping[str, int], drawn: Collection[str] = ()
) -> dict[str, int | None]:
    """The largest charge of each made item's batches (None: no limit), by the code of the item.

    That is the largest multiple not above ``max_batch``, further limited so that one batch of the
    item of every ``single_lot`` line fills the line. Items lower in the levels come first, so the
    limit of a bulk is known when what is filled from it asks.
    Raises PlanError ``formula_size`` for a formula whose sizes cannot be cut.
    """
    charges: dict[str, int | None] = {}
    outputs: dict[str, int | None] = {}
    for item in sorted(chosen, key=lambda code: (-levels[code], code)):
        formula = chosen[item]
        fault = check_cuts(
            yield_percent=formula.yield_percent,
            loss=formula_loss(formula),
            min_batch=formula.min_batch,
            batch_multiple=formula.batch_multiple,
            max_batch=formula.max_batch,
        )
        if fault:
            raise PlanError("formula_size", f"formula {formula.formula} cannot be cut: {fault}")
        limits = _limits(formula, outputs, drawn)
        charge = formula.max_batch
        if charge is not None:
            charge = largest_multiple(charge, formula.batch_multiple)
        if limits:
            charge = _largest_that_fits(formula, charge, limits)
        charges[item] = charge
        outputs[item] = None if charge is None else formula_output(formula, charge)
    return charges


def single_lot_limits(
    item: str, chosen: Mapping[str, Formula], charges: Mapping[str, int | None], drawn: Collection[str] = ()
) -> list[Limit]:
    """The limits that single-lot lines set to a making of ``item``, given the ``largest_charges``."""
    outputs: dict[str, int | None] = {}
    for _, line in single_lot_lines(chosen[item]):
        charge = charges.get(line.item)
        if charge is not None:
            outputs[line.item] = formula_output(chosen[line.item], charge)
    return _limits(chosen[item], outputs, drawn)


def _limits(formula: Formula, outputs: Mapping[str, int | None], drawn: Collection[str]) -> list[Limit]:
    return [
        (place, limit)
        for place, line in single_lot_lines(formula)
        if line.item not in drawn
        # A line of 0 needs no lot and so sets no limit.
        and (line.percent or line.per_unit)
        and (limit := outputs.get(line.item)) is not None
    ]


def _fits(formula: Formula, charge: int, limits: Sequence[Limit]) -> bool:
    quantities = line_quantities(formula, charge)
    return all(quantities[place] <= limit for place, limit in limits)


def _largest_that_fits(formula: Formula, at_most: int | None, limits: Sequence[Limit]) -> int:
    """The largest charge whose lines (by place) stay within their limits: a multiple if one fits, else any.

    Largest remainder can give a line one step less for a larger charge, so the charges just below the
    highest possible one are tried one by one.
    """
    highest = min(_highest_charge(formula, formula.lines[place], limit) for place, limit in limits)
    if at_most is not None:
        highest = min(highest, at_most)
    smallest = formula_charge_for(formula, 1)
    top = largest_multiple(highest, formula.batch_multiple)
    candidates: Iterable[int] = range(top, 0, -formula.batch_multiple)
    for tried in (candidates, range(highest, 0, -1)):
        for charge in tried:
            if _fits(formula, charge, limits):
                # A charge of which nothing comes out would be no batch at all.
                return max(charge, smallest)
    return smallest


def _highest_charge(formula: Formula, line: Line, limit: int) -> int:
    """A charge that no charge keeping ``line`` within ``limit`` exceeds."""
    if formula.basis == PERCENT:
        # The line's part rounded down is at most limit.
        return ((limit + 1) * WHOLE - 1) // line.percent
    steps, per = line.per_unit.numerator, line.per_unit.denominator
    if line.is_volume:
        # Half up: units x steps / per < limit + 1/2.
        return ((2 * limit + 1) * per - 1) // (2 * steps)
    return limit * per // steps
