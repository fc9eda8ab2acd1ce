"""Written quantities become exact base steps and are shown without loss."""

from decimal import Decimal
from fractions import Fraction

import pytest

from inventory.quantities import (
    COUNT,
    MASS,
    QuantityError,
    parse_percent,
    parse_quantity,
    parse_unit_amount,
    show_for_reading,
    show_percent,
    show_quantity,
)


@pytest.mark.parametrize(
    ("text", "steps"),
    [("2.5 kg", 2_500_000), ("0.1 g", 100), (".5g", 500), ("7 MG", 7), ("1000000 kg", 10**12)],
)
def test_a_mass_in_kg_g_or_mg_is_exact(text, steps):
    parsed = parse_quantity(text, measure=MASS)
    assert (parsed.steps, parsed.written) == (steps, "")


@pytest.mark.parametrize(
    ("text", "density", "steps"),
    [("500 mL", "0.92", 460_000), ("1 L", "1.26108", 1_261_080), ("1 oz", None, 28_350), ("1 lb", None, 453_592)],
)
def test_what_had_to_be_converted_is_rounded_half_up_and_kept_as_written(text, density, steps):
    parsed = parse_quantity(text, measure=MASS, density_g_per_ml=Decimal(density) if density else None)
    assert (parsed.steps, parsed.written) == (steps, text)


@pytest.mark.parametrize(
    ("text", "measure"),
    [
        ("0.0005 g", MASS),
        ("0 g", MASS),
        ("-1 kg", MASS),
        ("5", MASS),
        ("5 stone", MASS),
        ("500 mL", MASS),
        ("1000001 kg", MASS),
        ("1e3 g", MASS),
        ("24 g", COUNT),
        ("1.5 pc", COUNT),
        ("1000000001 pc", COUNT),
        ("nan kg", MASS),
        ("", MASS),
    ],
)
def test_anything_else_is_refused(text, measure):
    with pytest.raises(QuantityError):
        parse_quantity(text, measure=measure)


def test_one_piece_for_twelve_units_is_exact():
    assert parse_unit_amount("1 pc / 12", measure=COUNT).amount == Fraction(1, 12)
    with pytest.raises(QuantityError):
        parse_unit_amount("1 pc / 0", measure=COUNT)


@pytest.mark.parametrize(
    ("steps", "measure", "shown", "read"),
    [
        (1_250_000, MASS, "1250 g", "1.25 kg"),
        (500, MASS, "0.5 g", "0.5 g"),
        (1, MASS, "0.001 g", "0.001 g"),
        (-1_500, MASS, "-1.5 g", "-1.5 g"),
        (0, MASS, "0 g", "0 g"),
        (24, COUNT, "24 pc", "24 pc"),
    ],
)
def test_quantities_are_shown_plainly(steps, measure, shown, read):
    assert (show_quantity(steps, measure), show_for_reading(steps, measure)) == (shown, read)


def test_percentages_have_four_decimals():
    assert parse_percent("98.5") == 985_000
    assert show_percent(985_000) == "98.5"
    assert show_percent(parse_percent("0.0001 %")) == "0.0001"
    for text in ("0.00001", "101", "-1", "half"):
        with pytest.raises(QuantityError):
            parse_percent(text)
