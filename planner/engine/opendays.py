"""The workshop's open days, for starts and arrivals of proposals. Pure; no clock."""

from __future__ import annotations

from collections.abc import Collection

from planner.engine.result import PlanError


class OpenDays:
    """The weekdays on which the workshop works, Monday 0."""

    def __init__(self, open_weekdays: Collection[int]) -> None:
        """Raises PlanError ``no_open_days`` when there is none."""
        if not set(open_weekdays) & set(range(7)):
            raise PlanError("no_open_days", "the workshop is open on no weekday")
        # Ordinal 1 is a Monday, so ordinal % 7 is 1 on a Monday and the weekday is (ordinal + 6) % 7.
        self._days_back = [
            next(back for back in range(7) if (remainder + 6 - back) % 7 in open_weekdays) for remainder in range(7)
        ]

    def last_not_after(self, day: int) -> int:
        """The last open day that is not after ``day``."""
        return day - self._days_back[day % 7]
