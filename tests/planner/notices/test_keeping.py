"""What is old is swept away once a day, and only that."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import User
from django.db.models import Model

from inventory import ledger
from inventory.models import ChangeRecord, LotDecision, Movement, RetryKey, StockEvent
from inventory.services.items import change_item, make_item
from inventory.transactions import retry_safe
from planner import keeping, tasks
from planner.jobs import services as jobs
from planner.jobs.models import Job, JobFile
from planner.notices import acts
from planner.notices.models import Mail, Notice, NoticeAct, Telling
from tests.inventory.builders import make_stock
from tests.planner.notices.house import job, lot, notice, ring_at

pytestmark = pytest.mark.django_db
NIGHT = "2027-03-10T02:00:00+00:00"
KEPT_FOR_EVER = (StockEvent, Movement, LotDecision, ChangeRecord)


def counts(*models: type[Model]) -> list[int]:
    return [model._default_manager.count() for model in models]


def ago(days: int) -> datetime:
    return datetime.fromisoformat(NIGHT) - timedelta(days=days)


def swept_at(moment: str) -> None:
    with time_machine.travel(moment, tick=False):
        tasks.sweep_old_away()


def test_answers_to_retries_go_a_week_after_they_were_kept() -> None:
    for key, days in (("old", 8), ("young", 6)):
        retry_safe(key, "parties", {}, lambda: {"party": "X"})
        RetryKey.objects.filter(key=key).update(made_at=ago(days))
    swept_at(NIGHT)
    assert list(RetryKey.objects.values_list("key", flat=True)) == ["young"]
    assert retry_safe("young", "parties", {}, lambda: {"party": "Y"}) == {"party": "X"}


@pytest.fixture
def told(people: dict[str, User]) -> None:
    """Two lots whose last day was told and acted upon; one is gone since, the other still here."""
    for number in ("GONE", "HERE"):
        lot(number, expires_on=date(2027, 3, 17))
    ring_at("2027-03-10T08:00:00+00:00", "2027-03-11T08:00:00+00:00")
    for number in ("GONE", "HERE"):
        with time_machine.travel("2027-03-11T09:00:00+00:00", tick=False):
            acts.mark_done(notice=notice(f"lot_expiring:WAX/{number}"), who=people["maker"])
    Notice.objects.filter(key="lot_expiring:WAX/GONE").update(gone_at="2027-03-12T08:00:00+00:00")


def names(model: type[Model], through: str) -> set[str]:
    keys = model._default_manager.values_list(through, flat=True)
    return {str(key).rpartition("/")[2] for key in keys}


def test_letters_go_after_a_year_and_notices_after_three_but_what_stands_keeps_all(told: None) -> None:
    assert names(Telling, "notice__key") == {"GONE", "HERE"}
    letters = Mail.objects.count()
    assert letters >= 1
    swept_at("2028-03-20T02:00:00+00:00")  # not yet
    assert names(Telling, "notice__key") == {"GONE", "HERE"}
    swept_at("2028-05-20T02:00:00+00:00")
    assert names(Telling, "notice__key") == {"HERE"}
    assert names(NoticeAct, "notice__key") == names(Notice, "key") == {"GONE", "HERE"}
    assert Mail.objects.count() == letters  # the one letter tells of the other lot too
    swept_at("2030-05-20T02:00:00+00:00")
    assert names(NoticeAct, "notice__key") == names(Notice, "key") == {"HERE"}
    Notice.objects.update(gone_at="2030-05-20T02:00:00+00:00")
    swept_at("2033-06-20T02:00:00+00:00")
    assert counts(Notice, NoticeAct, Telling, Mail) == [0, 0, 0, 0]


def test_the_books_and_the_log_stay_however_old() -> None:
    make_stock(quantity=1_000)
    make_item(code="OIL", facts={"name": "Oil", "kind": "raw"})
    change_item(code="OIL", changes={"name": "Sunny oil"})
    before = counts(*KEPT_FOR_EVER)
    assert all(before[:2])
    assert before[3]
    swept_at("2057-03-10T02:00:00+00:00")
    assert counts(*KEPT_FOR_EVER) == before
    assert ledger.verify() == []


def test_it_is_done_once_a_day_at_night_or_when_the_machine_is_on(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    monkeypatch.setattr(keeping, "sweep", lambda now: done.append(f"{now:%d %H:%M}") or 0)
    for moment in (
        "2027-03-10T09:00:00+00:00",  # the first time, whenever that is
        "2027-03-10T12:00:00+00:00",
        "2027-03-11T02:00:00+00:00",  # at night
        "2027-03-11T03:00:00+00:00",
        "2027-03-12T01:00:00+00:00",
        "2027-03-13T00:30:00+00:00",  # hours of the day are left alone while the nights are used
        "2027-03-13T12:00:00+00:00",
        "2027-03-14T09:00:00+00:00",  # off at night: a day after the last
    ):
        swept_at(moment)
    assert done == ["10 09:00", "11 02:00", "12 01:00", "13 00:30", "14 09:00"]


def test_much_goes_in_parts_and_the_rest_on_the_next_day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "CHUNK", 2)
    monkeypatch.setattr(keeping, "MOST_CHUNKS", 3)
    RetryKey.objects.bulk_create(RetryKey(key=f"k{at}", action="a", digest="d", answer={}) for at in range(9))
    RetryKey.objects.update(made_at=ago(30))
    swept_at(NIGHT)
    assert RetryKey.objects.count() == 3
    swept_at("2027-03-11T02:00:00+00:00")
    assert RetryKey.objects.count() == 0


def test_files_of_jobs_and_jobs_go_so_many_at_a_time(people: dict[str, User], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "MOST_SWEPT", 2)
    for _ in range(3):
        one = jobs.ask_for_export(form="zip", who=people["owner"])
        JobFile.objects.create(job=one, part="result", name="x", media_type="text/csv", size=1, content=b"x")
    Job.objects.update(state="done", ended_at=ago(100))
    with time_machine.travel(NIGHT, tick=False):
        assert [jobs.sweep_away() for _ in range(3)] == [2, 1, 0]
    assert counts(Job, JobFile) == [0, 0]


def test_a_job_of_upkeep_and_what_was_done_of_it_stay(people: dict[str, User]) -> None:
    kept = job("SCALE", date(2027, 3, 1))
    swept_at("2057-03-10T02:00:00+00:00")
    kept.refresh_from_db()
    assert kept.code == "SCALE"
