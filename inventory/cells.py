"""Readers of single values that people write: text to value, or a refusal that says what is accepted."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from inventory.quantities import (
    COUNT,
    MASS,
    QuantityError,
    accepted_text,
    parse_percent,
    parse_quantity,
)

CODE_LENGTH = 64
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2999, 12, 31)
MAX_DAYS = 36_500


class Refused(ValueError):
    """The text is no value of this column; the message says what is accepted."""


@dataclass(frozen=True, slots=True)
class Measured:
    """How the quantities of a row are measured: its item's measure and density."""

    measure: str
    density_g_per_ml: Decimal | None = None


# A row whose item is not known (a fault of its own): its quantities are read in whichever measure fits.
UNKNOWN = Measured("unknown")


@dataclass(frozen=True, slots=True)
class Reader:
    """One kind of cell. ``numeric`` cells may be written with a decimal comma where a whole file is."""

    kind: str  # a word or two for the documentation
    accepted: str
    read: Callable[[str, Measured], Any]
    numeric: bool = False


def _is_plain(cell: str, also: str = "") -> bool:
    """Whether a text has no control characters but those named, and no line or paragraph separators."""
    return cell.isprintable() or all(
        sign in also or unicodedata.category(sign) not in ("Cc", "Cs", "Zl", "Zp") for sign in cell
    )


NO_ADDRESS = (".", "..")  # browsers and servers take these for steps between addresses


def code() -> Reader:
    accepted = f'a code of 1 to {CODE_LENGTH} visible characters, without spaces around it, and not "." or ".."'

    def read(text: str, measured: Measured) -> str:
        if len(text) > CODE_LENGTH or not text.isprintable() or text != text.strip() or text in NO_ADDRESS:
            raise Refused(accepted)
        return text

    return Reader("code", accepted, read)


def text(length: int = 200) -> Reader:
    accepted = f"text of at most {length} characters without control characters"

    def read(cell: str, measured: Measured) -> str:
        if len(cell) > length or not _is_plain(cell, "\t\n\r"):
            raise Refused(accepted)
        return cell

    return Reader("text", accepted, read)


def pattern(kind: str, expression: str, accepted: str) -> Reader:
    compiled = re.compile(expression)

    def read(cell: str, measured: Measured) -> str:
        if compiled.fullmatch(cell) is None:
            raise Refused(accepted)
        return cell

    return Reader(kind, accepted, read)


def email() -> Reader:
    return pattern("e-mail", r"(?=.{3,200}$)[^\s@]+@[^\s@]+", 'an e-mail address such as "name@example.org"')


def cas() -> Reader:
    one = r"[0-9]{2,7}-[0-9]{2}-[0-9]"
    expression = rf"(?=.{{1,40}}$){one}(?:\s*[/,;]\s*{one})*"
    return pattern("CAS number", expression, 'a CAS number such as "56-81-5", or several with "/"')


def gtin() -> Reader:
    accepted = "a GTIN of 8, 12, 13 or 14 digits with its right check digit"

    def read(cell: str, measured: Measured) -> str:
        if re.fullmatch(r"[0-9]{8}|[0-9]{12,14}", cell) is None:
            raise Refused(accepted)
        digits = [int(sign) for sign in reversed(cell)]
        if sum(digit * (3 if at % 2 else 1) for at, digit in enumerate(digits)) % 10:
            raise Refused(accepted)
        return cell

    return Reader("GTIN", accepted, read)


def choice(*options: str, synonyms: Mapping[str, str] = MappingProxyType({})) -> Reader:
    """``synonyms`` are read as the option that they stand for."""
    accepted = "one of " + ", ".join(options) if len(options) > 1 else options[0]

    def read(cell: str, measured: Measured) -> str:
        found = synonyms.get(cell, cell)
        if found not in options:
            raise Refused(accepted)
        return found

    return Reader("one of " + ", ".join(options), accepted, read)


def yes_no() -> Reader:
    accepted = "yes or no"

    def read(cell: str, measured: Measured) -> bool:
        if cell.lower() not in ("yes", "no"):
            raise Refused(accepted)
        return cell.lower() == "yes"

    return Reader("yes or no", accepted, read)


