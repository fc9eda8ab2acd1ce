"""Exact quantities: text to whole base steps and back. The one module that uses pint.

Stock is a whole number of the item's base step: milligram for mass, piece for count.
"2.5 kg" is 2500000; "500 mL" becomes mass by the item's density. Decimal throughout: no
binary float is ever made. Knows nothing of Django models: measure and density are arguments.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from functools import cache
from typing import Any

MASS = "mass"
COUNT = "count"

# The largest single quantity: a thousand tonnes in milligrams, a thousand million pieces. With it a sum of
# nine million largest lots still fits a 64-bit integer, and SQLite's SUM cannot overflow.
MAX_MG = 10**12
MAX_PIECES = 10**9

PERCENT_STEPS = 10_000  # one percent in ten-thousandths: four decimals
WHOLE = 100 * PERCENT_STEPS

# Only the trade's units are taken; pint knows thousands more, which would be typos here.
_MASS_UNITS = {"kg": "kilogram", "g": "gram", "mg": "milligram", "oz": "ounce", "lb": "pound"}
_VOLUME_UNITS = {"ml": "milliliter", "l": "liter", "fl oz": "US_fluid_ounce", "floz": "US_fluid_ounce"}
_PIECE_UNITS = {"pc", "pcs"}
_EXACT_MASS_UNITS = {"kg", "g", "mg"}

_QUANTITY = re.compile(r"^\s*([+-]?[0-9]+(?:\.[0-9]+)?|[+-]?\.[0-9]+)\s*([A-Za-z]+(?: [A-Za-z]+)?)\s*$")
_PER = re.compile(r"^(.*?)\s*/\s*([0-9]{1,9})\s*$")


class QuantityError(ValueError):
    """The text is not a quantity that this item can have; the message says what is accepted."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """Whole base steps, and the text that was written where it had to be converted (else blank)."""

    steps: int
    written: str = ""


@dataclass(frozen=True, slots=True)
class UnitAmount:
    """The amount of a line for one unit: exact steps (mg or pc), or exact microlitres for a volume."""

    amount: Fraction
    is_volume: bool
    written: str


@cache
def _units() -> Any:
    """The unit registry. Made when first asked for: pint takes as long to start as a small plan to make."""
    import pint

    return pint.UnitRegistry(non_int_type=Decimal)


@cache
def _factor(unit: str, to: str) -> Decimal:
    """How many ``to`` one ``unit`` is, exact (an avoirdupois ounce is 28349.523125 mg)."""
    return Decimal(_units().Quantity(Decimal(1), unit).to(to).magnitude)


def limit_of(measure: str) -> int:
    """The largest quantity of one value, in base steps."""
    return MAX_MG if measure == MASS else MAX_PIECES


def _split(text: str, accepted: str) -> tuple[Decimal, str]:
    match = _QUANTITY.match(text)
    if match is None or len(text) > 40:
        raise QuantityError(accepted)
    return Decimal(match.group(1)), match.group(2).lower()


def accepted_text(measure: str, has_density: bool, minimum: int = 1) -> str:
    above = "above 0" if minimum else "of at least 0"
    if measure == COUNT:
        return f'a whole number of pieces {above} such as "24 pc"'
    return f'a quantity {above} such as "2.5 kg"' + (' or "500 mL"' if has_density else "")


def parse_quantity(text: str, *, measure: str, density_g_per_ml: Decimal | None = None, minimum: int = 1) -> Quantity:
    """Base steps of a written quantity of an item with this measure and density.

    kg, g and mg must be whole milligrams; mL, L, oz, lb and fl oz are rounded half up and the
    written text is kept. ``minimum`` is 1 (above nothing) or 0.

    Raises QuantityError with what would be accepted.
    """
    accepted = accepted_text(measure, density_g_per_ml is not None, minimum)
    number, unit = _split(text, accepted)
    written = ""
    if measure == COUNT:
        if unit not in _PIECE_UNITS:
            raise QuantityError(accepted)
        steps = number
        if steps != steps.to_integral_value():
            raise QuantityError(accepted)
    elif unit in _MASS_UNITS:
        steps = number * _factor(_MASS_UNITS[unit], "milligram")
        if unit in _EXACT_MASS_UNITS:
            if steps != steps.to_integral_value():
                raise QuantityError("whole milligrams: at most 3 decimals in g, 6 in kg, none in mg")
        else:
            steps, written = steps.to_integral_value(ROUND_HALF_UP), text.strip()
    elif unit in _VOLUME_UNITS:
        if density_g_per_ml is None:
            raise QuantityError('a mass such as "2.5 kg" (a volume needs the item\'s density_g_per_ml)')
        microlitres = number * _factor(_VOLUME_UNITS[unit], "microliter")
        steps, written = (microlitres * density_g_per_ml).to_integral_value(ROUND_HALF_UP), text.strip()
    else:
        raise QuantityError(accepted)
    whole = int(steps)
    if whole < minimum:
        raise QuantityError(accepted)
    if whole > limit_of(measure):
        raise QuantityError("at most " + show_quantity(limit_of(measure), measure))
    return Quantity(whole, written)


def parse_unit_amount(text: str, *, measure: str, density_g_per_ml: Decimal | None = None) -> UnitAmount:
    """The amount of a per_unit line: "1 pc", "1 pc / 12", "49.5 g", "30 mL". A volume stays one until
    it is multiplied by the units begun. Raises QuantityError."""
    accepted = 'a quantity for one unit such as "1 pc", "1 pc / 12", "50 g" or "30 mL"'
    share, body = 1, text
    per = _PER.match(text)
    if per is not None:
        body, share = per.group(1), int(per.group(2))
        if share < 1 or measure != COUNT:
            raise QuantityError(accepted)
    number, unit = _split(body, accepted)
    if measure == MASS and unit in _VOLUME_UNITS:
        if density_g_per_ml is None:
            raise QuantityError('a mass such as "50 g" (a volume needs the item\'s density_g_per_ml)')
        microlitres = Fraction(number * _factor(_VOLUME_UNITS[unit], "microliter"))
        if not 0 < microlitres <= MAX_MG:
            raise QuantityError(accepted)
        return UnitAmount(microlitres, True, text.strip())
    parsed = parse_quantity(body, measure=measure, density_g_per_ml=density_g_per_ml)
    return UnitAmount(Fraction(parsed.steps, share), False, text.strip())


# What follows the whole grams, by milligrams: quantities are shown by the hundred thousand.
_DECIMALS = ("", *(f".{milligrams:03d}".rstrip("0") for milligrams in range(1, 1000)))


def show_quantity(steps: int, measure: str) -> str:
    """The JSON form: mass in g as a plain decimal of at most three places ("1250 g", "0.5 g"), count as "24 pc"."""
    if not steps:
        return "0 pc" if measure == COUNT else "0 g"
    if measure == COUNT:
        return f"{steps} pc"
    if steps < 0:
        return "-" + show_quantity(-steps, measure)
    grams, milligrams = divmod(steps, 1000)
    return f"{grams}{_DECIMALS[milligrams]} g"


def show_for_reading(steps: int, measure: str) -> str:
    """The form for a person: kg from one kilogram on, g below; pieces as they are."""
    if measure == MASS and abs(steps) >= 1_000_000:
        kilograms = (Decimal(steps) / 1_000_000).normalize()
        return f"{kilograms:f} kg"
    return show_quantity(steps, measure)


def parse_percent(text: str, *, low: int = 0, high: int = WHOLE) -> int:
    """Ten-thousandths of a percent, from plain text of at most four decimals. Raises QuantityError."""
    accepted = f"a percentage from {show_percent(low)} to {show_percent(high)} with at most 4 decimals"
    if not re.fullmatch(r"\s*[+-]?[0-9]{1,4}(\.[0-9]{1,12})?\s*%?\s*", text):
        raise QuantityError(accepted)
    value = Decimal(text.replace("%", "").strip()) * PERCENT_STEPS
    if value != value.to_integral_value() or not low <= value <= high:
        raise QuantityError(accepted)
    return int(value)


def show_percent(steps: int) -> str:
    """Plain decimal without trailing zeros: 985000 is "98.5"."""
    return f"{(Decimal(steps) / PERCENT_STEPS).normalize():f}"


def round_up(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def round_down(value: Fraction) -> int:
    return value.numerator // value.denominator


def round_half_up(value: Fraction) -> int:
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)
