"""Each notice on its right local day, once: clock changes at night in both directions, the 31st, a leap day, far zones.

The whole way, as the beat rings: sources are looked at, stages claimed, letters begun.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.contrib.auth.models import User

from inventory.services.workshop import change_settings
from planner.notices import upkeep
from planner.notices.models import Mail, Notice, Telling
from tests.planner.notices.house import days_told, job, notice, ring, ring_at, told

pytestmark = pytest.mark.django_db


# Around a morning, in minutes: the hours that a change skips or doubles, and the rest of the day.
AROUND = (-780, -90, -61, -31, -1, 0, 1, 29, 31, 59, 61, 90, 720, 1_020)


def ring_around(instant: datetime) -> None:
    for minutes in AROUND:
        with time_machine.travel(instant + timedelta(minutes=minutes), tick=False):
            ring()


@pytest.mark.parametrize(
    ("zone", "due_on", "morning", "instant"),
    [
        ("Europe/Vienna", "2027-03-28", "07:00", "2027-03-28T05:00:00+00:00"),  # the night that has 23 hours' day
        ("Europe/Vienna", "2027-03-28", "02:30", "2027-03-28T01:30:00+00:00"),  # a morning that is jumped over
        ("Europe/Vienna", "2027-10-31", "07:00", "2027-10-31T06:00:00+00:00"),  # the day that has 25 hours
        ("Europe/Vienna", "2027-10-31", "02:30", "2027-10-31T00:30:00+00:00"),  # a morning that comes twice
        ("America/New_York", "2027-03-14", "02:30", "2027-03-14T07:30:00+00:00"),
        ("America/New_York", "2027-11-07", "01:30", "2027-11-07T05:30:00+00:00"),
        ("Africa/Cairo", "2027-04-30", "00:00", "2027-04-29T22:00:00+00:00"),  # midnight itself is jumped over
        ("Pacific/Kiritimati", "2027-05-31", "07:00", "2027-05-30T17:00:00+00:00"),
        ("Pacific/Niue", "2028-02-29", "07:00", "2028-02-29T18:00:00+00:00"),
        ("Asia/Kathmandu", "2027-12-31", "07:00", "2027-12-31T01:15:00+00:00"),
    ],
)
def test_a_notice_is_told_once_on_its_day_at_the_morning(
    people: dict[str, User], zone: str, due_on: str, morning: str, instant: str
) -> None:
    change_settings(values={"time_zone": zone, "morning": morning})
    moment = datetime.fromisoformat(instant)
    with time_machine.travel(moment - timedelta(days=2), tick=False):
        job("WIPE", date.fromisoformat(due_on), every=None, soon_days=0)
    ring_around(moment)
    first, *others = told("upkeep:WIPE")
    assert first == (due_on, "due", instant)
    # In the 17 hours after it the next morning has not come, or it is overdue on the day after: nothing twice.
    assert [day for day, _, _ in others] in ([], [str(date.fromisoformat(due_on) + timedelta(days=1))])
    assert Mail.objects.filter(day=due_on).count() == 1


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Pacific/Kiritimati", "Pacific/Niue"])
def test_through_a_year_of_month_ends_each_is_told_on_its_own_day_once(people: dict[str, User], zone: str) -> None:
    change_settings(values={"time_zone": zone})
    with time_machine.travel("2027-12-15T12:00:00+00:00", tick=False):
        made = job("SCALE", date(2027, 12, 31))
    ends = ["2027-12-31", "2028-01-31", "2028-02-29", "2028-03-31", "2028-04-30", "2028-05-31"]
    for end in ends:
        for time in ("00:10", "06:59", "07:00", "13:00", "23:50"):
            local = datetime.fromisoformat(f"{end}T{time}").replace(tzinfo=ZoneInfo(zone))
            with time_machine.travel(local, tick=False):
                ring()
                if time == "23:50":
                    made.refresh_from_db()
                    upkeep.record_done(job=made, done_on=date.fromisoformat(end))
    assert [days_told(f"upkeep:SCALE/{end}") for end in ends] == [[end] for end in ends]


def test_stages_go_from_soon_to_due_to_overdue_to_the_owner(people: dict[str, User], vienna: str) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 26), soon_days=3)
    for day in range(20, 32):
        ring_at(f"2027-03-{day:02}T03:00:00+00:00", f"2027-03-{day:02}T08:00:00+00:00")
    for day in range(1, 10):
        ring_at(f"2027-04-{day:02}T08:00:00+00:00")
    maker = Telling.objects.filter(recipient=people["maker"], channel="page").order_by("pk")
    assert [(str(row.stage_on), row.stage) for row in maker] == [
        ("2027-03-23", "due_soon"),
        ("2027-03-26", "due"),
        ("2027-03-27", "overdue"),
        ("2027-04-03", "escalated"),
    ]
    owner = Telling.objects.filter(recipient=people["owner"], channel="page")
    assert [(str(row.stage_on), row.stage) for row in owner] == [("2027-04-03", "escalated")]
    assert not Telling.objects.filter(recipient=people["buyer"]).exists()
    assert notice("upkeep:SCALE").next_at is None  # everybody knows


def test_what_was_slept_through_is_told_once_as_it_stands_now(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10), soon_days=3)
    ring_at("2027-03-12T09:00:00+00:00", "2027-03-12T09:01:00+00:00", "2027-03-12T21:00:00+00:00")
    assert [(day, stage) for day, stage, _ in told("upkeep:SCALE")] == [("2027-03-11", "overdue")]
    assert Mail.objects.get().day == date(2027, 3, 12)


def test_another_zone_or_morning_moves_what_is_to_come(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
        assert notice("upkeep:SCALE").next_at == datetime(2027, 3, 10, 7, tzinfo=UTC)
        ring()
        change_settings(values={"time_zone": "Pacific/Auckland", "morning": "06:30"})
        ring()
    assert notice("upkeep:SCALE").next_at == datetime(2027, 3, 9, 17, 30, tzinfo=UTC)
    ring_at("2027-03-09T17:29:00+00:00")
    assert told("upkeep:SCALE") == []
    ring_at("2027-03-09T17:31:00+00:00")
    assert days_told("upkeep:SCALE") == ["2027-03-10"]


def test_no_notice_waits_behind_its_time(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        for number in range(30):
            job(f"J{number:02}", date(2027, 3, 1) + timedelta(days=number), soon_days=number % 5)
    ring_at("2027-03-20T07:00:00+00:00")
    assert not Notice.objects.filter(next_at__lte=datetime(2027, 3, 20, 7, tzinfo=UTC)).exists()
    told_ones = Telling.objects.filter(channel="page", recipient=people["maker"])
    assert told_ones.count() == told_ones.values("notice").distinct().count() == 20
