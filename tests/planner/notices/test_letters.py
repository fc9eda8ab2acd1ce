"""Letters as they arrive: a mail server of another library (aiosmtpd) catches them, the standard library reads them."""

from __future__ import annotations

import email
import socket
from collections.abc import Iterator
from datetime import date
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from typing import Any

import pytest
import time_machine
from aiosmtpd.controller import Controller
from django.contrib.auth.models import User
from django.core import mail as outbox_of

from inventory.models import Lot
from planner.notices import choices, posting
from planner.notices.models import Mail, Telling
from planner.services import decide_affected
from tests.planner.notices.house import job, lot, ring, ring_at

pytestmark = pytest.mark.django_db
MORNING = "2027-03-10T07:00:00+00:00"


class Catcher:
    """Keeps what is handed over; ``lose_after`` mails it takes one and never says that it did."""

    def __init__(self) -> None:
        self.caught: list[EmailMessage] = []
        self.answer = "250 taken"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        message = email.message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        message.add_header("X-To", ",".join(envelope.rcpt_tos))
        self.caught.append(message)
        return self.answer


@pytest.fixture
def server(settings: Any) -> Iterator[Catcher]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    catcher = Catcher()
    controller = Controller(catcher, hostname="127.0.0.1", port=port)
    controller.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", port, 5
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
    settings.EMAIL_HOST_USER = settings.EMAIL_HOST_PASSWORD = ""
    settings.DEFAULT_FROM_EMAIL = "house@example.org"
    settings.SITE_URL = "https://stock.example.org"
    yield catcher
    controller.stop()


