"""The demo's days: all hang on today, so that the story holds whenever it is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from inventory import clock, workshop

FRIDAY = 4


@dataclass(frozen=True, slots=True)
class Days:
    """Days before and after ``today``. Next week begins on the Monday after today, whatever day today is."""

    today: date
    zone: ZoneInfo

    @classmethod
    def now(cls) -> Days:
        return cls(clock.today(), ZoneInfo(workshop.time_zone()))

    def ago(self, days: int) -> date:
        """So many days before today, or the Friday before where that is a weekend."""
        day = self.today - timedelta(days=days)
        return day - timedelta(days=_past_friday(day))

    def at(self, days: int, hour: int, minute: int = 0) -> datetime:
        """A moment of that workday. What falls on a Friday, or moves there from the weekend, keeps its order."""
        day = self.ago(days)
        minutes = 60 * hour + minute
        if day.weekday() == FRIDAY:
            moved = _past_friday(self.today - timedelta(days=days))
            minutes = 7 * 60 + (24 * 60 * moved + minutes) // 4
        return datetime.combine(day, time(), tzinfo=self.zone) + timedelta(minutes=minutes)

    def ahead(self, days: int) -> date:
        return self.today + timedelta(days=days)

    @property
    def monday(self) -> date:
        """Next week's Monday: one to seven days from today."""
        return self.today + timedelta(days=7 - self.today.weekday())

    def week(self, days: int) -> date:
        """So many days after next week's Monday."""
        return self.monday + timedelta(days=days)


def _past_friday(day: date) -> int:
    """How many days a weekend day is after its Friday; 0 for a workday."""
    return max(0, day.weekday() - FRIDAY)
