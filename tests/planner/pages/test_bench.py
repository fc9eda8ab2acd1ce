"""Several people at one screen: each signs by name and PIN what they do at the bench, with their own rights alone."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.apps import apps
from django.contrib.auth.models import User
from django.contrib.sessions.models import Session
from django.test import Client
from django.urls import reverse

from inventory.services.workshop import change_settings
from planner import pins
from planner.exchange.exporting import csv_files, exported_tables
from planner.pages.access import PERMISSIONS
from production.models import CheckResult, StepSignature, Weighing
from tests.planner.pages.areas.sheets import a_started
from tests.planner.pages.house import NOW, may, read
from tests.planner.pages.test_sheets import grams, open_line, reading, sheet_of

Shop = dict[str, Client]
PINS = {"helper": "2580", "maker": "8642", "owner": "9713", "buyer": "7531"}


@pytest.fixture
def tablet(workshop: Shop) -> Client:
    """Signed in as a maker, whose own PIN and that of others are set. Nobody is chosen yet."""
    for name, pin in PINS.items():
        pins.set_pin(person=User.objects.get(username=name), pin=pin)
    client = Client()
    client.force_login(User.objects.get(username="maker"))
    return client


def choose(tablet: Client, name: str, pin: str = "", to: str = "") -> int:
    answer = tablet.post(reverse("bench"), {"person": name, "pin": pin or PINS[name], "to": to})
    return answer.status_code


def at(route: str, code: str) -> str:
    return reverse(route, kwargs={"batch": code})


# --- signing -----------------------------------------------------------------------------------------------


def test_two_helpers_sign_at_one_screen_what_each_did(workshop: Shop, tablet: Client) -> None:
    User.objects.filter(username="helper").update(first_name="Ida")
    code = a_started()["batch"]
    sheet = at("batch", code)
    chosen = tablet.post(reverse("bench"), {"person": "helper", "pin": "2580", "to": sheet})
    assert (chosen.status_code, chosen["Location"]) == (303, sheet)
    assert "At the bench: Ida change" in " ".join(read(tablet.get(sheet)).words.split())
    line = open_line(code)
    assert tablet.post(sheet, reading(line, quantity=grams(line.required // 2))).status_code == 303
    assert choose(tablet, "owner") == 303
    step = next(one for one in sheet_of(code).steps if one.signed_at is None)
    assert tablet.post(at("batch-sign-step", code), {"position": step.position}).status_code == 303
    check = sheet_of(code).checks[0]
    looked = {"check": check.name, "stage": check.stage, "value": check.expected or f"{(check.low or check.high):.10g}"}
    assert tablet.post(at("batch-record-check", code), looked).status_code == 303
    spot = {name: getattr(line.take[0], name) for name in ("lot", "place", "container")}
    added = {"item": line.item, "quantity": "1 g", "why": "made up to weight"} | spot
    assert tablet.post(at("batch-add", code), added).status_code == 303
    readings = Weighing.objects.filter(line__batch__transformation__code=code).order_by("-pk")
    assert [one.event.who.username for one in readings[:2] if one.event.who] == ["owner", "helper"]
    assert StepSignature.objects.get(batch__transformation__code=code, step__position=step.position).who == (
        User.objects.get(username="owner")
    )
    assert CheckResult.objects.latest("pk").who == User.objects.get(username="owner")


def test_who_signed_in_with_their_own_password_needs_no_pin(workshop: Shop, tablet: Client) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    assert tablet.post(at("batch", code), reading(line, quantity=grams(line.required // 2))).status_code == 303
    assert Weighing.objects.latest("pk").event.who == User.objects.get(username="maker")
    assert "At the bench: maker somebody else, by PIN" in " ".join(read(tablet.get(at("batch", code))).words.split())


def test_the_name_list_holds_who_may_work_at_the_bench_and_has_a_pin(workshop: Shop, tablet: Client) -> None:
    tablet.post(reverse("bench-leave"))
    for where in (reverse("bench"), at("batch", a_started()["batch"])):
        options = [one["value"] for one in read(tablet.get(where)).tags["option"] if one.get("value")]
        assert options == ["helper", "maker", "owner"]
    assert choose(tablet, "buyer") == 400


# --- whose rights ------------------------------------------------------------------------------------------


def test_a_pin_reaches_the_acts_of_the_bench_and_nothing_else(workshop: Shop, tablet: Client) -> None:
    """Asked of the whole table: with the owner's PIN, which has most rights, on a maker's screen."""
    a_started()
    choose(tablet, "owner")
    request_of = tablet.get(reverse("batch-sheets")).wsgi_request
    allowed = {
        (method, route)
        for method, route in PERMISSIONS
        if may("owner", method, route) and not may("stranger", method, route)
    }
    reached = {one for one in allowed if request_of.may.do(*one)}
    acts = {"batch", "batch-add", "batch-sign-step", "batch-record-check", "batch-correct-weighing"}
    assert {route for method, route in reached if method == "POST"} == acts | {"bench", "bench-leave", "sign-out"}
    assert {route for method, route in reached if method == "GET"} == acts | {"batch-sheets", "bench"}


@pytest.mark.parametrize(
    "where",
    ["/batch-sheets/{}/finish", "/batch-sheets/{}/abandon", "/batch-sheets/{}/paper", "/decisions", "/workshop/people",
     "/workshop/settings", "/workshop/myself/pin", "/workshop/myself/password", "/shelf", "/trace", "/week/plan"],
)  # fmt: skip
def test_neither_with_somebody_chosen_nor_with_nobody_the_account_lends_its_rights(
    workshop: Shop, tablet: Client, where: str
) -> None:
    address = where.format(a_started()["batch"])
    tablet.post(reverse("bench-leave"))
    for name in ("", "helper", "owner"):
        if name:
            choose(tablet, name)
        for answer in (tablet.get(address), tablet.post(address)):
            assert answer.status_code in (403, 405), (name, answer)
            assert "Nothing was saved" not in answer.content.decode()


def test_with_nobody_chosen_the_sheet_is_shown_and_nothing_is_done(workshop: Shop, tablet: Client) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    before = Weighing.objects.count()
    tablet.post(reverse("bench-leave"))
    page = tablet.get(at("batch", code))
    assert page.status_code == 200
    assert "It went in" not in page.content.decode()
    refused = tablet.post(
        at("batch", code), reading(line, quantity="1 g"), HTTP_REFERER=f"http://x/batch-sheets/{code}"
    )
    assert refused.status_code == 403
    assert f"/bench?to=%2Fbatch-sheets%2F{code}" in refused.content.decode()
    assert Weighing.objects.count() == before


def test_a_screen_signed_in_without_a_role_becomes_one_by_the_pin(workshop: Shop, tablet: Client) -> None:
    """A bench account needs no rights of its own."""
    code = a_started()["batch"]
    bench = workshop["nobody"]
    assert bench.get(at("batch", code)).status_code == 403
    assert choose(bench, "helper", to=at("batch", code)) == 303
    line = open_line(code)
    assert bench.post(at("batch", code), reading(line, quantity=grams(line.required // 2))).status_code == 303
    assert Weighing.objects.latest("pk").event.who == User.objects.get(username="helper")
    bench.post(reverse("bench-leave"))
    answer = bench.get(at("batch", code))
    assert answer.status_code == 403
    assert "Choose your name" in answer.content.decode()
    bench.post(reverse("sign-out"))


def test_the_api_does_not_open_to_a_shared_screen(workshop: Shop, tablet: Client) -> None:
    assert tablet.get("/api/v1/me").status_code == 200
    choose(tablet, "owner")
    for name in ("owner", ""):
        if not name:
            tablet.post(reverse("bench-leave"))
        assert tablet.get("/api/v1/me").status_code in (401, 403)
        assert tablet.get("/api/v1/people").status_code in (401, 403)


def test_a_reading_of_somebody_else_is_taken_back_by_no_pin(workshop: Shop, tablet: Client) -> None:
    code = a_started()["batch"]
    sheet, line = at("batch", code), open_line(code)
    choose(tablet, "helper")
    tablet.post(sheet, reading(line, quantity=grams(line.required // 2)))
    event = Weighing.objects.latest("pk").event.uid
    back = reverse("batch-correct-weighing", kwargs={"batch": code, "event": event})
    choose(tablet, "maker")
    assert tablet.post(back, {"why": "not mine"}).status_code == 403
    choose(tablet, "helper")
    assert tablet.post(back, {"why": "the tare"}).status_code == 303


def test_signing_out_ends_the_sharing(workshop: Shop, tablet: Client) -> None:
    choose(tablet, "helper")
    assert tablet.get("/shelf").status_code == 403
    tablet.post(reverse("sign-out"))
    tablet.force_login(User.objects.get(username="maker"))
    assert tablet.get("/shelf").status_code == 200


# --- for how long ------------------------------------------------------------------------------------------


def test_somebody_stays_chosen_until_nothing_is_done_for_so_many_minutes(workshop: Shop, tablet: Client) -> None:
    change_settings(values={"bench_minutes": "6"})
    code = a_started()["batch"]
    sheet = at("batch", code)
    line = open_line(code)
    with time_machine.travel(NOW, tick=False) as now:
        choose(tablet, "helper")
        for _ in range(3):
            now.shift(timedelta(minutes=5))
            assert "At the bench: helper" in " ".join(read(tablet.get(sheet)).words.split())
        now.shift(timedelta(minutes=6))
        assert tablet.post(sheet, reading(line, quantity="1 g")).status_code == 403
        assert "At the bench: nobody" in read(tablet.get(sheet)).words
        assert tablet.get("/shelf").status_code == 403  # it is the bench's still, not the maker's


@pytest.mark.parametrize("what", ["removed", "another", "left", "role"])
def test_who_has_the_pin_no_more_is_chosen_no_more(workshop: Shop, tablet: Client, what: str) -> None:
    sheet = at("batch", a_started()["batch"])
    choose(tablet, "helper")
    helper = User.objects.get(username="helper")
    if what == "removed":
        where = reverse("person-pin-end", kwargs={"person": "helper"})
        assert workshop["owner"].post(where).status_code == 303
    elif what == "another":
        pins.set_pin(person=helper, pin="4826")
    elif what == "left":
        User.objects.filter(pk=helper.pk).update(is_active=False)
    else:
        helper.groups.clear()
    assert "At the bench: nobody" in read(tablet.get(sheet)).words


# --- wrong PINs --------------------------------------------------------------------------------------------


def test_wrong_pins_are_told_in_words_and_then_none_is_looked_at(workshop: Shop, tablet: Client) -> None:
    for at_try in range(5):
        answer = tablet.post(reverse("bench"), {"person": "helper", "pin": "1111"})
        assert answer.status_code == 400
        assert "1111" not in answer.content.decode()
        if at_try == 0:
            assert "4 more wrong tries" in read(answer).words
    answer = tablet.post(reverse("bench"), {"person": "helper", "pin": "2580"})
    assert answer.status_code == 409
    assert "Too many wrong PINs: none is looked at for 15 minutes" in read(answer).words
    assert read(answer).faults == []
    assert tablet.get("/shelf").status_code == 200  # nothing came of it: it is still the maker's own
    page = read(workshop["owner"].get(reverse("person", kwargs={"person": "helper"})))
    assert "none is looked at until" in page.words


@pytest.mark.parametrize(
    "to", ["https://elsewhere.example/", "//elsewhere.example", "/batch-sheets//x", "/shelf", "javascript:x"]
)
def test_it_leads_on_to_a_batch_sheet_and_nowhere_else(workshop: Shop, tablet: Client, to: str) -> None:
    answer = tablet.post(reverse("bench"), {"person": "helper", "pin": "2580", "to": to})
    assert answer["Location"] == reverse("batch-sheets")


# --- one's own PIN -----------------------------------------------------------------------------------------


def test_one_sets_the_own_pin_by_the_password_and_takes_it_away(workshop: Shop) -> None:
    User.objects.create_user("ida", password="seven warm stones")
    client = Client()
    assert client.login(username="ida", password="seven warm stones")
    asks = {"now": "seven warm stones", "pin": "2580", "again": "2580"}
    for wrong, told in (
        ({"now": "not it"}, "the password that you sign in with"),
        ({"again": "2581"}, "once more"),
        ({"pin": "1234", "again": "1234"}, "not all the same and not in a row"),
    ):
        answer = client.post(reverse("my-pin"), asks | wrong)
        assert answer.status_code == 400
        assert told in read(answer).words
    assert pins.pin_of(User.objects.get(username="ida")) is None
    assert client.post(reverse("my-pin"), asks).status_code == 303
    assert "You have one since" in read(client.get(reverse("myself"))).words
    assert client.post(reverse("my-pin-end")).status_code == 303
    assert pins.pin_of(User.objects.get(username="ida")) is None
    assert client.post(reverse("my-pin-end")).status_code == 404


def test_no_pin_stands_in_anything_that_is_kept_or_taken_out(workshop: Shop) -> None:
    User.objects.create_user("ida", password="seven warm stones")
    client = Client()
    client.login(username="ida", password="seven warm stones")
    client.post(reverse("my-pin"), {"now": "seven warm stones", "pin": "70317031", "again": "70317031"})
    User.objects.get(username="ida").groups.add(*User.objects.get(username="helper").groups.all())
    assert choose(client, "ida", "70317031") == 303
    said = [page.content for page in (client.get(reverse("bench")), workshop["owner"].get("/workshop/person/ida"))]
    said += list(csv_files(exported_tables()).values())
    kept = "".join(str(list(model._default_manager.values())) for model in apps.get_models())
    kept += str([one.get_decoded() for one in Session.objects.all()]) + str(said)
    assert "'field': 'pin', 'before': '', 'after': 'set'" in kept  # it was all looked at
    assert "70317031" not in kept
    assert pins.BenchPin.objects.get(person__username="ida").pin not in str(said)
