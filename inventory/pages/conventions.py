"""How a person reads quantities, numbers and days: by their locale, in the units the workshop likes. Exact underneath.

Words stay English like the rest of the page; the locale gives the order of a day and the signs of a number.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils.formats import get_format
from django.utils.translation import get_language_from_request

from inventory import clock, workshop
from inventory.cells import MAX_DAYS
from inventory.errors import BadInput, Fault
from inventory.quantities import COUNT, MASS

NBSP = "\N{NO-BREAK SPACE}"

# One avoirdupois ounce and one fluid ounce (US), in mg and in microlitres: NIST Handbook 44, appendix C.
_OUNCE_MG = Decimal("28349.523125")
_FLUID_OUNCE_UL = Decimal("29573.5295625")
_PLACES = Decimal("0.001")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Conventions:
    """``order`` of a day: "dmy", "mdy" or "ymd". ``units`` is one of ``workshop.UNITS``."""

    decimal: str = "."
    thousands: str = ","
    order: str = "dmy"
    twelve_hours: bool = False
    units: str = "g kg"
    time_zone: str = "UTC"

    @property
    def unit(self) -> str:
        """The unit of a mass that was typed without one."""
        return {"kg": "kg", "oz": "oz", "fl oz": "fl oz"}.get(self.units, "g")


class _Asked:
    """A reader's language; the conventions are looked up when something is first shown."""

    def __init__(self, language: str) -> None:
        self.language = language

    @cached_property
    def found(self) -> Conventions:
        stored = workshop.values_of(("units", "time_zone"))
        return of_language(self.language, units=stored["units"], time_zone=stored["time_zone"])


_current: ContextVar[Conventions | _Asked | None] = ContextVar("conventions", default=None)


def current() -> Conventions:
    held = _current.get()
    return held.found if isinstance(held, _Asked) else held or Conventions()


@contextmanager
def shown_by(conventions: Conventions) -> Iterator[None]:
    """Inside, everything is shown and read by these conventions."""
    token = _current.set(conventions)
    try:
        yield
    finally:
        _current.reset(token)


def of_language(language: str, *, units: str = "g kg", time_zone: str = "UTC") -> Conventions:
    """The conventions of a locale, from the formats that Django knows."""
    pattern = str(get_format("SHORT_DATE_FORMAT", lang=language, use_l10n=True))
    letters = [letter for letter in pattern if letter in "djmnFMNYy"]
    year_first = bool(letters) and letters[0] in "Yy"
    month_first = bool(letters) and letters[0] in "mnFMN"
    return Conventions(
        decimal=str(get_format("DECIMAL_SEPARATOR", lang=language, use_l10n=True)),
        thousands=str(get_format("THOUSAND_SEPARATOR", lang=language, use_l10n=True)),
        order="ymd" if year_first else "mdy" if month_first else "dmy",
        twelve_hours=language in ("en", "en-us"),
        units=units,
        time_zone=time_zone,
    )


def conventions_middleware(
    get_response: Callable[[HttpRequest], HttpResponseBase],
) -> Callable[[HttpRequest], HttpResponseBase]:
    """Pages are shown by the reader's language and the workshop's units. One query, where something is shown."""

    def inside(request: HttpRequest) -> HttpResponseBase:
        token = _current.set(_Asked(get_language_from_request(request)))
        try:
            return get_response(request)
        finally:
            _current.reset(token)

    return inside


# --- showing -----------------------------------------------------------------------------------------------


def show_number(value: Decimal | int, places: int | None = None) -> str:
    """A number by the reader's signs; thousands are parted from five figures on."""
    found = current()
    text = f"{value:.{places}f}" if places is not None else f"{Decimal(value).normalize():f}"
    sign, text = ("\N{MINUS SIGN}", text[1:]) if text.startswith("-") else ("", text)
    whole, _, rest = text.partition(".")
    if len(whole) > 4 and found.thousands:
        whole = f"{int(whole):,}".replace(",", found.thousands)
    return sign + whole + (found.decimal + rest if rest else "")


