"""Days and instants of notices: the workshop's mornings, what comes next, closed days, jobs that come again.

Pure: reads no clock and no database. Instants are UTC; days are the workshop's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays
from dateutil.relativedelta import relativedelta

LAST_DAY = date(9990, 1, 1)  # nothing is reckoned beyond


@dataclass(frozen=True, slots=True)
class Wall:
    """The clock on the workshop's wall: its zone, and when its day begins."""

    zone: ZoneInfo
    morning: time

    def morning_of(self, day: date) -> datetime:
        """The instant of a day's morning.

        Where the clock jumps over that time, the instant as far after the jump; where it comes twice, the first.
        """
        return datetime.combine(day, self.morning, tzinfo=self.zone).astimezone(UTC)

    def day_of(self, instant: datetime) -> date:
        return instant.astimezone(self.zone).date()

    def told(self) -> str:
        return f"{self.zone.key} {self.morning:%H:%M}"


def days_of(
    *, due_on: date, overdue_on: date, escalates_on: date | None, soon_days: Iterable[int], and_on: date | None = None
) -> list[date]:
    """The days at whose morning a notice is told: before it is due, due, overdue, escalated; in order, each once."""
    found = {due_on, overdue_on} | {due_on - timedelta(days=days) for days in soon_days}
    found |= {day for day in (escalates_on, and_on) if day is not None}
    return sorted(found)


def stage_day(days: Sequence[date], told: date | None, now: datetime, wall: Wall) -> date | None:
    """The latest day that has dawned and was not told yet: those before it are passed over. None: none has."""
    passed = [day for day in days if (told is None or day > told) and wall.morning_of(day) <= now]
    return passed[-1] if passed else None


def next_instant(days: Sequence[date], told: date | None, now: datetime, wall: Wall) -> datetime | None:
    """When a notice is to be looked at next; in the past where a day has dawned and was not told. None: never."""
    day = stage_day(days, told, now, wall)
    if day is None:
        day = next((one for one in days if told is None or one > told), None)
    return None if day is None else wall.morning_of(day)


def turn_on(first_on: date, every: int | None, unit: str, turn: int) -> date | None:
    """The day of a job after so many turns, reckoned from its first day: the 31st is the month's last day where there
    is none, and the 31st again after. None: it does not come again."""
    if turn == 0:
        return first_on
    if every is None:
        return None
    try:
        day = first_on + relativedelta(**{f"{unit}s": every * turn})  # type: ignore[arg-type]
    except (OverflowError, ValueError):
        return None
    return day if day <= LAST_DAY else None


def next_turn(first_on: date, every: int | None, unit: str, turn: int, done_on: date) -> int:
    """The first turn after ``turn`` whose day is after the day on which it was done: what was slept through is left."""
    if every is None:
        return turn + 1
    length = {"day": 1, "week": 7, "month": 28}[unit] * every
    # A first guess that is surely not beyond, then turn by turn.
    following = max(turn + 1, (done_on - first_on).days // (length + (3 * every if unit == "month" else 0)) - 1)
    while (day := turn_on(first_on, every, unit, following)) is not None and day <= done_on:
        following += 1
    return following


def closed_why(day: date, country: str, open_weekdays: frozenset[int]) -> str:
    """Why the workshop is closed on a day: the holiday's name, or the weekday; "" where it is open."""
    name = _holidays(country, day.year).get(day, "") if country else ""
    if name:
        return name
    return "" if day.weekday() in open_weekdays else f"{day:%A}"


def holidays_of(country: str, year: int) -> list[tuple[date, str]]:
    """The holidays of a year with their names, by day; none without a country, or for one that is not known."""
    return sorted(_holidays(country, year).items()) if country else []


@lru_cache(maxsize=64)
def _holidays(country: str, year: int) -> dict[date, str]:
    """The holidays of a country in a year; none where the library does not know the country."""
    try:
        return dict(holidays.country_holidays(country, years=year, language="en_GB"))
    except NotImplementedError:
        return {}
