"""When the samples of a study are looked at: nominal times as days with their windows. Pure.

Every day is counted from the start, never from the pull before, so that no short month is carried on. A pull keeps
its day on a holiday: who does it earlier or later says so by the real day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

WEEK, MONTH, CYCLE = "week", "month", "cycle"

# A month of a mean year, for ages of samples (ICH Q1E reckons in months).
DAYS_IN_A_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Window:
    """The nominal day, and the first and last day on which a pull is in time."""

    due_on: date
    window_from: date
    window_to: date


def due_day(started_on: date, unit: str, count: int, cycle_days: int | None = None) -> date:
    """The day of a pull time: whole weeks, calendar months, or so many cycles of ``cycle_days``, from the start.

    One month after 31 January is the last day of February.
    """
    if unit == WEEK:
        return started_on + timedelta(weeks=count)
    if unit == MONTH:
        return started_on + relativedelta(months=count)
    assert unit == CYCLE
    assert cycle_days is not None
    return started_on + timedelta(days=count * cycle_days)


def window_of(
    started_on: date, unit: str, count: int, *, days_before: int, days_after: int, cycle_days: int | None = None
) -> Window:
    """The day of a pull time with its window, which never begins before the start."""
    due_on = due_day(started_on, unit, count, cycle_days)
    return Window(due_on, max(started_on, due_on - timedelta(days=days_before)), due_on + timedelta(days=days_after))


def usual_window_days(unit: str, count: int) -> int:
    """Days either side of a pull where nobody says others: 2 to week 4 and for cycles, 7 later. Common practice."""
    return 2 if unit == CYCLE or (unit == WEEK and count <= 4) else 7


def nominal_time(unit: str, count: int) -> str:
    """ "week 12", as a person says it."""
    return f"{unit} {count}"


def age_in_months(started_on: date, looked_at_on: date) -> float:
    """How old a sample was, in months of a mean year."""
    return (looked_at_on - started_on).days / DAYS_IN_A_MONTH
