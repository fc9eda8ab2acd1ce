"""People and one's own page: roles, links for a password, letters, absence, calendar."""

from __future__ import annotations

import re

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from inventory.models import RetryKey
from tests.planner.pages.house import read

Shop = dict[str, Client]
GOOD = "seven warm stones"


def secret_of(answer: object) -> str:
    found = re.search(r'class="secret"><code>(.*?)</code>', answer.content.decode())  # type: ignore[attr-defined]
    assert found is not None
    return found[1].replace("http://testserver", "")


def person_with_password(name: str = "ida") -> Client:
    User.objects.create_user(name, password=GOOD)
    client = Client()
    assert client.login(username=name, password=GOOD)
    return client


def test_a_person_is_added_with_roles_and_sets_a_password_by_the_link(workshop: Shop) -> None:
    asks = {"person": "ida", "name": "Ida", "helper": "yes", "buyer": "yes"}
    answer = workshop["owner"].post(reverse("person-add"), asks)
    assert answer["Location"] == reverse("person-reset", kwargs={"person": "ida"})
    ida = User.objects.get(username="ida")
    assert set(ida.groups.values_list("name", flat=True)) == {"helper", "buyer"}
    made = workshop["owner"].post(answer["Location"])
    assert made["Cache-Control"] == "no-store"
    client = Client()
    page = client.get(secret_of(made), follow=True)
    assert client.post(page.request["PATH_INFO"], {"new_password1": GOOD, "new_password2": GOOD}).status_code == 302
    assert Client().login(username="ida", password=GOOD)


def test_roles_are_ticked_and_unticked(workshop: Shop) -> None:
    where = reverse("person", kwargs={"person": "helper"})
    ticked = [one["name"] for one in read(workshop["owner"].get(where)).tags["input"] if "checked" in one]
    assert ticked == ["helper", "active"]
    assert workshop["owner"].post(where, {"name": "Hel", "maker": "yes", "active": "yes"}).status_code == 303
    person = User.objects.get(username="helper")
    assert (person.first_name, [group.name for group in person.groups.all()]) == ("Hel", ["maker"])
    assert workshop["owner"].post(where, {"name": ""}).status_code == 303
    person.refresh_from_db()
    assert (person.first_name, person.is_active, person.groups.count()) == ("", False, 0)


def test_the_last_owner_stays(workshop: Shop) -> None:
    User.objects.filter(is_superuser=True).update(is_superuser=False)
    User.objects.exclude(username="owner").filter(groups__name="owner").update(is_active=False)
    where = reverse("person", kwargs={"person": "owner"})
    answer = workshop["owner"].post(where, {"active": "yes", "viewer": "yes"})
    assert answer.status_code == 409
    assert "nobody would be left" in read(answer).words.lower()
    assert User.objects.get(username="owner").groups.filter(name="owner").exists()


def test_a_taken_name_and_a_weak_password_are_told_beside_their_inputs(workshop: Shop) -> None:
    for asks, told in (({"person": "Helper"}, "nobody has"), ({"person": "ida", "password": "12345"}, "guessed")):
        answer = workshop["owner"].post(reverse("person-add"), asks)
        assert answer.status_code in (400, 409)
        assert told in read(answer).words
        assert "12345" not in answer.content.decode()
    assert not User.objects.filter(username="ida").exists()


def test_one_changes_the_own_password_and_stays_signed_in(workshop: Shop) -> None:
    client, where = person_with_password(), reverse("my-password")
    wrong = client.post(where, {"now": "not it", "password": "eight cold rivers", "again": "eight cold rivers"})
    assert wrong.status_code == 400
    assert "the password that you have now" in read(wrong).words
    differ = client.post(where, {"now": GOOD, "password": "eight cold rivers", "again": "eight cold"})
    assert differ.status_code == 400
    weak = client.post(where, {"now": GOOD, "password": "password", "again": "password"})
    assert weak.status_code == 400
    assert Client().login(username="ida", password=GOOD)
    assert (
        client.post(where, {"now": GOOD, "password": "eight cold rivers", "again": "eight cold rivers"}).status_code
        == 303
    )
    assert client.get(reverse("myself")).status_code == 200
    assert Client().login(username="ida", password="eight cold rivers")


def test_the_own_password_cannot_be_guessed_without_end(workshop: Shop) -> None:
    client = person_with_password()
    tries = [
        client.post(reverse("my-password"), {"now": f"guess {at}", "password": GOOD, "again": GOOD}) for at in range(30)
    ]
    assert tries[0].status_code == 400
    assert tries[-1].status_code == 409
    assert "too many tries" in read(tries[-1]).words.lower()


@pytest.mark.parametrize(("seconds", "told"), [(1, "wait 1 second."), (2, "wait 2 seconds.")])
def test_seconds_to_wait_are_told_in_words(
    workshop: Shop, monkeypatch: pytest.MonkeyPatch, seconds: int, told: str
) -> None:
    for module in ("start", "passwords", "myself"):
        monkeypatch.setattr(f"planner.pages.{module}.seconds_to_wait", lambda request: seconds)
    anyone, own = Client(), {"now": GOOD, "password": GOOD, "again": GOOD}
    assert told in read(anyone.post(reverse("sign-in"), {"username": "ida", "password": GOOD})).words
    assert told in read(anyone.post(reverse("password-forgotten"), {"email": "ida@house.example"})).words
    assert told in read(person_with_password().post(reverse("my-password"), own)).words


def test_letters_are_chosen(workshop: Shop) -> None:
    where = reverse("my-letters")
    assert workshop["maker"].post(where, {"email": "no address"}).status_code == 400
    assert workshop["maker"].post(where, {"email": "maker@example.org", "letter": "yes"}).status_code == 303
    assert User.objects.get(username="maker").email == "maker@example.org"
    ticked = [one["name"] for one in read(workshop["maker"].get(where)).tags["input"] if "checked" in one]
    assert ticked == ["letter"]


def test_one_says_when_one_is_away_and_that_one_is_back(workshop: Shop) -> None:
    where = reverse("my-away")
    wrong = workshop["maker"].post(where, {"away_from": "2027-03-19", "away_to": "2027-03-12"})
    assert wrong.status_code == 400
    asks = {"away_from": "2027-03-12", "away_to": "2027-03-19", "deputy": "helper"}
    assert workshop["maker"].post(where, asks).status_code == 303
    assert "helper stands in" in read(workshop["maker"].get(reverse("myself"))).words
    assert workshop["maker"].post(where, {"away_from": "", "away_to": "", "deputy": ""}).status_code == 303
    assert "You are here" in read(workshop["maker"].get(reverse("myself"))).words


def test_the_calendar_has_a_secret_address_until_it_is_ended(workshop: Shop) -> None:
    address = secret_of(workshop["maker"].post(reverse("my-calendar")))
    assert Client().get(address)["Content-Type"].startswith("text/calendar")
    other = secret_of(workshop["maker"].post(reverse("my-calendar")))
    assert Client().get(address).status_code == 404
    assert workshop["maker"].post(reverse("my-calendar-end")).status_code == 303
    assert Client().get(other).status_code == 404


def test_secrets_are_kept_in_no_answer_that_is_kept(workshop: Shop) -> None:
    link = secret_of(workshop["owner"].post(reverse("person-reset", kwargs={"person": "helper"})))
    address = secret_of(workshop["maker"].post(reverse("my-calendar")))
    kept = str(list(RetryKey.objects.values_list("answer", flat=True)))
    assert link.rpartition("/")[2] not in kept
    assert address.rpartition("/")[2] not in kept
