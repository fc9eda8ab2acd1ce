"""The calendar at its secret address, read by another library (vobject), and by RFC 5545's own rules for lines."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import pytest
import time_machine
import vobject
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from inventory.models import Lot
from planner.notices import acts, choices
from planner.notices.models import Addressee, Notice
from planner.people import change_person
from planner.services import decide_affected
from tests.planner.notices.house import job, lot, notice, ring

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _a_day() -> Any:
    with time_machine.travel("2027-03-10T08:00:00+00:00", tick=False) as traveller:
        yield traveller


def fetch(token: str) -> Any:
    return Client().get(reverse("calendar", kwargs={"token": token}))


def events(token: str) -> list[Any]:
    answer = fetch(token)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    return list(vobject.readOne(answer.content.decode()).contents.get("vevent", []))


def test_another_library_reads_the_calendar(people: dict[str, User], settings: Any) -> None:
    settings.SITE_URL = "https://stock.example.org"
    job("SCALE", date(2027, 3, 31), name="Check; the small, scale\nwith its weight", note="Öl & more " * 30)
    job("WIPE", date(2027, 3, 20), role="quality")
    token = choices.make_calendar(person=people["maker"])
    (event,) = events(token)
    assert event.summary.value == "Check; the small, scale\nwith its weight"
    assert event.description.value.startswith("Öl & more Öl & more")
    assert event.dtstart.value == date(2027, 3, 31)  # a day, not an hour
    assert event.dtend.value == date(2027, 4, 1)
    assert event.uid.value == f"{notice('upkeep:SCALE').uid}@weighhouse"
    assert event.dtstamp.value.isoformat() == "2027-03-10T08:00:00+00:00"
    assert event.transp.value == "TRANSPARENT"


def test_lines_are_as_rfc_5545_wants_them(people: dict[str, User]) -> None:
    """Section 3.1: lines end with CR LF and hold at most 75 octets; 3.6.1: each event has UID and DTSTAMP."""
    job("SCALE", date(2027, 3, 31), note="Öl & more " * 40)
    content = fetch(choices.make_calendar(person=people["maker"])).content
    lines = content.split(b"\r\n")
    assert lines[0] == b"BEGIN:VCALENDAR"
    assert lines[-1] == b""
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert content.count(b"\r\nUID:") == content.count(b"\r\nDTSTAMP:") == content.count(b"BEGIN:VEVENT") == 1


def test_an_event_keeps_its_identity_while_it_changes_and_goes_when_it_is_done(people: dict[str, User]) -> None:
    kept = lot("W1", expires_on=date(2027, 4, 1))
    token = choices.make_calendar(person=people["maker"])
    ring()
    (before,) = events(token)
    assert fetch(token).content == fetch(token).content
    Lot.objects.filter(pk=kept.pk).update(expires_on=date(2027, 4, 5))
    with time_machine.travel("2027-03-10T08:20:00+00:00", tick=False):
        ring()
        (after,) = events(token)
    assert after.uid.value == before.uid.value
    assert (before.dtstart.value, after.dtstart.value) == (date(2027, 4, 1), date(2027, 4, 5))
    assert after.dtstamp.value > before.dtstamp.value
    acts.put_off(notice=notice("lot_expiring"), until=date(2027, 3, 15), who=people["maker"])
    assert len(events(token)) == 1
    acts.mark_done(notice=notice("lot_expiring"), who=people["maker"])
    assert events(token) == []


def test_a_secret_opens_one_calendar_until_it_is_made_anew_or_revoked(people: dict[str, User]) -> None:
    job("SCALE", date(2027, 3, 31))
    first = choices.make_calendar(person=people["maker"])
    assert len(events(first)) == 1
    second = choices.make_calendar(person=people["maker"])
    assert fetch(first).status_code == 404
    assert len(events(second)) == 1
    others = choices.make_calendar(person=people["buyer"])
    assert events(others) == []
    choices.revoke_calendar(person=people["maker"])
    assert fetch(second).status_code == 404
    assert fetch("x").status_code == 404
    assert fetch(others).status_code == 200
    change_person(username="buyer", active=False)
    assert fetch(others).status_code == 404
    change_person(username="buyer", active=True)
    assert fetch(others).status_code == 404  # who comes back makes a new one


def test_the_secret_itself_is_kept_nowhere(people: dict[str, User]) -> None:
    token = choices.make_calendar(person=people["maker"])
    row = Addressee.objects.get(person=people["maker"])
    assert len(token) >= 43
    assert token not in [str(value) for value in vars(row).values()]
    answer = fetch(token)
    assert answer["Cache-Control"] == "private, no-cache"
    assert "sessionid" not in answer.cookies


def test_a_calendar_shows_what_the_roles_of_its_person_see_and_no_more(people: dict[str, User]) -> None:
    """A helper who is named for what buyers are told sees nothing of it."""
    decide_affected(origins=[lot("W1")], status=Lot.Status.HELD, why="cloudy")
    ring()
    now = datetime.fromisoformat("2027-03-10T08:00:00+00:00")
    Notice.objects.create(
        key="reorder:WAX", kind="reorder", cause=1, what="WAX: order by today", due_on=date(2027, 3, 10), by_day="x",
        overdue_on=date(2027, 3, 11), opened_at=now, updated_at=now, person=people["helper"],
    )  # fmt: skip
    shown = {
        name: [event.summary.value for event in events(choices.make_calendar(person=people[name]))] for name in people
    }
    assert shown["helper"] == []
    assert shown["maker"] == ["WAX lot W1 is held"]
    assert shown["owner"] == ["WAX: order by today"]  # nobody else may see it: the owner is told


def test_a_deputy_sees_what_is_due_while_the_other_is_away(people: dict[str, User]) -> None:
    job("SCALE", date(2027, 3, 31), person=people["maker"])
    choices.go_away(
        person=people["maker"], away_from=date(2027, 3, 10), away_to=date(2027, 3, 12), deputy=people["quality"]
    )
    token = choices.make_calendar(person=people["quality"])
    assert len(events(token)) == 1
    with time_machine.travel("2027-03-13T00:00:00+00:00", tick=False):
        assert events(token) == []
