"""Decisions and stability as quality meets them: what waits with what is known, pulls on the wall, done and missed."""

from __future__ import annotations

from datetime import date

from django.test import Client
from django.urls import reverse

from inventory import clock
from inventory.models import Lot, Movement
from inventory.services import lots
from production.models import Batch, Check, Pull, Reading, Study
from production.services import weighing
from production.waiting import failed_checks
from tests.planner.pages.areas.decisions import a_planned_pull, a_study
from tests.planner.pages.house import read

Shop = dict[str, Client]


def test_every_lot_that_waits_stands_there_with_what_is_known(workshop: Shop) -> None:
    page = workshop["quality"].get(reverse("decisions"))
    waiting = set(
        Lot.objects.filter(status="quarantine", portions__on_hand__gt=0).values_list("item__code", "number").distinct()
    )
    shown = {(one.lot.item.code, one.lot.number) for one in page.context["quarantine"]}
    assert waiting
    assert shown == waiting
    held = set(Lot.objects.filter(status="held", portions__on_hand__gt=0).values_list("pk", flat=True))
    assert {one.lot.pk for one in page.context["held"]} == held
    words = read(page).words
    assert "not a safety assessment" in words
    made = [one for one in page.context["quarantine"] if one.batch]
    assert all(one.batch in words for one in made)


def test_only_quality_is_offered_to_decide(workshop: Shop) -> None:
    links = read(workshop["quality"].get(reverse("decisions"))).tags["a"]
    assert any(one["href"].endswith("/release") for one in links)
    links = read(workshop["maker"].get(reverse("decisions"))).tags["a"]
    assert not any(one["href"].endswith("/release") for one in links)


def test_who_releases_what_failed_its_check_is_told_and_says_why(workshop: Shop) -> None:
    made = Lot.objects.select_related("item", "transformation__batch").filter(trial=False, expires_on__gt=clock.today())
    checked = made.filter(transformation__batch__version__checks__stage="release", portions__on_hand__gt=0)
    lot = checked.order_by("pk")[0]
    check = Check.objects.filter(version=lot.transformation.batch.version_id, stage="release").order_by("pk")[0]
    lots.decide(lots=[lot], status="quarantine")
    batch = Batch.objects.get(pk=lot.transformation_id)
    weighing.record_check(
        batch=batch, check=check, value="no" if check.expected else str((check.high or check.low) * 9)
    )
    (failed,) = failed_checks([batch.pk])
    address = reverse("lot-release", kwargs={"item": lot.item.code, "lot": lot.number})
    assert f"{failed.name} showed {failed.value}" in read(workshop["quality"].get(address)).words
    refused = workshop["quality"].post(address, {"why": " "})
    assert refused.status_code == 400
    assert f"{failed.name} showed {failed.value}" in read(refused).words
    lot.refresh_from_db()
    assert lot.status == "quarantine"
    assert workshop["quality"].post(address, {"why": "measured anew by the laboratory"}).status_code == 303


def test_the_wall_shows_each_pull_on_its_day(workshop: Shop) -> None:
    pull = Pull.objects.select_related("study").order_by("pk")[0]
    page = workshop["viewer"].get(reverse("studies"), {"on": pull.due_on.isoformat()})
    shown = {
        (one["study"], one["pull"]): day for week in page.context["weeks"] for day, _, pulls in week for one in pulls
    }
    assert shown[pull.study.code, pull.number] == pull.due_on
    first = pull.due_on.replace(day=1)
    inside = Pull.objects.filter(due_on__year=first.year, due_on__month=first.month)
    assert inside.count() == sum(day.month == first.month for day in shown.values())


def test_a_pull_is_recorded_with_its_real_day_and_its_readings(workshop: Shop) -> None:
    where = a_planned_pull()
    address = reverse("pull", kwargs=where)
    form = workshop["maker"].get(address).context["form"]
    asked = dict(form.texts)
    first = asked["readings[0].test"]
    for wrong in ("someday", "2030-01-01"):
        answer = workshop["maker"].post(address, asked | {"done_on": wrong})
        assert answer.status_code == 400
        assert answer.context["form"].faults["done_on"]
    asked |= {"done_on": "2027-03-09", "readings[0].value": "5.1"}
    tests = {one["test"]: one for one in workshop["maker"].get(address).context["study"]["tests"]}
    if tests[first]["expected"]:
        asked["readings[0].value"] = tests[first]["expected"]
    assert workshop["maker"].post(address, asked).status_code == 303
    pull = Pull.objects.get(study__code=where["study"], number=where["pull"])
    assert pull.done_on == date(2027, 3, 9)
    assert Reading.objects.filter(pull=pull).count() == 1


def test_a_pull_is_missed_only_with_a_reason(workshop: Shop) -> None:
    where = a_planned_pull()
    address = reverse("pull-missed", kwargs=where)
    assert workshop["maker"].post(address, {"why": ""}).status_code == 400
    assert workshop["maker"].post(address, {"why": "the jar broke"}).status_code == 303
    assert Pull.objects.get(study__code=where["study"], number=where["pull"]).missed_on is not None
    assert workshop["maker"].post(reverse("pull-reopen", kwargs=where), {"why": "x"}).status_code == 403
    assert workshop["quality"].post(reverse("pull-reopen", kwargs=where), {"why": "a jar was found"}).status_code == 303
    assert Pull.objects.get(study__code=where["study"], number=where["pull"]).missed_on is None


def test_a_study_takes_its_samples_or_is_not_begun(workshop: Shop) -> None:
    lot = (
        Lot.objects.select_related("item")
        .filter(item__kind="product", status="released", portions__on_hand__gt=0, portions__set_apart=False)
        .order_by("pk")
        .last()
    )
    assert lot is not None
    asked = {"item": lot.item.code, "lot": lot.number, "protocol": "COMMON", "started_on": "2027-03-10"}
    studies, moved = Study.objects.count(), Movement.objects.count()
    refused = workshop["quality"].post(reverse("study-start"), asked | {"sample": "100000 pc"})
    assert refused.status_code in (400, 409)
    assert (Study.objects.count(), Movement.objects.count()) == (studies, moved)
    assert workshop["maker"].post(reverse("study-start"), asked).status_code == 403


def test_a_study_is_closed_with_a_word(workshop: Shop) -> None:
    where = a_study()
    address = reverse("study-close", kwargs=where)
    assert workshop["quality"].post(address, {"conclusion": ""}).status_code == 400
    answer = workshop["quality"].post(address, {"conclusion": "Nothing was seen or smelt."}, follow=True)
    assert "Nothing was seen or smelt." in read(answer).words
    assert Study.objects.get(code=where["study"]).status == "closed"