def whole(low: int, high: int) -> Reader:
    accepted = f"a whole number from {low} to {high}"

    def read(cell: str, measured: Measured) -> int:
        # "2.0" is what some programs make of a whole number.
        if re.fullmatch(r"[+-]?[0-9]{1,12}(\.0{1,6})?", cell) is None:
            raise Refused(accepted)
        number = int(cell.partition(".")[0])
        if not low <= number <= high:
            raise Refused(accepted)
        return number

    return Reader("whole number", accepted, read, numeric=True)


def days(low: int = 0) -> Reader:
    return whole(low, MAX_DAYS)


def decimal(low: str, high: str, places: int, *, above: bool = False) -> Reader:
    """A plain decimal from ``low`` (or above it) to ``high`` with at most so many places."""
    lowest, highest = Decimal(low), Decimal(high)
    span = f"above {low} and at most {high}" if above else f"from {low} to {high}"
    accepted = f"a number {span} with at most {places} decimals"

    def read(cell: str, measured: Measured) -> Decimal:
        if re.fullmatch(r"[+-]?([0-9]{1,15}(\.[0-9]{0,15})?|\.[0-9]{1,15})", cell) is None:
            raise Refused(accepted)
        number = Decimal(cell)
        within = lowest < number <= highest if above else lowest <= number <= highest
        if not within or number != round(number, places):
            raise Refused(accepted)
        return number

    return Reader("number", accepted, read, numeric=True)


def percent(low: int = 0) -> Reader:
    """Ten-thousandths of a percent; ``low`` likewise."""
    start = "above 0" if low else "from 0"
    accepted = f"a percentage {start} to 100 with at most 4 decimals"

    def read(cell: str, measured: Measured) -> int:
        try:
            return parse_percent(cell, low=low)
        except QuantityError:
            raise Refused(accepted) from None

    return Reader("percentage", accepted, read, numeric=True)


def day() -> Reader:
    accepted = f'a day such as "2027-03-31", from {FIRST_DAY.year} to {LAST_DAY.year}'

    def read(cell: str, measured: Measured) -> date:
        found = _day_of(cell)
        if found is None:
            raise Refused(accepted)
        return found

    return Reader("day", accepted, read)


def expiry() -> Reader:
    accepted = f'a day such as "2027-03-31" or a month such as "2027-06", to {LAST_DAY.year}; blank for none'

    def read(cell: str, measured: Measured) -> date:
        found = _day_of(cell)
        if found is None and re.fullmatch(r"[0-9]{4}-[0-9]{2}", cell):
            first = _day_of(cell + "-01")
            # The month's last day is the day before the next month's first.
            found = first and (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
        if found is None:
            raise Refused(accepted)
        return found

    return Reader("day or month", accepted, read)


def _day_of(cell: str) -> date | None:
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", cell) is None:
        return None
    try:
        found = date.fromisoformat(cell)
    except ValueError:
        return None
    return found if FIRST_DAY <= found <= LAST_DAY else None


def quantity(minimum: int = 1) -> Reader:
    """Whole base steps of the row's item, with the written text where it was converted."""

    def read(cell: str, measured: Measured) -> Any:
        try:
            if measured is UNKNOWN:
                return _read_either(cell, minimum)
            return parse_quantity(
                cell, measure=measured.measure, density_g_per_ml=measured.density_g_per_ml, minimum=minimum
            )
        except QuantityError as error:
            raise Refused(str(error)) from None

    return Reader("quantity", accepted_text(MASS, True, minimum), read, numeric=True)


def _read_either(cell: str, minimum: int) -> Any:
    try:
        return parse_quantity(cell, measure=COUNT, minimum=minimum)
    except QuantityError:
        return parse_quantity(cell, measure=MASS, density_g_per_ml=Decimal(1), minimum=minimum)


def amount() -> Reader:
    """The amount of a formula line stays text here: what it may be depends on all lines of its version."""
    accepted = 'a percentage above 0 to 100 with at most 4 decimals, "qs", or a quantity for one unit'

    def read(cell: str, measured: Measured) -> str:
        if len(cell) > 40 or not _is_plain(cell):
            raise Refused(accepted)
        return cell

    return Reader("amount", accepted, read, numeric=True)
