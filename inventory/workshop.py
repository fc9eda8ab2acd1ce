"""The workshop's settings, typed. Stored as text by key; every key has a default and a strict reader."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import time
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.conf import settings

from inventory import statements
from inventory.models import Setting
from inventory.quantities import MASS, QuantityError, parse_quantity

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
KEYS = (
    "time_zone", "country", "currency", "open_days", "scales", "lot_pattern", "batch_pattern", "units", "morning",
    "bench_minutes",
)  # fmt: skip
# How pages show masses; underneath they are exact.
UNITS = ("g kg", "g", "kg", "oz", "fl oz")

# Scales and their reach: common practice, no source.
DEFAULT_SCALES = "0.01 g to 500 g; 0.1 g to 5 kg; 1 g to 30 kg"
DEFAULTS = {
    "country": "",
    "currency": "",
    "open_days": " ".join(WEEKDAYS),
    "scales": DEFAULT_SCALES,
    "lot_pattern": "{year}{month}{day}-{n}",
    "batch_pattern": "B{year}{month}{day}-{n}",
    "units": UNITS[0],
    "morning": "07:00",
    "bench_minutes": "10",
}

_PATTERN_WORDS = {"item", "year", "month", "day", "week_year", "week", "weekday", "n"}


class SettingRefused(ValueError):
    """The text is no value of this setting; the message says what is accepted."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A balance of the workshop: its step and the most it carries, in mg."""

    step_mg: int
    most_mg: int
    name: str


def value_of(key: str) -> str:
    """The stored text of a setting, or its default."""
    for (stored,) in statements.rows("SELECT value FROM inventory_setting WHERE key = %s", key):
        if stored:
            return str(stored)
    return settings.TIME_ZONE if key == "time_zone" else DEFAULTS[key]


def values_of(keys: Iterable[str]) -> dict[str, str]:
    """The stored texts of several settings, or their defaults. One query."""
    wanted = tuple(keys)
    stored = dict(Setting.objects.filter(key__in=wanted).exclude(value="").values_list("key", "value"))
    defaults = DEFAULTS | {"time_zone": settings.TIME_ZONE}
    return {key: stored.get(key, defaults[key]) for key in wanted}


def time_zone() -> str:
    return value_of("time_zone")


def currency() -> str:
    return value_of("currency")


def open_weekdays() -> frozenset[int]:
    """Weekdays on which the workshop is open; Monday is 0."""
    return read_open_days(value_of("open_days"))


def morning() -> time:
    """When the workshop's day begins: the plan is looked at, and what is due is told. By the clock on its wall."""
    return read_morning(value_of("morning"))


def bench_minutes() -> int:
    """How long somebody stays chosen at a shared screen where nobody does anything."""
    return int(value_of("bench_minutes"))


def scales() -> tuple[Scale, ...]:
    """The workshop's scales, smallest reach first."""
    return read_scales(value_of("scales"))


def read_open_days(text: str) -> frozenset[int]:
    words = text.lower().split()
    if not words or any(word not in WEEKDAYS for word in words):
        raise SettingRefused('week days such as "mon tue wed thu fri"')
    return frozenset(WEEKDAYS.index(word) for word in words)


def read_morning(text: str) -> time:
    """Hours and minutes: "07:00"."""
    found = re.fullmatch(r"([01][0-9]|2[0-3]):([0-5][0-9])", text)
    if found is None:
        raise SettingRefused('a time of the day such as "07:00"')
    return time(int(found[1]), int(found[2]))


def read_scales(text: str) -> tuple[Scale, ...]:
    """ "0.01 g to 500 g; 0.1 g to 5 kg": step and reach of each scale."""
    found = []
    for part in text.split(";"):
        step_text, to, most_text = part.strip().partition(" to ")
        try:
            step = parse_quantity(step_text, measure=MASS).steps
            most = parse_quantity(most_text, measure=MASS).steps
        except QuantityError:
            step = most = 0
        if not to or step >= most:
            raise SettingRefused('steps and reaches such as "0.01 g to 500 g; 0.1 g to 5 kg"')
        found.append(Scale(step, most, part.strip()))
    return tuple(sorted(found, key=lambda scale: (scale.most_mg, scale.step_mg)))


def _check_country(text: str) -> None:
    """A country whose holidays nobody knows would have none, and nobody would be told."""
    from holidays import list_supported_countries  # late: half a second, which few commands have a use for

    if not re.fullmatch(r"[A-Z]{2}", text):
        raise SettingRefused('two letters of ISO 3166 such as "AT"')
    if text not in list_supported_countries(include_aliases=False):
        raise SettingRefused(
            'two letters of ISO 3166 of a country in the list of the library "holidays", such as "AT"; blank: '
            "no holidays"
        )


def check_setting(key: str, text: str) -> None:
    """Raise SettingRefused, saying what is accepted, when the text is no value of this key."""
    if key not in KEYS:
        raise SettingRefused("one of " + ", ".join(KEYS))
    if not text:
        return
    if key == "time_zone":
        try:
            ZoneInfo(text)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise SettingRefused('a zone of the IANA list such as "Europe/Vienna"') from None
    elif key == "country":
        _check_country(text)
    elif key == "currency" and not re.fullmatch(r"[A-Z]{3}", text):
        raise SettingRefused('three letters of ISO 4217 such as "EUR"')
    elif key == "open_days":
        read_open_days(text)
    elif key == "scales":
        read_scales(text)
    elif key == "morning":
        read_morning(text)
    elif key == "bench_minutes" and not (re.fullmatch(r"[1-9][0-9]{0,2}", text) and int(text) <= 240):
        raise SettingRefused('whole minutes from 1 to 240 such as "10"')
    elif key == "units" and text not in UNITS:
        raise SettingRefused("one of " + ", ".join(f'"{one}"' for one in UNITS))
    elif key in ("lot_pattern", "batch_pattern"):
        words = set(re.findall(r"\{(.*?)\}", text))
        if "n" not in words or words - _PATTERN_WORDS or re.search(r"[{}]", re.sub(r"\{\w+\}", "", text)):
            raise SettingRefused(
                "text with {n} and any of {item} {year} {month} {day} {week_year} {week} {weekday}, "
                'such as "{year}{month}{day}-{n}"'
            )
