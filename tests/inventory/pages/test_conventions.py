"""Quantities and days as a reader has them; and back, exact."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from inventory.errors import BadInput
from inventory.pages import conventions
from inventory.pages.conventions import Conventions, of_language, shown_by
from inventory.quantities import parse_quantity

GERMAN, AMERICAN, BRITISH, SWEDISH = "de", "en-us", "en-gb", "sv"


@pytest.fixture(autouse=True)
def _plain() -> Iterator[None]:
    with shown_by(Conventions()):
        yield


def shown(steps: int, measured: object = "mass", language: str = BRITISH, units: str = "g kg") -> str:
    with shown_by(of_language(language, units=units)):
        return conventions.show_quantity(steps, measured).replace(conventions.NBSP, " ")


def test_grams_below_a_kilogram_and_kilograms_from_there() -> None:
    assert shown(999_999) == "999.999 g"
    assert shown(1_000_000) == "1 kg"
    assert shown(2_500_000) == "2.5 kg"
    assert shown(0) == "0 g"
    assert shown(-1_500) == "−1.5 g"


def test_the_signs_of_a_number_are_the_readers() -> None:
    assert shown(1_237_500, language=GERMAN) == "1,2375 kg"
    assert shown(12_345, "count", language=GERMAN) == "12.345 pc"
    assert shown(12_345, "count") == "12,345 pc"
    assert shown(1_234, "count") == "1234 pc"


def test_units_as_the_workshop_likes() -> None:
    """One avoirdupois ounce is 28.349523125 g, one US fluid ounce 29.5735295625 mL (NIST Handbook 44, appendix C)."""
    assert shown(28_349_523, units="oz") == "1000 oz"
    assert shown(28_350, units="oz") == "1 oz"
    assert shown(14_175, units="oz") == "0.5 oz"
    oil = {"measure": "mass", "density_g_per_ml": Decimal("0.92")}
    assert shown(27_208, oil, units="fl oz") == "1 fl oz"  # 29.5735 mL x 0.92 g/mL
    assert shown(28_350, "mass", units="fl oz") == "1 oz"  # without a density there is no volume
    assert shown(1_250_000, units="g") == "1250 g"
    assert shown(1_250, units="kg") == "0.00125 kg"
    assert shown(24, "count", units="oz") == "24 pc"


def test_days_in_the_readers_order() -> None:
    day = date(2027, 3, 9)
    told = {}
    for language in (BRITISH, AMERICAN, GERMAN, SWEDISH):
        with shown_by(of_language(language)):
            told[language] = conventions.show_day(day).replace(conventions.NBSP, " ")
    assert told == {BRITISH: "9 Mar 2027", AMERICAN: "Mar 9, 2027", GERMAN: "9 Mar 2027", SWEDISH: "2027-03-09"}


def test_moments_in_the_workshops_zone() -> None:
    moment = datetime(2027, 3, 9, 23, 30, tzinfo=UTC)
    with shown_by(of_language(BRITISH, time_zone="Europe/Vienna")):
        assert conventions.show_moment(moment).replace(conventions.NBSP, " ") == "10 Mar 2027, 00:30"
    with shown_by(of_language(AMERICAN, time_zone="Europe/Vienna")):
        assert conventions.show_moment(moment).replace(conventions.NBSP, " ") == "Mar 10, 2027, 12:30 AM"


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (0, "today is the last day"), (1, "1 day left"), (20, "20 days left"), (21, "3 weeks left"),
        (90, "12 weeks left"), (91, "3 months left"), (729, "24 months left"), (730, "2 years left"),
        (-1, "1 day past"), (-30, "4 weeks past"),
    ],
)  # fmt: skip
def test_time_left_in_words(days: int, told: str) -> None:
    today = date(2027, 3, 9)
    assert conventions.show_time_left(date.fromordinal(today.toordinal() + days), today) == told


def test_no_last_day_keeps() -> None:
    assert conventions.show_time_left(None, date(2027, 3, 9)) == "keeps"


@pytest.mark.parametrize(
    ("language", "units", "typed", "measure", "steps"),
    [
        (BRITISH, "g kg", "480", "mass", 480_000),
        (BRITISH, "g kg", " 0.5 kg ", "mass", 500_000),
        (GERMAN, "g kg", "1,25 kg", "mass", 1_250_000),
        (GERMAN, "g kg", "0,5", "mass", 500),
        (GERMAN, "g kg", "1.25 kg", "mass", 1_250_000),
        (BRITISH, "kg", "1.5", "mass", 1_500_000),
        (BRITISH, "oz", "1", "mass", 28_350),
        (BRITISH, "g kg", "24", "count", 24),
    ],
)
def test_what_is_typed_is_read_exactly(language: str, units: str, typed: str, measure: str, steps: int) -> None:
    with shown_by(of_language(language, units=units)):
        assert parse_quantity(conventions.with_unit(typed, measure), measure=measure).steps == steps


def test_a_comma_is_no_decimal_where_the_reader_has_a_point() -> None:
    with shown_by(of_language(BRITISH)):
        assert conventions.with_unit("1,25 kg") == "1,25 kg"  # refused by the parser, not taken for 125


@pytest.mark.parametrize("typed", ["1.850", "1.850 g", "12.500 kg", "12.500"])
def test_a_point_that_may_part_thousands_is_not_guessed_at(typed: str) -> None:
    with shown_by(of_language(GERMAN)), pytest.raises(BadInput) as refused:
        conventions.with_unit(typed, "mass", "quantity")
    (fault,) = refused.value.faults
    assert fault.field == "quantity"
    assert typed.replace(".", ",") in fault.accepted
    assert typed.replace(".", "") in fault.accepted
    with shown_by(of_language(BRITISH)):
        assert conventions.with_unit(typed, "mass").startswith(typed)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("0.925", "0.925"),
        ("1.5", "1.5"),
        ("1.2345", "1.2345"),
        ("12.500,5 g", "12500.5 g"),
        ("1.234.567 g", "1234567 g"),
    ],
)
def test_a_point_that_has_one_meaning_is_read(typed: str, meant: str) -> None:
    with shown_by(of_language(GERMAN)):
        assert conventions.plain_number(typed) == meant


def test_what_the_program_writes_into_an_input_it_reads_again() -> None:
    for language in (GERMAN, BRITISH, SWEDISH):
        with shown_by(of_language(language)):
            assert conventions.plain_number(conventions.as_typed("1.261")) == "1.261"


def test_sentences_tell_days_and_quantities_as_the_reader_has_them() -> None:
    plain = "OIL lot 7: 12500 g, 3 March 2027; 24 pc by 2027-03-09. 3 x 5000 g; pH 5.60, 0.5 g"
    told = conventions.show_sentence(plain).replace(conventions.NBSP, " ")
    assert told == "OIL lot 7: 12.5 kg, 3 Mar 2027; 24 pc by 9 Mar 2027. 3 x 5 kg; pH 5.60, 0.5 g"
    with shown_by(of_language(GERMAN)):
        told = conventions.show_sentence("1250000.5 g until 3 March 2027, 2.5 g").replace(conventions.NBSP, " ")
        assert told == "1250,0005 kg until 3 Mar 2027, 2,5 g"
    with shown_by(of_language(SWEDISH)):
        assert conventions.show_sentence("by 3 March 2027") == "by 2027-03-03"


@pytest.mark.parametrize(
    "text",
    ["B2027-03-09-1", "2027-03-09-1", "0.92 g/mL", "TIN-50 g-1", "45 February 2027", "30 February 2027", "-5 g",
     "2.5 pc", "2027-13-01", "50 gates", ""],
)  # fmt: skip
def test_what_only_looks_like_a_day_or_a_quantity_stays(text: str) -> None:
    assert conventions.show_sentence(text) == text
