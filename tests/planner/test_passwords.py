"""A forgotten password: a code of an owner, or a letter with a link; each works once, and for a few hours."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.core.cache import cache
from django.test import Client
from django.utils import timezone
from knox.models import AuthToken
from rest_framework.test import APIClient

from planner.people import make_person

pytestmark = pytest.mark.django_db
OLD, NEW = "seven warm stones", "eleven slow rivers"


@pytest.fixture(autouse=True)
def ida() -> Any:
    cache.clear()
    make_person(username="owner", password=OLD, roles=["owner"])
    person = make_person(username="ida", password=OLD, roles=["helper"])
    person.email = "ida@house.example"
    person.save()
    return person


def code() -> dict[str, Any]:
    client = APIClient()
    assert client.login(username="owner", password=OLD)
    answer = client.post("/api/v1/people/ida/reset")
    assert answer.status_code == 201
    made: dict[str, Any] = answer.json()
    return made


def bring(told: str, password: str = NEW) -> Any:
    return APIClient().post("/api/v1/passwords", {"code": told, "password": password}, format="json")


def signs_in(password: str) -> bool:
    return Client().login(username="ida", password=password)


def test_a_password_is_kept_as_a_slow_hash(hashed_as_served: None) -> None:
    person = make_person(username="tom", password=NEW)
    assert person.password.startswith("pbkdf2_sha256$")
    assert Client().login(username="tom", password=NEW)
    assert not Client().login(username="tom", password=OLD)


def test_an_owners_code_sets_a_password_once_and_ends_tokens_and_sessions(ida: Any) -> None:
    AuthToken.objects.create(user=ida)
    device = Client()
    device.login(username="ida", password=OLD)
    told = code()["code"]  # after that sign-in: one would end it
    assert bring(told).status_code == 204
    assert signs_in(NEW)
    assert not signs_in(OLD)
    assert not AuthToken.objects.exists()
    assert device.get("/api/v1/me").status_code == 401
    assert bring(told, "nine quiet hills").status_code == 400
    assert not signs_in("nine quiet hills")


def test_a_code_ends_by_itself_after_four_hours() -> None:
    told = code()["code"]
    with time_machine.travel(timezone.now() + timedelta(hours=4, minutes=1)):
        assert bring(told).status_code == 400
    assert signs_in(OLD)


def test_signing_in_meanwhile_ends_the_code() -> None:
    told = code()["code"]
    assert signs_in(OLD)
    assert bring(told).status_code == 400


def test_a_code_of_another_person_or_a_changed_one_opens_nothing() -> None:
    told = code()["code"]
    uid, _, token = told.partition(".")
    for wrong in (f"{uid}x.{token}", f"{uid}.{token[:-1]}", f"MQ.{token}", told.upper()):
        answer = bring(wrong)
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["field"] == "code"
    assert signs_in(OLD)


def test_a_password_that_is_easily_guessed_is_refused_and_the_code_stays_good() -> None:
    told = code()["code"]
    assert bring(told, "short").json()["errors"][0]["field"] == "password"
    assert bring(told).status_code == 204


def test_codes_cannot_be_tried_without_end() -> None:
    assert [bring("Mg.wrong-code").status_code for _ in range(11)] == [400] * 10 + [429]


def test_who_may_not_sign_in_gets_no_code(ida: Any) -> None:
    ida.is_active = False
    ida.save()
    client = APIClient()
    client.login(username="owner", password=OLD)
    assert client.post("/api/v1/people/ida/reset").status_code == 409


def test_the_page_of_a_code_takes_the_new_password() -> None:
    client = Client()
    shown = client.get(code()["address"], follow=True)
    assert "Set the password" in shown.content.decode()
    address = shown.request["PATH_INFO"]
    assert address.endswith("/set-password")  # no address that is sent on holds the secret
    wrong = client.post(address, {"new_password1": NEW, "new_password2": "another one here"})
    assert "refusal" in wrong.content.decode()
    done = client.post(address, {"new_password1": NEW, "new_password2": NEW})
    assert (done.status_code, done["Location"]) == (302, "/sign-in")
    assert signs_in(NEW)
    assert "not valid" in client.get(address).content.decode()


def test_a_letter_brings_a_link_and_does_not_tell_who_is_here(settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    answers = [Client().post("/password", {"email": one}) for one in ("ida@house.example", "nobody@house.example")]
    assert [(one.status_code, one["Location"]) for one in answers] == [(302, "/password/sent")] * 2
    (letter,) = mail.outbox
    assert letter.to == ["ida@house.example"]
    assert "\n" not in letter.subject
    link = re.search(r"https?://[^/\s]+(/password/\S+)", letter.body)
    assert link is not None
    assert "Set the password" in Client().get(link[1], follow=True).content.decode()


def test_a_letter_leads_to_the_services_own_address_whatever_name_was_asked_for(settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    settings.ALLOWED_HOSTS, settings.SITE_URL = ["*"], "https://house.example:8443"
    Client().post("/password", {"email": "ida@house.example"}, headers={"host": "elsewhere.example"})
    (letter,) = mail.outbox
    assert "https://house.example:8443/password/" in letter.body
    assert "elsewhere.example" not in letter.body + letter.subject


def test_without_e_mail_the_page_says_whom_to_ask(settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
    shown = Client().get("/password").content.decode()
    assert "Ask an owner" in shown
    assert "<input" not in shown.partition("<main")[2]
    assert Client().post("/password", {"email": "ida@house.example"}).status_code == 200
    assert mail.outbox == []