class Words(HTMLParser):
    """The words of a page, and what is in it that a letter must not have."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words += data.split()


def parts(message: EmailMessage) -> tuple[str, str]:
    """Plain text and HTML of a letter."""
    plain, html = message.get_body(("plain",)), message.get_body(("html",))
    assert plain is not None
    assert html is not None
    return plain.get_content(), html.get_content()


def test_the_morning_letter_holds_all_that_is_due_in_plain_text_and_in_html(
    people: dict[str, User], server: Catcher
) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 8), name="Check the small scale")
        job("WIPE", date(2027, 3, 10), name="Sanitise the bench")
        job("DRILL", date(2027, 3, 13), name="Recall drill", soon_days=3)
        lot("W1", expires_on=date(2027, 4, 9))
    ring_at("2027-03-08T07:00:00+00:00", MORNING, "2027-03-10T07:00:30+00:00")
    first, second = server.caught
    assert first["X-To"] == second["X-To"] == "maker@example.org"
    assert second["From"] == "Weighhouse <house@example.org>"
    assert second["To"] == "maker <maker@example.org>"
    assert second["Subject"] == "10 March 2027: 1 overdue, 1 due, 2 coming"
    assert second["Auto-Submitted"] == "auto-generated"
    assert second.get_content_type() == "multipart/alternative"
    plain, html = parts(second)
    assert plain.splitlines()[:3] == ["Good morning maker,", "", "10 March 2027: what is due in the workshop."]
    wanted = [
        "Overdue: upkeep", "- Check the small scale (new)", "  due on 8 March 2027",
        "Due now: upkeep", "- Sanitise the bench (new)", "  due today",
        "Coming: lots that expire", "- WAX lot W1: last day 9 April 2027 (new)", "  due on 9 April 2027, in 30 days",
        "Coming: upkeep", "- Recall drill (new)", "  due on 13 March 2027, in 3 days",
    ]  # fmt: skip
    lines = plain.splitlines()
    assert [line for line in lines if line in wanted] == wanted
    assert max(len(line) for line in lines) < 120
    assert "\n\n\n" not in plain
    reader = Words()
    reader.feed(html)
    shown = " ".join(reader.words)
    assert all(line.strip("- ").removesuffix(" (new)") in shown for line in wanted)
    assert not {"script", "img", "link", "iframe", "form"} & set(reader.tags)


def test_what_people_wrote_stays_text(people: dict[str, User], server: Catcher) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("BAD", date(2027, 3, 10), name="<script>alert('x')</script>", note="Äther & Öl: 5 < 6")
        User.objects.filter(username="maker").update(first_name='Ida\nBcc: all@example.org, "x"')
    ring_at(MORNING)
    (letter,) = server.caught
    plain, html = parts(letter)
    assert "<script>alert('x')</script>" in plain
    assert "Äther & Öl: 5 < 6" in plain
    assert "<script>" not in html
    assert "Äther &amp; Öl: 5 &lt; 6" in html
    assert letter["Bcc"] is None
    assert letter["X-To"] == "maker@example.org"


def test_what_cannot_wait_comes_at_once_in_one_mail_for_each_person(people: dict[str, User], server: Catcher) -> None:
    with time_machine.travel("2027-03-10T14:00:00+00:00", tick=False):
        ring()
        lots = [lot(f"W{number}\u2028", item="WAX") for number in range(3)]
        decide_affected(origins=lots, status=Lot.Status.HELD, why="the supplier doubts its purity")
    ring_at("2027-03-10T14:01:00+00:00", "2027-03-10T14:02:00+00:00")
    assert sorted(one["X-To"] for one in server.caught) == ["maker@example.org", "quality@example.org"]
    subject = server.caught[0]["Subject"]
    assert subject == "At once: WAX lot W0 is held (and 2 more)"
    plain, _ = parts(server.caught[0])
    assert plain.count("the supplier doubts its purity") == 3
    assert "this cannot wait" in plain


def test_people_choose_what_they_get(people: dict[str, User], server: Catcher) -> None:
    choices.choose_letters(person=people["maker"], at_once=False)
    choices.choose_letters(person=people["quality"], letter=False, at_once=False)
    with time_machine.travel("2027-03-09T14:00:00+00:00", tick=False):
        ring()
        decide_affected(origins=[lot("W1")], status=Lot.Status.HELD, why="cloudy")
    ring_at("2027-03-09T14:01:00+00:00")
    assert server.caught == []
    assert set(Telling.objects.values_list("recipient__username", "channel")) == {
        ("maker", "page"), ("maker", "letter"), ("quality", "page"),
    }  # fmt: skip
    ring_at(MORNING)
    assert [one["X-To"] for one in server.caught] == ["maker@example.org"]


def test_a_server_that_dies_while_it_takes_gets_the_same_letter_again(people: dict[str, User], server: Catcher) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
    server.answer = "451 the disk is full"  # it has it, and says that it has not
    ring_at(MORNING)
    server.answer = "250 taken"
    ring_at("2027-03-10T07:05:00+00:00")
    first, again = server.caught
    assert first["Message-ID"] == again["Message-ID"]
    assert first["Message-ID"].endswith("@example.org>")


def test_without_a_mail_server_everything_is_recorded_and_nothing_is_mailed(
    people: dict[str, User], settings: Any
) -> None:
    settings.EMAIL_BACKEND = posting.NO_MAIL
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
    ring_at(MORNING)
    kept = Mail.objects.get()
    assert (kept.state, kept.trouble) == ("recorded", "no e-mail is set up")
    assert not Telling.objects.filter(told_at=None).exists()
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    ring_at("2027-03-10T08:00:00+00:00")
    assert outbox_of.outbox == []  # what was not mailed in its time does not come in a heap later


def test_a_person_without_an_address_is_told_on_the_page(people: dict[str, User]) -> None:
    User.objects.filter(username="maker").update(email="")
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 10))
    ring_at(MORNING)
    assert Mail.objects.get().trouble == "maker has no e-mail address"
    assert outbox_of.outbox == []


def test_a_very_long_list_is_cut_and_counted(people: dict[str, User], server: Catcher) -> None:
    with time_machine.travel(MORNING, tick=False):
        for number in range(230):
            lot(f"W{number:03}", expires_on=date(2027, 3, 17))
        ring()
    (letter,) = server.caught
    plain, _ = parts(letter)
    assert plain.count("\n- ") == 200
    assert "And 30 more, in the list of notices." in plain
    assert letter["Subject"] == "10 March 2027: 200 coming, 30 more"
    assert not Telling.objects.filter(told_at=None).exists()


def test_a_morning_with_nothing_new_brings_no_letter(people: dict[str, User], server: Catcher) -> None:
    with time_machine.travel("2027-03-01T12:00:00+00:00", tick=False):
        job("SCALE", date(2027, 3, 8))
    ring_at("2027-03-08T07:00:00+00:00", "2027-03-09T07:00:00+00:00", "2027-03-10T07:00:00+00:00")
    assert [one["Subject"] for one in server.caught] == ["8 March 2027: 1 due", "9 March 2027: 1 overdue"]