def show_quantity(steps: int | None, measured: Any) -> str:
    """A quantity for a person. ``measured`` is an item (or a row of one), or its measure alone: "mass", "count"."""
    if steps is None:
        return ""
    measure, density = _measure_of(measured)
    if measure == COUNT:
        return f"{show_number(steps)}{NBSP}pc"
    units = current().units
    if units == "oz" or (units == "fl oz" and density is None):
        return f"{show_number((steps / _OUNCE_MG).quantize(_PLACES, ROUND_HALF_UP))}{NBSP}oz"
    if units == "fl oz":
        assert density is not None
        fluid_ounces = Decimal(steps) / density / _FLUID_OUNCE_UL
        return f"{show_number(fluid_ounces.quantize(_PLACES, ROUND_HALF_UP))}{NBSP}fl{NBSP}oz"
    if units == "kg" or (units == "g kg" and abs(steps) >= 1_000_000):
        return f"{show_number(Decimal(steps) / 1_000_000)}{NBSP}kg"
    return f"{show_number(Decimal(steps) / 1000)}{NBSP}g"


def _measure_of(measured: Any) -> tuple[str, Decimal | None]:
    if isinstance(measured, str):
        return measured, None
    if isinstance(measured, dict):
        return measured["measure"], measured.get("density_g_per_ml")
    return measured.measure, getattr(measured, "density_g_per_ml", None)


def as_day(value: Any) -> date | None:
    """The workshop's day of what a page was given: a day, a moment, ISO text of either, or nothing."""
    if not value:
        return None
    if isinstance(value, str):
        value = datetime.fromisoformat(value) if "T" in value else date.fromisoformat(value)
    if isinstance(value, datetime):
        return value.astimezone(ZoneInfo(current().time_zone)).date()
    found: date = value
    return found


def show_day(value: Any, *, year: bool = True, weekday: bool = False) -> str:
    """ "27 Nov 2026", "Nov 27, 2026" or "2026-11-27", by the reader's order; "" for nothing."""
    day = as_day(value)
    if day is None:
        return ""
    month, order = _MONTHS[day.month - 1], current().order
    if order == "ymd":
        told = day.isoformat() if year else f"{day.month:02d}-{day.day:02d}"
    elif order == "mdy":
        told = f"{month}{NBSP}{day.day}" + (f", {day.year}" if year else "")
    else:
        told = f"{day.day}{NBSP}{month}" + (f"{NBSP}{day.year}" if year else "")
    return f"{_WEEKDAYS[day.weekday()]}{NBSP}{told}" if weekday else told


def show_moment(value: datetime | str | None) -> str:
    """Day and time of day in the workshop's zone."""
    if not value:
        return ""
    moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    local = moment.astimezone(ZoneInfo(current().time_zone))
    told = f"{local.hour % 12 or 12}:{local:%M}{NBSP}{'PM' if local.hour >= 12 else 'AM'}"
    return f"{show_day(local)}, {told if current().twelve_hours else f'{local:%H:%M}'}"


def show_time_left(last_day: Any, today: date | None = None) -> str:
    """What is left of a life, in words: "5 days left", "today is the last day", "3 days past", "keeps"."""
    day = as_day(last_day)
    if day is None:
        return "keeps"
    days = (day - (today or clock.today())).days
    if days == 0:
        return "today is the last day"
    return f"{_span(days)} left" if days > 0 else f"{_span(-days)} past"


def _span(days: int) -> str:
    """Days up to three weeks, then weeks up to three months, then months, then years: always rounded down."""
    for size, most, word in ((1, 21, "day"), (7, 91, "week"), (30, 730, "month"), (365, 10**9, "year")):
        if days < most:
            count = days // size
            return f"{count} {word}{'' if count == 1 else 's'}"
    raise AssertionError


