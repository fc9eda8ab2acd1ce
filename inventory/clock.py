"""The one clock: now, and today in the workshop's time zone. Nothing else asks the machine what day it is."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.utils import timezone

from inventory import workshop


def now() -> datetime:
    return timezone.now()


def today() -> date:
    return day_of(now())


def not_before_today(day: date) -> date:
    """The day, or today where that is later. The workshop's zone is looked up only where it matters."""
    if day >= (now().astimezone(UTC) + timedelta(hours=14)).date():  # no zone is further ahead
        return day
    return max(day, today())


def day_of(moment: datetime) -> date:
    """The workshop's calendar day of a moment."""
    return moment.astimezone(ZoneInfo(workshop.time_zone())).date()


def written(moment: datetime) -> str:
    """A moment as a refusal names it: "2027-03-09 14:05", in the workshop's zone."""
    return f"{moment.astimezone(ZoneInfo(workshop.time_zone())):%Y-%m-%d %H:%M}"


def minute_of(moment: datetime) -> datetime:
    """Where its minute begins: people, and the inputs of a page, write no seconds."""
    return moment.replace(second=0, microsecond=0)


def start_of(day: date) -> datetime:
    """The first moment of a day in the workshop's zone."""
    return datetime.combine(day, time(0), tzinfo=ZoneInfo(workshop.time_zone()))


def noon_of(day: date) -> datetime:
    """A moment that stands for a whole day: its noon in the workshop's zone (never skipped by a clock change)."""
    return datetime.combine(day, time(12), tzinfo=ZoneInfo(workshop.time_zone()))
