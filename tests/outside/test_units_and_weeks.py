"""Units, densities and week dates against published values."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from inventory import cells
from inventory.numbers import render
from inventory.quantities import parse_quantity, show_quantity


@pytest.mark.parametrize(
    ("volume", "density", "mass"),
    [
        # Water, IAPWS-95 (recomputed): 998.207 kg/m3 at 20 C, 997.048 at 25 C, 974.843 at 75 C.
        ("1 L", "0.998207", "998.207 g"),
        ("1 L", "0.997048", "997.048 g"),
        ("500 mL", "0.974843", "487.422 g"),  # 487421.5 mg, rounded half up
        # Glycerol at 20 C: 1.26108 g/mL (Bosart and Snoddy 1928, from memory).
        ("250 mL", "1.26108", "315.27 g"),
    ],
)
def test_a_volume_becomes_mass_by_the_density(volume: str, density: str, mass: str) -> None:
    quantity = parse_quantity(volume, measure="mass", density_g_per_ml=Decimal(density))
    assert show_quantity(quantity.steps, "mass") == mass
    assert quantity.written == volume


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        # International avoirdupois pound of 1959: 0.45359237 kg exactly; an ounce is a sixteenth of it.
        ("1 lb", 453_592),
        ("1 oz", 28_350),
        ("16 oz", 453_592),
    ],
)
def test_pounds_and_ounces(text: str, steps: int) -> None:
    assert parse_quantity(text, measure="mass").steps == steps


def test_a_us_fluid_ounce() -> None:
    """Source: NIST Handbook 44, appendix C: 29.5735295625 mL (from memory)."""
    assert parse_quantity("1 fl oz", measure="mass", density_g_per_ml=Decimal(1)).steps == 29_574


@pytest.mark.parametrize(("day", "week_date"), [("2026-11-25", "2026-W48-3"), ("2027-01-01", "2026-W53-5")])
def test_numbers_by_the_week_are_iso_8601_week_dates(day: str, week_date: str) -> None:
    """Source: ISO 8601 week dates. Batches numbered by the week are common practice, no source."""
    assert render("{week_year}-W{week}-{weekday}/{n}", day=date.fromisoformat(day)) == (week_date + "/", "")


@pytest.mark.parametrize(
    ("digits", "check"),
    # Source: GS1 published examples of check digits.
    [("629104150021", "3"), ("730001100001", "7"), ("03600024145", "7")],
)
def test_a_gtin_is_taken_with_its_own_check_digit_only(digits: str, check: str) -> None:
    reader = cells.gtin()
    for digit in "0123456789":
        if digit == check:
            assert reader.read(digits + digit, cells.UNKNOWN) == digits + digit
        else:
            with pytest.raises(cells.Refused):
                reader.read(digits + digit, cells.UNKNOWN)
