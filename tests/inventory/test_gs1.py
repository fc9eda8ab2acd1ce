"""What a scanner types. The rules are those of the GS1 General Specifications, section 3 (identifiers, days, check
digits, FNC1), written from memory; the GTINs are GS1's own well-known examples, from memory too."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.errors import BadInput
from inventory.gs1 import Scanned, label_text, looks_scanned, read_scan, same_gtin

GTIN = "09506000134352"


def test_the_parts_of_a_symbol() -> None:
    typed = f"]C101{GTIN}17281231310300125010AB-12\x1d21S7"
    expected = Scanned(gtin=GTIN, lot="AB-12", expires_on=date(2028, 12, 31), net_mg=1_250_000, serial="S7")
    assert read_scan(typed) == expected


def test_what_is_printed_under_it_with_brackets() -> None:
    """The library cuts a bracketed value at its first dash; here none is lost."""
    assert read_scan(f"(01){GTIN}(17)281231(10)AB-12/7") == Scanned(
        gtin=GTIN, lot="AB-12/7", expires_on=date(2028, 12, 31)
    )


@pytest.mark.parametrize("separator", ["\x1d", "|", "~", "^"])
def test_signs_that_scanners_type_for_the_separator(separator: str) -> None:
    assert read_scan(f"10LOT7{separator}3725") == Scanned(lot="LOT7", count=25)


def test_days() -> None:
    assert read_scan("11270301").made_on == date(2027, 3, 1)
    assert read_scan("15270400").best_before == date(2027, 4, 30), "a day 00 is the end of the month"
    assert read_scan("17280200").last_day == date(2028, 2, 29)
    assert read_scan("15270401\x1d17270301").last_day == date(2027, 3, 1), "an expiry counts before a best before"


@pytest.mark.parametrize(
    ("typed", "milligrams"), [("3100000002", 2_000_000), ("3103000250", 250_000), ("3105123456", 1_234_560)]
)
def test_net_weights(typed: str, milligrams: int) -> None:
    assert read_scan(typed).net_mg == milligrams


def test_pieces() -> None:
    assert read_scan("3048").count == 48
    assert read_scan(f"02{GTIN}3712") == Scanned(gtin=GTIN, count=12)


def test_identifiers_that_say_nothing_of_a_delivery_are_passed_over() -> None:
    assert read_scan(f"01{GTIN}422036\x1d10L1").lot == "L1"
    assert read_scan(f"01{GTIN}240ART\x1d10L1") == Scanned(gtin=GTIN, lot="L1")


@pytest.mark.parametrize(
    "typed",
    [
        "0109506000134353",  # a wrong check digit, which the library lets through
        "(01)09506000134353(10)A",
        f"01{GTIN}17270231",  # the 31st of February
        f"01{GTIN}17271331",
        "hello",
        "",
        "99",
        "(01)",
        "01" + "9" * 90,
        "240ONLY",
    ],
)
def test_what_cannot_be_read_is_refused(typed: str) -> None:
    with pytest.raises(BadInput) as refusal:
        read_scan(typed, "scan")
    assert refusal.value.faults[0].field == "scan"


def test_every_wrong_last_digit_is_refused() -> None:
    for digit in "0123456789":
        typed = f"01{GTIN[:-1]}{digit}"
        if digit == GTIN[-1]:
            assert read_scan(typed).gtin == GTIN
        else:
            with pytest.raises(BadInput):
                read_scan(typed)


def test_words_and_lot_numbers_are_no_symbols() -> None:
    assert not any(looks_scanned(text) for text in ("lavender", "WC-1", "B20261130-1", "20261130-1", "(oil)", ""))
    assert all(looks_scanned(text) for text in (f"01{GTIN}", f"(01){GTIN}", "]d210A", "10A\x1d11270301"))


def test_a_number_is_the_same_with_and_without_its_zeros() -> None:
    assert same_gtin(GTIN) == [GTIN, GTIN[1:]]
    assert same_gtin("6291041500213") == ["06291041500213", "6291041500213"]
    assert same_gtin("96385074") == ["00000096385074", "0000096385074", "000096385074", "96385074"]


def test_a_label_names_item_and_lot_where_gs1_has_room_for_them() -> None:
    assert read_scan(label_text(item="OIL", gtin=GTIN, lot="L-1")) == Scanned(gtin=GTIN, lot="L-1")
    assert read_scan(label_text(item="OIL", gtin="", lot="20261127-1")) == Scanned(item="OIL", lot="20261127-1")
    for item, lot in (("OIL", "N" * 21), ("OIL", "été 1"), ("OIL", "a(10)b"), ("HUILE D'ÉTÉ", "L-1")):
        assert label_text(item=item, gtin="", lot=lot) == lot
