"""Recorded once, sent at least once, never lost: tasks that run twice, die between, or meet."""

from __future__ import annotations

import smtplib
from datetime import date
from typing import Any
from unittest import mock

import pytest
import time_machine
from django.contrib.auth.models import User
from django.core import mail as outbox_of
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Lot
from planner.notices import acts, looking, posting, sweep
from planner.notices.looking import begin, look_at
from planner.notices.models import Mail, Notice, SourceLook, Telling
from planner.services import decide_affected
from tests.planner.notices.house import days_told, job, lot, notice, ring, ring_at, told

pytestmark = pytest.mark.django_db
MORNING = "2027-03-10T07:00:00+00:00"


@pytest.fixture
def due(people: dict[str, User]) -> dict[str, User]:
    """A job that falls due on 10 March, known since the first."""
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
    return people


def sent() -> list[Any]:
    return list(outbox_of.outbox)


def test_a_task_that_runs_twice_tells_once(due: dict[str, User]) -> None:
    ring_at(*[MORNING] * 3, "2027-03-10T07:05:00+00:00")
    assert len(told("upkeep:SCALE")) == 1
    assert [one.to for one in sent()] == [["maker <maker@example.org>"]]


def test_a_sweep_that_dies_before_its_end_leaves_nothing_half_told(due: dict[str, User]) -> None:
    with time_machine.travel(MORNING, tick=False):
        with mock.patch.object(sweep, "_insert", side_effect=RuntimeError), pytest.raises(RuntimeError):
            ring()
        assert not Telling.objects.exists()
        assert notice("upkeep:SCALE").stage_on is None
        ring()
    assert len(told("upkeep:SCALE")) == 1
    assert len(sent()) == 1


def test_a_notice_moved_back_by_hand_is_claimed_by_its_unique_row(due: dict[str, User]) -> None:
    """Two workers that both read a notice as due, however that came about: the second inserts nothing."""
    ring_at(MORNING)
    before = list(Telling.objects.values_list("pk", flat=True))
    Notice.objects.update(stage_on=None, next_at=MORNING)
    ring_at("2027-03-10T07:01:00+00:00")
    assert list(Telling.objects.values_list("pk", flat=True)) == before
    assert len(sent()) == 1


def test_a_worker_killed_while_it_sends_sends_again_under_the_same_message_id(due: dict[str, User]) -> None:
    with time_machine.travel(MORNING, tick=False):
        with mock.patch.object(posting, "_settle", side_effect=KeyboardInterrupt), pytest.raises(KeyboardInterrupt):
            ring()
        assert len(sent()) == 1
        ring()
        assert len(sent()) == 1  # it is leased still
    ring_at("2027-03-10T07:03:00+00:00", "2027-03-10T07:10:00+00:00")
    first, again = sent()
    assert first.message()["Message-ID"] == again.message()["Message-ID"] == Mail.objects.get().message_id
    assert Mail.objects.get().state == "sent"
    assert Telling.objects.get(channel="letter").told_at is not None


def test_a_worker_killed_before_it_sends_loses_nothing(due: dict[str, User]) -> None:
    with time_machine.travel(MORNING, tick=False):
        sweep.sweep()  # looked at by nobody yet: the letter waits for the day's look
        assert not Mail.objects.exists()
        written = mock.patch("planner.notices.posting.written", side_effect=KeyboardInterrupt)
        with written, pytest.raises(KeyboardInterrupt):
            ring()
    assert sent() == []
    ring_at("2027-03-10T07:03:00+00:00")
    assert len(sent()) == 1


def test_a_server_that_does_not_answer_is_tried_again_later_and_later(due: dict[str, User]) -> None:
    with mock.patch("django.core.mail.backends.locmem.EmailBackend.send_messages", side_effect=OSError("no route")):
        ring_at(MORNING, "2027-03-10T07:00:30+00:00", "2027-03-10T07:01:30+00:00")
    mail = Mail.objects.get()
    assert (mail.state, mail.tries) == ("waiting", 2)
    assert mail.trouble == "OSError: no route"
    assert Telling.objects.get(channel="letter").told_at is None
    ring_at("2027-03-10T08:00:00+00:00")
    assert Mail.objects.get().state == "sent"
    assert len(sent()) == 1