_LONG_MONTHS = tuple(calendar.month_name)[1:]  # as "%B" writes them
_PLAIN = re.compile(
    r"(?<![\w.,-])(?:(?P<iso>[0-9]{4}-[0-9]{2}-[0-9]{2})"
    rf"|(?P<day>[0-9]{{1,2}}) (?P<month>{'|'.join(_LONG_MONTHS)}) (?P<year>[0-9]{{4}})"
    r"|(?P<amount>[0-9]+(?:\.[0-9]{1,3})?) (?P<unit>g|pc))(?![\w/-])"
)


def show_sentence(text: str) -> str:
    """What the program wrote down plainly, its days and quantities as the reader writes them.

    A notice is written once and read by many: it says "12500 g" and "3 March 2027" or "2027-03-03".
    """
    return _PLAIN.sub(_shown, text)


def _shown(found: re.Match[str]) -> str:
    try:
        if found["iso"]:
            return show_day(found["iso"])
        if found["day"]:
            return show_day(date(int(found["year"]), _LONG_MONTHS.index(found["month"]) + 1, int(found["day"])))
    except ValueError:  # no such day: a code that looks like one
        return found[0]
    if found["unit"] == "pc":
        return show_quantity(int(found["amount"]), COUNT) if found["amount"].isdigit() else found[0]
    return show_quantity(int(Decimal(found["amount"]) * 1000), MASS)


# --- reading -----------------------------------------------------------------------------------------------


# A point where the reader's sign is a comma, and three digits behind it: a thousand, or a thousandth's decimals.
_TWO_READINGS = re.compile(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}(?![0-9.,])")
_MILLIONS = re.compile(r"[+-]?[1-9][0-9]{0,2}(\.[0-9]{3}){2,}(?![0-9.,])")  # no number has two points for decimals
_PARTED = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{3})+,[0-9]")


def plain_number(text: str, name: str = "") -> str:
    """A number as it was typed, with a point for decimals where the reader's sign is a comma.

    Raises BadInput beside the input ``name`` for what such a reader may mean as one number or as another: "1.850".
    """
    found = current()
    if found.decimal != ",":
        return text
    if found.thousands == "." and _PARTED.match(text):
        return text.replace(".", "").replace(",", ".")
    if found.thousands == "." and _MILLIONS.match(text):
        return text.replace(".", "")
    if found.thousands == "." and _TWO_READINGS.match(text):
        fault = Fault(name, text[:80], f'"{as_typed(text)}" or "{text.replace(".", "")}", whichever is meant')
        raise BadInput(fault.sentence(), faults=[fault])
    return text if "." in text else text.replace(",", ".")


def as_typed(text: str) -> str:
    """A number, or a quantity, that the program writes into an input: by the reader's sign, no thousands parted."""
    return text.replace(".", current().decimal)


def with_unit(text: str, measure: str = MASS, name: str = "") -> str:
    """A typed quantity, with the unit that stands beside its field where it has none. Raises as ``plain_number``."""
    text = plain_number(text.strip(), name)
    bare = text.lstrip("+-").replace(".", "", 1).isdigit()
    return f"{text} {'pc' if measure == COUNT else current().unit}" if bare else text


def with_offset(text: str) -> str:
    """A moment as an input of day and time gives it, in the workshop's zone; other text as it is."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2})?", text) is None:
        return text
    try:
        return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(current().time_zone)).isoformat()
    except ValueError:
        return text


MOST_DAYS = 10


def read_days(text: str, name: str, *, least: int, such_as: str) -> list[int]:
    """Numbers of days as a person writes them in one input, in their order: "60 14", "60, 14".

    Raises BadInput beside the input ``name`` for what is no number of ``least`` days or more, or for too many.
    """
    words = text.replace(",", " ").split()
    right = all(one.isascii() and one.isdigit() and len(one) <= 5 and least <= int(one) <= MAX_DAYS for one in words)
    if not right or len(words) > MOST_DAYS:
        accepted = f"at most {MOST_DAYS} numbers of days such as {such_as}"
        raise BadInput("these are no days", faults=[Fault(name, text, accepted)])
    return [int(one) for one in words]
