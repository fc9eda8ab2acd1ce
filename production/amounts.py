"""Written amounts of formula lines into what the tables keep. Pure: knows no models, reads nothing.

A percent line is "12.5", "12.5 %" or "qs"; a percent formula may be written wholly in masses and is then turned
into percentages. A per_unit line is a quantity for one unit: "1 pc", "1 pc / 12", "49.5 g", "30 mL".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from inventory.quantities import (
    COUNT,
    MASS,
    QuantityError,
    parse_percent,
    parse_quantity,
    parse_unit_amount,
    show_percent,
)
from production.arithmetic import PERCENT, percents_of_masses

QS = "qs"
LARGEST_INTEGER = 2**63 - 1  # what the database keeps of a fraction's two halves


@dataclass(frozen=True, slots=True)
class WrittenAmount:
    """An amount as text, with what its item can be measured in."""

    text: str
    measure: str = MASS
    density_g_per_ml: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Amount:
    """A line's amount as kept: one of percent, qs, or an exact fraction for one unit; ``text`` as shown again."""

    text: str
    percent: int | None = None
    qs: bool = False
    per_unit: Fraction | None = None
    is_volume: bool = False


@dataclass(frozen=True, slots=True)
class AmountsRead:
    """All lines of one formula. ``refused`` maps a line's index to what would be accepted (then its amount is None)."""

    amounts: list[Amount | None]
    refused: dict[int, str] = field(default_factory=dict)
    turned_into_percent: bool = False


def read_amounts(basis: str, written: Sequence[WrittenAmount]) -> AmountsRead:
    """Read every line's amount; a percent formula written wholly in masses is turned into percentages."""
    if basis == PERCENT:
        from_masses = _percents_from_masses(written)
        if from_masses is not None:
            return from_masses
    amounts: list[Amount | None] = []
    refused: dict[int, str] = {}
    for index, one in enumerate(written):
        try:
            amounts.append(_read_percent(one) if basis == PERCENT else _read_unit_amount(one))
        except QuantityError as error:
            amounts.append(None)
            refused[index] = str(error)
    return AmountsRead(amounts, refused)


def _percents_from_masses(written: Sequence[WrittenAmount]) -> AmountsRead | None:
    masses = []
    for one in written:
        if one.measure != MASS:
            return None
        try:
            masses.append(parse_quantity(one.text, measure=MASS, density_g_per_ml=one.density_g_per_ml).steps)
        except QuantityError:
            return None
    if not masses:
        return None
    percents = percents_of_masses(masses)
    amounts: list[Amount | None] = [Amount(show_percent(percent), percent=percent) for percent in percents]
    refused = {
        index: "a mass of at least 0.0001 % of the whole" for index, percent in enumerate(percents) if not percent
    }
    return AmountsRead(amounts, refused, turned_into_percent=True)


def _read_percent(one: WrittenAmount) -> Amount:
    if one.measure == COUNT:
        raise QuantityError("an item measured by mass: a percent formula has no pieces")
    if one.text.strip().lower() == QS:
        return Amount(QS, qs=True)
    try:
        percent = parse_percent(one.text, low=1)
    except QuantityError:
        raise QuantityError('a percentage above 0 to 100 with at most 4 decimals, or "qs"') from None
    return Amount(show_percent(percent), percent=percent)


def _read_unit_amount(one: WrittenAmount) -> Amount:
    read = parse_unit_amount(one.text, measure=one.measure, density_g_per_ml=one.density_g_per_ml)
    if max(read.amount.numerator, read.amount.denominator) > LARGEST_INTEGER:
        raise QuantityError("a quantity with fewer decimals")
    return Amount(read.written, per_unit=read.amount, is_volume=read.is_volume)
