"""What a scanner types: GS1 element strings read into the facts of a delivery. Pure but for the library biip.

biip knows every application identifier (GS1 General Specifications, section 3); what it lets through is looked at
here: it takes a GTIN with a wrong check digit, and cuts a value written with brackets at its first dash.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from biip import ParseError
from biip.gs1 import GS1Message

from inventory import cells
from inventory.errors import BadInput, Fault

GROUP_SEPARATOR = "\x1d"
# What scanners type in place of FNC1 where the keyboard has no key for it; none of them may stand in a value.
_SEPARATORS = (GROUP_SEPARATOR, "|", "~", "^")
_SYMBOLOGIES = ("]C1", "]e0", "]d2", "]Q3", "]J1")
_BRACKETED = re.compile(r"\(([0-9]{2,4})\)([^()]*)")
_ACCEPTED = 'the element string of a GS1 symbol, such as "(01)09506000134352(17)281231(10)A-7" or as a scanner types it'


@dataclass(frozen=True, slots=True)
class Scanned:
    """``gtin`` has 14 digits; ``item`` is what stands under 91, on labels of ours an item's code.

    ``best_before`` and ``expires_on`` are last days: a day 00 is the month's last. ``net_mg`` is the net weight,
    ``count`` the pieces within (30 or 37); ``lot`` is the maker's lot or batch number.
    """

    gtin: str = ""
    item: str = ""
    lot: str = ""
    made_on: date | None = None
    best_before: date | None = None
    expires_on: date | None = None
    net_mg: int | None = None
    count: int | None = None
    serial: str = ""

    @property
    def last_day(self) -> date | None:
        return self.expires_on or self.best_before


def looks_scanned(text: str) -> bool:
    """Whether somebody typed, or a scanner did, an element string rather than a word."""
    text = text.strip()
    return (
        text.startswith(_SYMBOLOGIES)
        or GROUP_SEPARATOR in text
        or re.match(r"\([0-9]{2,4}\)", text) is not None
        or re.match(r"0[12][0-9]{14}", text) is not None
    )


def read_scan(text: str, field: str = "scan") -> Scanned:
    """The facts of an element string: identifiers 01, 02, 10, 11, 15, 17, 21, 30, 310n, 37, 91; others are passed over.

    Raises BadInput naming the field: no element string, a wrong check digit, a day that is none.
    """
    try:
        message = GS1Message.parse(_plain(text), separator_chars=_SEPARATORS)
    except (ParseError, ValueError) as error:
        raise _refused(field, text, _ACCEPTED) from error
    found: dict[str, object] = {}
    for element in message.element_strings:
        identifier, value = element.ai.ai, element.value
        if identifier in ("01", "02"):
            found["gtin"] = _gtin(field, value)
        elif identifier == "10":
            found["lot"] = value
        elif identifier == "91":
            found["item"] = value
        elif identifier == "21":
            found["serial"] = value
        elif identifier in ("11", "15", "17"):
            name = {"11": "made_on", "15": "best_before", "17": "expires_on"}[identifier]
            found[name] = element.date
        elif identifier.startswith("310") and len(identifier) == 4:
            found["net_mg"] = int((element.decimal or 0) * 1_000_000)  # at most five decimals of a kilogram
        elif identifier in ("30", "37"):
            found["count"] = int(value)
    if not found:
        raise _refused(field, text, _ACCEPTED)
    return Scanned(**found)  # type: ignore[arg-type]


def label_text(*, item: str, gtin: str, lot: str) -> str:
    """What the symbol of a lot's label holds: its item (the GTIN where it has one, else our code as company internal
    information, 91) and our lot number, since lots of several items may bear one number.

    The lot number alone where GS1 has no room or no signs for it (more than 20 letters and digits).
    """
    for told, expected in (
        (f"(01){gtin.zfill(14)}(10){lot}", Scanned(gtin=gtin.zfill(14), lot=lot)),
        (f"(91){item}(10){lot}", Scanned(item=item, lot=lot)),
    ):
        try:
            if (gtin or expected.item) and read_scan(told) == expected:
                return told
        except BadInput:
            continue
    return lot


def _plain(text: str) -> str:
    """The string as a symbol holds it: without the symbology's mark, brackets turned into separators."""
    text = text.strip().removeprefix(GROUP_SEPARATOR)
    for mark in _SYMBOLOGIES:
        text = text.removeprefix(mark)
    parts = _BRACKETED.findall(text)
    if parts and "".join(f"({identifier}){value}" for identifier, value in parts) == text:
        return GROUP_SEPARATOR.join(identifier + value.strip() for identifier, value in parts)
    return text


def _gtin(field: str, value: str) -> str:
    try:
        cells.gtin().read(value, cells.UNKNOWN)
    except cells.Refused:
        raise _refused(field, value, "a GTIN with its right check digit: scan again, or type what is printed") from None
    return value


def _refused(field: str, value: str, accepted: str) -> BadInput:
    shown = "".join(sign if sign.isprintable() else " " for sign in value)[:100]
    return BadInput("that symbol cannot be read", faults=[Fault(field, shown, accepted)])


def same_gtin(gtin: str) -> list[str]:
    """Every way in which the same number may be written down: with 8, 12, 13 or 14 digits."""
    whole = gtin.zfill(14)
    return [whole[14 - length :] for length in (14, 13, 12, 8) if whole[: 14 - length].strip("0") == ""]
