"""PINs of the bench: kept so that nobody can read them, and not to be guessed, by however many processes at once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.contrib.auth.hashers import check_password
from django.contrib.auth.models import Group, User

from inventory import clock
from inventory.errors import BadInput, Conflict, NotFound
from inventory.models import ChangeRecord
from planner import people, pins
from planner.models import BenchPin, PinTries

pytestmark = pytest.mark.django_db
NOON = "2027-03-10T12:00:00+00:00"


def helper(name: str = "ida", pin: str = "2580", role: str = "helper") -> User:
    person = User.objects.create(username=name)
    person.groups.add(Group.objects.get_or_create(name=role)[0])
    pins.set_pin(person=person, pin=pin)
    return person


def wrong(name: str = "ida", device: str = "tablet") -> BadInput:
    with pytest.raises(BadInput) as refused:
        pins.try_pin(username=name, pin="7391", device=device)
    return refused.value


def locked(name: str = "ida", device: str = "tablet") -> Conflict:
    with pytest.raises(Conflict) as refused:
        pins.try_pin(username=name, pin="2580", device=device)
    assert refused.value.code == "too_many_tries"
    return refused.value


@pytest.mark.parametrize(
    "pin", ["", "123", "258", "258025802", "abcd", "25 80", "0000", "1234", "4321", "8901", "２５８０", "-258"]
)
def test_what_is_no_pin_or_the_first_that_anybody_tries_is_refused(pin: str) -> None:
    person = helper()
    with pytest.raises(BadInput) as refused:
        pins.set_pin(person=person, pin=pin)
    assert refused.value.faults[0].field == "pin"
    assert not pin or pin not in str(vars(refused.value))
    assert pins.try_pin(username="ida", pin="2580", device="tablet").person == person


@pytest.mark.parametrize("pin", ["2580", "1357", "00000001", "90210"])
def test_four_to_eight_digits_are_a_pin(pin: str) -> None:
    assert pins.try_pin(username=helper(pin=pin).username, pin=pin, device="tablet").person.username == "ida"


def test_as_kept_it_is_a_slow_hash_that_needs_the_secret_key_too(hashed_as_served: None, settings: Any) -> None:
    # In this order: what is set within the other hashers must be put back before they are.
    helper()
    kept = BenchPin.objects.get().pin
    assert kept.startswith("pbkdf2_sha256$")
    assert not check_password("2580", kept)  # who has the database alone has nothing to try guesses on
    settings.SECRET_KEY = "another key, by which no PIN is right any more"
    assert wrong().code == "wrong_pin"


def test_two_people_with_one_pin_are_not_seen_to_have_it() -> None:
    helper("ida")
    helper("tom")
    first, second = BenchPin.objects.values_list("pin", flat=True)
    assert first != second


def test_the_change_log_tells_that_there_is_one_and_not_which() -> None:
    person = helper()
    pins.set_pin(person=person, pin="9517")
    pins.remove_pin(person=person)
    told = list(ChangeRecord.objects.filter(code="ida", field="pin").order_by("pk").values_list("before", "after"))
    assert told == [("", "set"), ("", "set"), ("", "removed")]
    everything = str(list(ChangeRecord.objects.values()))
    assert "2580" not in everything
    assert "9517" not in everything


def test_five_wrong_tries_make_a_pause_even_for_the_right_one() -> None:
    with time_machine.travel(NOON, tick=False) as now:
        helper()
        told = [wrong(device=f"tablet {at}").faults[0].accepted for at in range(5)]
        assert "4 more wrong tries" in told[0]
        assert "1 more wrong try" in told[3]
        assert "none is looked at now" in told[4]
        assert "15 minutes" in locked().message
        now.shift(timedelta(minutes=14, seconds=50))
        assert "1 minute" in locked().message
        now.shift(timedelta(seconds=11))
        assert pins.try_pin(username="ida", pin="2580", device="tablet")


def test_each_pause_is_longer_than_the_last_up_to_a_day() -> None:
    with time_machine.travel(NOON, tick=False) as now:
        person = helper()
        pauses = []
        for _ in range(9):
            for at in range(5):
                wrong(device=f"{at} at {clock.now()}")
            until = pins.locked_until(person)
            assert until is not None
            pauses.append(int((until - clock.now()).total_seconds()) // 60)
            now.move_to(until)
    assert pauses == [15, 30, 60, 120, 240, 480, 960, 1440, 1440]


def test_the_right_one_begins_anew() -> None:
    helper()
    for _ in range(3):
        for _ in range(4):
            wrong()
            PinTries.objects.filter(about__startswith="device").delete()
        pins.try_pin(username="ida", pin="2580", device="tablet")


def test_one_pin_tried_on_many_people_locks_the_device_and_right_ones_in_between_do_not_help() -> None:
    with time_machine.travel(NOON, tick=False) as now:
        helper("tom", pin="8642")
        for at in range(10):
            helper(f"p{at}")
            pins.try_pin(username="tom", pin="8642", device="tablet")
            wrong(f"p{at}")
        with pytest.raises(Conflict):
            pins.try_pin(username="tom", pin="8642", device="tablet")
        assert pins.try_pin(username="tom", pin="8642", device="another tablet")
        now.shift(timedelta(minutes=15))
        assert pins.try_pin(username="tom", pin="8642", device="tablet")
        for at in range(9):  # the fifteen minutes began anew
            wrong(f"p{at}")


def test_a_name_that_nobody_has_is_a_try_too() -> None:
    helper()
    for _ in range(10):
        with pytest.raises(BadInput):
            pins.try_pin(username="nobody", pin="2580", device="tablet")
    locked()


def test_tries_are_counted_before_they_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many look at once: when the hash of the first is still being reckoned, the sixth is refused already."""
    helper()
    asked = []

    def at_once(pin: str, kept: str) -> bool:
        if len(asked) < 20:
            asked.append(pin)
            with pytest.raises((BadInput, Conflict)):
                pins.try_pin(username="ida", pin="7391", device=f"tablet {len(asked)}")
        return False

    monkeypatch.setattr(pins, "check_password", at_once)
    wrong()
    assert len(asked) == 5


