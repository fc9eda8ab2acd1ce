"""Mornings of workshops all over the world, and days that come again.

Zones and their changes are those of the IANA time zone database (Python's zoneinfo); the days of the changes stand
beside each.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.notices.days import Wall, closed_why, days_of, next_instant, next_turn, stage_day, turn_on

ZONES = sorted(
    zone for zone in available_timezones() if "/" in zone and not zone.startswith(("Etc/", "posix", "right"))
)


def wall(zone: str, morning: str = "07:00") -> Wall:
    return Wall(ZoneInfo(zone), time.fromisoformat(morning))


@pytest.mark.parametrize(
    ("zone", "day", "instant"),
    [
        ("Europe/Vienna", "2027-03-27", "2027-03-27T06:00:00+00:00"),  # the day before the clocks go forward
        ("Europe/Vienna", "2027-03-28", "2027-03-28T05:00:00+00:00"),  # forward at 02:00
        ("Europe/Vienna", "2027-10-30", "2027-10-30T05:00:00+00:00"),
        ("Europe/Vienna", "2027-10-31", "2027-10-31T06:00:00+00:00"),  # back at 03:00
        ("America/New_York", "2027-03-14", "2027-03-14T11:00:00+00:00"),
        ("America/New_York", "2027-11-07", "2027-11-07T12:00:00+00:00"),
        ("Australia/Lord_Howe", "2027-04-04", "2027-04-03T20:30:00+00:00"),  # half an hour back
        ("Pacific/Kiritimati", "2027-03-01", "2027-02-28T17:00:00+00:00"),  # 14 hours ahead
        ("Pacific/Niue", "2027-03-01", "2027-03-01T18:00:00+00:00"),  # 11 hours behind
        ("Pacific/Chatham", "2027-01-01", "2026-12-31T17:15:00+00:00"),
        ("Asia/Kathmandu", "2028-02-29", "2028-02-29T01:15:00+00:00"),  # a leap day
    ],
)
def test_the_morning_is_at_seven_by_the_clock_on_the_wall(zone: str, day: str, instant: str) -> None:
    assert wall(zone).morning_of(date.fromisoformat(day)) == datetime.fromisoformat(instant)


def test_a_morning_that_the_clock_jumps_over_is_on_its_day_and_one_that_comes_twice_is_the_first() -> None:
    early = wall("Europe/Vienna", "02:30")
    assert early.morning_of(date(2027, 3, 28)) == datetime(2027, 3, 28, 1, 30, tzinfo=UTC)  # 03:30 on the wall
    assert early.morning_of(date(2027, 10, 31)) == datetime(2027, 10, 31, 0, 30, tzinfo=UTC)  # the first 02:30
    midnight = wall("Africa/Cairo", "00:00")  # Friday 30 April 2027: from midnight to 01:00
    assert midnight.day_of(midnight.morning_of(date(2027, 4, 30))) == date(2027, 4, 30)


@given(st.sampled_from(ZONES), st.dates(date(2026, 1, 1), date(2036, 12, 31)), st.integers(0, 23 * 60 + 59))
def test_whenever_the_morning_is_each_day_has_its_own(zone: str, day: date, minute: int) -> None:
    clock = Wall(ZoneInfo(zone), time(minute // 60, minute % 60))
    assert clock.morning_of(day - timedelta(days=1)) < clock.morning_of(day)
    assert clock.day_of(clock.morning_of(day)) == day


def test_of_days_that_were_slept_through_the_last_one_is_told() -> None:
    days = days_of(
        due_on=date(2027, 3, 10), overdue_on=date(2027, 3, 11), escalates_on=date(2027, 3, 18), soon_days=(7,)
    )
    clock = wall("UTC")
    late = datetime(2027, 3, 12, 9, tzinfo=UTC)
    assert stage_day(days, date(2027, 3, 3), late, clock) == date(2027, 3, 11)
    assert next_instant(days, date(2027, 3, 11), late, clock) == datetime(2027, 3, 18, 7, tzinfo=UTC)
    assert next_instant(days, date(2027, 3, 18), late, clock) is None
    assert stage_day(days, None, datetime(2027, 3, 3, 6, 59, tzinfo=UTC), clock) is None
    assert stage_day(days, None, datetime(2027, 3, 3, 7, 0, tzinfo=UTC), clock) == date(2027, 3, 3)


# --- jobs that come again: the calendar's own arithmetic, recomputed by hand --------------------------------


def test_the_31st_is_the_last_day_of_a_shorter_month_and_the_31st_again_after_it() -> None:
    days = [turn_on(date(2027, 1, 31), 1, "month", turn) for turn in range(5)]
    assert [str(day) for day in days] == ["2027-01-31", "2027-02-28", "2027-03-31", "2027-04-30", "2027-05-31"]


def test_a_leap_day_comes_each_year_and_is_itself_again_when_there_is_one() -> None:
    days = [turn_on(date(2028, 2, 29), 12, "month", turn) for turn in range(5)]
    assert [str(day) for day in days] == ["2028-02-29", "2029-02-28", "2030-02-28", "2031-02-28", "2032-02-29"]


def test_what_was_slept_through_is_left_and_done_early_counts_for_its_own_turn() -> None:
    first = date(2027, 1, 31)
    assert next_turn(first, 1, "month", 1, date(2027, 4, 10)) == 3  # of 28 February, done on 10 April: 30 April next
    assert next_turn(first, 1, "month", 1, date(2027, 2, 25)) == 2  # early: 31 March next
    assert next_turn(first, 1, "month", 1, date(2027, 2, 28)) == 2
    assert next_turn(first, None, "month", 0, date(2027, 2, 28)) == 1
    assert turn_on(first, None, "month", 1) is None


@given(
    st.dates(date(2000, 1, 1), date(2040, 1, 1)),
    st.integers(1, 40),
    st.sampled_from(["day", "week", "month"]),
    st.integers(0, 5),
    st.integers(-400, 9_000),
)
def test_the_next_turn_is_the_first_after_the_day_on_which_it_was_done(
    first: date, every: int, unit: str, turn: int, later: int
) -> None:
    done_on = first + timedelta(days=later)
    following = next_turn(first, every, unit, turn, done_on)
    day = turn_on(first, every, unit, following)
    assert day is not None
    assert following > turn
    assert day > done_on
    before = turn_on(first, every, unit, following - 1)
    assert following == turn + 1 or (before is not None and before <= done_on)


# --- closed days --------------------------------------------------------------------------------------------


def test_closed_days_have_their_names() -> None:
    """Austria's holidays: Feiertagsruhegesetz, § 1 (from memory)."""
    every_day, weekdays = frozenset(range(7)), frozenset(range(5))
    assert closed_why(date(2027, 10, 26), "AT", every_day) == "National Day"
    assert closed_why(date(2027, 12, 25), "AT", every_day) == "Christmas Day"
    assert closed_why(date(2027, 10, 27), "AT", every_day) == ""
    assert closed_why(date(2027, 10, 24), "AT", weekdays) == "Sunday"
    assert closed_why(date(2027, 10, 26), "", every_day) == ""
    assert closed_why(date(2027, 10, 26), "ZZ", every_day) == ""  # a country that nobody knows has no holidays
