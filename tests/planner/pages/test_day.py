"""The Day sheet: what is due for a person, in the order of what it costs to let it lie, each with its act."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from inventory.pages.conventions import of_language, show_sentence, shown_by
from planner.day import GROUPS
from planner.notices.looking import look_when_due
from planner.notices.models import Mail, Notice, Telling
from production.models import Batch
from production.services.batches import change_plan
from tests.planner.pages.house import read

Shop = dict[str, Client]
TODAY = date(2027, 3, 10)


@pytest.fixture
def looked(workshop: Shop) -> Shop:
    look_when_due()
    assert Notice.objects.filter(state="open").exists()
    return workshop


def test_everything_that_is_due_stands_in_the_order_of_what_it_costs(looked: Shop) -> None:
    page = looked["owner"].get(reverse("day-sheet"), {"everything": "yes"}, headers={"accept-language": "sv"})
    sheet = page.context["sheet"]
    shown = {row["notice"] for group in sheet.groups for row in group.notices}
    standing = Notice.objects.filter(state="open").exclude(kind="batch_coming")
    assert shown == {str(uid) for uid in standing.values_list("uid", flat=True)}
    titles = [title for title, _ in GROUPS]
    assert [titles.index(group.title) for group in sheet.groups] == sorted(
        titles.index(group.title) for group in sheet.groups
    )
    words = " ".join(read(page).words.split())
    said = [row[name] for group in sheet.groups for row in group.notices for name in ("what", "why")]
    with shown_by(of_language("sv")):
        as_read = [" ".join(show_sentence(one).split()) for one in said]
    assert all(one in words for one in as_read)
    assert sum(plain != shown for plain, shown in zip(said, as_read, strict=True)) > 10  # by its days and quantities


def test_a_person_sees_what_is_for_them(looked: Shop) -> None:
    buyer = looked["buyer"].get(reverse("day-sheet")).context["sheet"]
    kinds = {row["kind"] for group in buyer.groups for row in group.notices}
    assert kinds
    assert kinds <= {"reorder", "order_late", "demand_late", "life_short"}


def test_today_s_batches_stand_with_their_coverage(looked: Shop) -> None:
    batch = Batch.objects.select_related("transformation").filter(status="planned").order_by("pk")[0]
    change_plan(batch=batch, planned_for=TODAY)
    page = looked["maker"].get(reverse("day-sheet"))
    entry = next(one for one in page.context["sheet"].entries if one.batch == batch.transformation.code)
    assert entry.coverage in ("covered", "expected", "short")
    assert entry.batch in read(page).words


def test_a_notice_is_done_by_one_press_and_is_gone(looked: Shop) -> None:
    sheet = looked["buyer"].get(reverse("day-sheet")).context["sheet"]
    row = sheet.groups[0].notices[0]
    answer = looked["buyer"].post(reverse("notice-done", kwargs={"notice": row["notice"]}), follow=True)
    assert f"Done: {row['what']}" in read(answer).words
    assert Notice.objects.get(uid=row["notice"]).state == "done"
    again = answer.context["sheet"]
    assert row["notice"] not in {one["notice"] for group in again.groups for one in group.notices}


def test_a_notice_is_put_off_until_a_day_that_is_to_come(looked: Shop) -> None:
    row = looked["buyer"].get(reverse("day-sheet")).context["sheet"].groups[0].notices[0]
    address = reverse("notice-put-off", kwargs={"notice": row["notice"]})
    past = looked["buyer"].post(address, {"until": "2027-03-01", "why": "later"})
    assert past.status_code == 400
    assert past.context["form"].faults["until"]
    until = (TODAY + timedelta(days=2)).isoformat()
    answer = looked["buyer"].post(address, {"until": until, "why": "the supplier is closed"})
    assert answer.status_code == 303
    notice = Notice.objects.get(uid=row["notice"])
    assert (notice.state, str(notice.put_off_until)) == ("put_off", until)


def test_deliveries_lead_to_receiving_them(looked: Shop) -> None:
    page = looked["buyer"].get(reverse("day-sheet"))
    orders = {one.order for one in page.context["sheet"].deliveries}
    links = {one["href"] for one in read(page).tags["a"] if "/shelf/receive" in one.get("href", "")}
    assert orders
    assert all(any(f"order={order}" in link for link in links) for order in orders)


def test_what_is_overdue_for_so_long_that_the_owner_is_told_is_said_in_words(looked: Shop) -> None:
    notice = Notice.objects.filter(state="open", kind="reorder").order_by("pk")[0]
    Notice.objects.filter(pk=notice.pk).update(due_on="2027-02-01", overdue_on="2027-02-02", escalates_on="2027-02-05")
    words = read(looked["owner"].get(reverse("day-sheet"), {"everything": "yes"})).words
    assert "long overdue" in words
    assert "escalated" not in words
    page = looked["owner"].get(reverse("notice-put-off", kwargs={"notice": notice.uid}))
    assert "long overdue" in read(page).words
    assert page.context["notice"]["stage"] == "escalated"  # the API's word stays


def _told(channel: str, told_at: datetime | None = None, **of_mail: str | datetime) -> str:
    """What the page says of one telling of one notice."""
    notice = Notice.objects.filter(state="open", kind="reorder").order_by("pk")[0]
    person, now = User.objects.get(username="buyer"), datetime(2027, 3, 10, 9, tzinfo=UTC)
    mail = None
    if of_mail:
        mail = Mail.objects.create(
            key=f"{channel}/1", kind=channel, recipient=person, day=TODAY, made_at=now, try_at=now, **of_mail
        )
    Telling.objects.create(
        notice=notice, opening=notice.opening, stage_on=date(2027, 3, 1), stage="due", recipient=person,
        channel=channel, claimed_at=now, mail=mail, told_at=told_at,
    )  # fmt: skip
    client = Client()
    client.force_login(person)
    page = client.get(reverse("notice-put-off", kwargs={"notice": notice.uid}))
    return " ".join(read(page).words.split())


def test_who_was_told_is_said_with_the_moment_of_the_telling(looked: Shop) -> None:
    words = _told("page", datetime(2027, 3, 9, 6, 30, tzinfo=UTC))
    assert "buyer, due: on the list, 9 Mar 2027, 06:30" in words
    assert "1 Mar 2027" not in words  # the day of the stage: nobody was told then


LEFT = datetime(2027, 3, 9, 6, 31, tzinfo=UTC)


@pytest.mark.parametrize(
    ("told_at", "of_mail", "said"),
    [
        (None, {}, "by letter, waits to be sent"),
        (None, {"state": "waiting", "trouble": "OSError: away"}, "by letter, waits to be sent"),
        (LEFT, {"state": "sent", "settled_at": LEFT}, "by letter, sent 9 Mar 2027, 06:31"),
        (None, {"state": "sent", "settled_at": LEFT}, "by letter, left out of it: it did not stand open any more"),
        (None, {"state": "dropped", "settled_at": LEFT}, "by letter, not sent: nothing in it mattered any more"),
        (
            LEFT,
            {"state": "recorded", "settled_at": LEFT, "trouble": "no e-mail is set up"},
            "by letter, only written down 9 Mar 2027, 06:31 and not sent: no e-mail is set up",
        ),
    ],
    ids=["none-yet", "waiting", "sent", "left-out", "dropped", "recorded"],
)
def test_of_a_letter_is_said_what_became_of_it(
    looked: Shop, told_at: datetime | None, of_mail: dict[str, str | datetime], said: str
) -> None:
    assert f"buyer, due: {said}" in _told("letter", told_at, **of_mail)