@pytest.mark.parametrize("role", ["viewer", "buyer", "quality"])
def test_who_may_not_work_at_the_bench_signs_with_no_pin(role: str) -> None:
    helper(role=role)
    assert pins.people_with_a_pin() == []
    with pytest.raises(BadInput):
        pins.try_pin(username="ida", pin="2580", device="tablet")


def test_who_leaves_has_no_pin_and_none_when_they_come_back() -> None:
    helper("tom", role="owner")
    helper()
    people.change_person(username="ida", active=False)
    assert pins.people_with_a_pin() == [("tom", "tom")]
    people.change_person(username="ida", active=True)
    assert pins.people_with_a_pin() == [("tom", "tom")]


def test_another_pin_ends_a_pause_and_the_old_one() -> None:
    person = helper()
    for _ in range(5):
        wrong()
    pins.set_pin(person=person, pin="9517")
    assert pins.try_pin(username="ida", pin="9517", device="tablet")
    with pytest.raises(BadInput):
        pins.try_pin(username="ida", pin="2580", device="tablet")


def test_a_pin_that_is_not_there_cannot_be_removed() -> None:
    person = helper()
    pins.remove_pin(person=person)
    with pytest.raises(NotFound):
        pins.remove_pin(person=person)


def test_old_tries_of_devices_are_cleared_and_pauses_of_people_stay() -> None:
    with time_machine.travel(NOON, tick=False) as now:
        helper()
        for _ in range(5):
            wrong()
        now.shift(timedelta(days=2))
        pins.clear_tries()
        assert [row.about.split()[0] for row in PinTries.objects.all()] == ["person"]