def test_one_address_that_is_refused_keeps_nobody_else_waiting(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("A", date(2027, 3, 10), role="buyer")
        job("B", date(2027, 3, 10), role="quality")
    refusal = smtplib.SMTPRecipientsRefused({"buyer@example.org": (550, b"nobody here")})

    def send(self: Any, messages: list[Any]) -> int:
        if messages[0].to == ["buyer <buyer@example.org>"]:
            raise refusal
        outbox_of.outbox.extend(messages)
        return 1

    with mock.patch("django.core.mail.backends.locmem.EmailBackend.send_messages", send):
        ring_at(MORNING)
    assert [one.to for one in sent()] == [["quality <quality@example.org>"]]
    assert set(Mail.objects.values_list("state", flat=True)) == {"waiting", "sent"}


def test_the_broker_holds_nothing_that_the_database_does_not(due: dict[str, User]) -> None:
    """Redis emptied: bells are lost, and the next one finds all that is due."""
    ring_at("2027-03-12T09:00:00+00:00")
    assert [(day, stage) for day, stage, _ in told("upkeep:SCALE")] == [("2027-03-11", "overdue")]
    assert len(sent()) == 1


# --- looks --------------------------------------------------------------------------------------------------


def test_the_same_condition_is_recorded_once_however_often_it_is_looked_at(people: dict[str, User]) -> None:
    with time_machine.travel(MORNING, tick=False):
        lot("W1", expires_on=date(2027, 4, 1))
        look = begin()
        assert look_at(look, "lot_expiring").opened == 1
        assert look_at(look, "lot_expiring").opened == 0
        assert Notice.objects.count() == 1


def test_what_is_gone_before_anybody_was_told_lapses_and_is_not_told(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-08T12:00:00+00:00", tick=False):
        kept = lot("W1", expires_on=date(2027, 3, 17))  # a week before is the tenth
        look_at(begin(), "lot_expiring")
        Telling.objects.all().delete()
        Notice.objects.update(stage_on=date(2027, 3, 8), next_at=MORNING)
    kept.portions.update(on_hand=0)
    with time_machine.travel(MORNING, tick=False):
        assert sweep.sweep().notices == 0  # looked at again, without a look of the source as a whole
    assert (notice("lot_expiring").state, told("lot_expiring")) == ("lapsed", [])


def test_what_is_mended_between_claim_and_letter_does_not_stand_in_it(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-09T12:00:00+00:00", tick=False):
        ring()  # the day's look is done: what comes up now is for tomorrow's letter
        first, second = lot("W1", expires_on=date(2027, 3, 20)), lot("W2", expires_on=date(2027, 3, 20))
    ring_at("2027-03-09T13:00:00+00:00")
    assert len(told("lot_expiring")) == 2
    assert not Mail.objects.exists()
    first.portions.update(on_hand=0)
    ring_at(MORNING)
    (letter,) = sent()
    assert second.number in letter.body
    assert first.number not in letter.body


def test_what_was_done_by_mistake_while_the_letter_left_is_in_the_next_one(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-09T12:00:00+00:00", tick=False):
        ring()
        lot("W1", expires_on=date(2027, 3, 14))
        lot("W2", expires_on=date(2027, 3, 14))
    ring_at("2027-03-09T13:00:00+00:00")
    one = notice("lot_expiring:WAX/W1")
    with time_machine.travel("2027-03-09T14:00:00+00:00", tick=False):
        acts.mark_done(notice=one)
    ring_at(MORNING)
    (letter,) = sent()
    assert "W1" not in letter.body
    with time_machine.travel("2027-03-10T09:00:00+00:00", tick=False):
        acts.reopen(notice=one)
        ring()
        assert len(sent()) == 1  # no letter in the middle of the day
    ring_at("2027-03-11T07:00:00+00:00", "2027-03-12T07:00:00+00:00")
    _, again = sent()
    assert "W1" in again.body
    assert not Telling.objects.filter(told_at=None).exists()


def test_a_cause_that_comes_back_is_told_anew_under_another_message_id(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-09T12:00:00+00:00", tick=False):
        kept = lot("W1")
        decide_affected(origins=[kept], status=Lot.Status.HELD, why="cloudy")
    ring_at("2027-03-09T12:01:00+00:00")
    with time_machine.travel("2027-03-09T12:02:00+00:00", tick=False):
        decide_affected(origins=[kept], status=Lot.Status.RELEASED, why="clear when warm")
    ring_at("2027-03-09T12:03:30+00:00")
    assert notice("lot_held").state == "lapsed"
    with time_machine.travel("2027-03-09T12:05:00+00:00", tick=False):
        decide_affected(origins=[kept], status=Lot.Status.HELD, why="cloudy again")
    ring_at("2027-03-09T12:06:30+00:00")
    assert (notice("lot_held").state, notice("lot_held").opening) == ("open", 2)
    to_maker = [one for one in sent() if one.to == ["maker <maker@example.org>"]]
    assert len(to_maker) == 2
    assert len({one.message()["Message-ID"] for one in to_maker}) == 2
    assert "cloudy again" in to_maker[1].body


def test_a_source_that_breaks_is_logged_and_keeps_nobody_else_waiting(
    people: dict[str, User], caplog: pytest.LogCaptureFixture
) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
        lot("W1", expires_on=date(2027, 4, 9))
    broken = mock.Mock(side_effect=ZeroDivisionError)
    with mock.patch.dict("planner.notices.sources.SOURCES", {"lot_expiring": broken}):
        ring_at(MORNING)
    assert len(told("upkeep:SCALE")) == 1
    assert "lot_expiring could not be looked at" in caplog.text
    assert SourceLook.objects.get(name="lot_expiring").looked_at is None
    ring_at("2027-03-10T07:16:00+00:00")
    assert len(told("lot_expiring")) == 1


def test_a_plan_that_breaks_keeps_nothing_else_waiting(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        lot("W1", expires_on=date(2027, 4, 9))
    broken = mock.patch("planner.services.review", side_effect=ZeroDivisionError)
    with broken, pytest.raises(ZeroDivisionError):
        ring_at(MORNING)
    with time_machine.travel(MORNING, tick=False):
        sweep.sweep()
    assert len(told("lot_expiring")) == 1
    assert SourceLook.objects.get(name="morning").looked_on is None
    with mock.patch("planner.services.review") as review:
        ring_at("2027-03-10T07:01:00+00:00", "2027-03-10T07:02:00+00:00")
    assert review.call_count == 1


def test_a_bell_that_rings_while_the_day_is_looked_at_begins_no_second_plan(people: dict[str, User]) -> None:
    begun: list[str] = []

    def review(*, day: date) -> None:
        begun.append(day.isoformat())
        with time_machine.travel("2027-03-10T07:01:00+00:00", tick=False):
            looking.look_when_due()  # the next bell, while this plan is still made

    with mock.patch("planner.services.review", side_effect=review):
        ring_at(MORNING, "2027-03-10T07:02:00+00:00")
    assert begun == ["2027-03-10"]


def test_a_worker_that_dies_in_the_days_look_is_followed_by_another(people: dict[str, User]) -> None:
    with mock.patch("planner.services.review", side_effect=SystemExit), pytest.raises(SystemExit):
        ring_at(MORNING)
    with mock.patch("planner.services.review") as review:
        ring_at("2027-03-10T07:03:00+00:00")
        assert not review.called  # it may still be at work
        ring_at("2027-03-10T07:06:00+00:00")
        assert review.called
    with mock.patch("planner.services.review", side_effect=RuntimeError), pytest.raises(RuntimeError):
        ring_at("2027-03-11T07:00:00+00:00")
    with mock.patch("planner.services.review") as review:
        ring_at("2027-03-11T07:01:00+00:00")  # it said itself that it had failed
        assert review.called


# --- what another worker looks at ---------------------------------------------------------------------------


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """The kinds whose row another worker holds: it is skipped, as where it is locked."""
    held: set[str] = set()
    real = SourceLook.objects.select_for_update

    def without_held(**how: Any) -> Any:
        return real(**how).exclude(name__in=held)

    monkeypatch.setattr(SourceLook.objects, "select_for_update", without_held)
    return held


def test_what_another_worker_is_looking_at_is_left_for_the_next_sweep(
    due: dict[str, User], elsewhere: set[str]
) -> None:
    with time_machine.travel("2027-03-08T12:00:00+00:00", tick=False):
        lot("W1", expires_on=date(2027, 3, 17))
        ring()
    gone = Lot.objects.get(number="W1")
    gone.portions.update(on_hand=0)
    elsewhere.add("lot_expiring")
    with time_machine.travel(MORNING, tick=False):
        assert sweep.sweep().notices == 1  # the job of upkeep
    assert (notice("lot_expiring").state, days_told("lot_expiring")) == ("open", ["2027-02-15"])
    elsewhere.clear()
    ring_at("2027-03-10T07:00:30+00:00")
    assert (notice("lot_expiring").state, days_told("lot_expiring")) == ("lapsed", ["2027-02-15"])


def test_a_mail_waits_while_another_worker_looks_at_what_it_tells(due: dict[str, User], elsewhere: set[str]) -> None:
    ring_at("2027-03-09T12:00:00+00:00")
    with time_machine.travel(MORNING, tick=False):
        sweep.sweep()
        looking.look_when_due()
        sweep.sweep()
        elsewhere.add("upkeep")
        assert posting.send_waiting() == 0
    waiting = Mail.objects.get()
    assert (waiting.state, waiting.tries, sent()) == ("waiting", 0, [])
    elsewhere.clear()
    ring_at("2027-03-10T07:00:30+00:00")
    assert (Mail.objects.get().state, len(sent())) == ("sent", 1)


def test_a_chunk_is_told_in_as_many_statements_however_many_are_due(people: dict[str, User]) -> None:
    def statements_of(count: int, day: int) -> int:
        with time_machine.travel(f"2027-03-{day:02d}T12:00:00+00:00", tick=False):
            for at in range(count):
                lot(f"{day}-{at}", expires_on=date(2027, 3, 17))
            look_at(begin(), "lot_expiring")
            with CaptureQueriesContext(connection) as seen:
                assert sweep.sweep().notices == count
        return len(seen)

    assert statements_of(2, 8) == statements_of(20, 9)
