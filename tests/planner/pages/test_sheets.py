"""Batch sheets as people fill them: what is weighed is recorded, what is wrong is told, two devices do not collide."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.test import Client
from django.urls import reverse

from inventory import clock
from inventory.models import Item, Movement
from inventory.pages.conventions import NBSP
from inventory.workshop import time_zone as current_zone
from planner.services import run_plan
from production import selectors
from production.models import Batch, Check, CheckResult, StepSignature, Weighing
from production.selectors import BatchSheet, SheetRow
from tests.planner.pages.areas.sheets import a_started
from tests.planner.pages.house import read

Shop = dict[str, Client]


def sheet_of(code: str) -> BatchSheet:
    return selectors.batch_sheet(Batch.objects.select_related("transformation").get(transformation__code=code))


def at(route: str, code: str) -> str:
    return reverse(route, kwargs={"batch": code})


def grams(steps: int) -> str:
    return f"{steps / 1000:.10g} g"


def open_line(code: str) -> SheetRow:
    return next(line for line in sheet_of(code).lines if not line.done and line.take)


def reading(line: SheetRow, **more: Any) -> dict[str, Any]:
    """What the form of a line sends where nothing is changed but the reading."""
    first = line.take[0]
    asked = {"position": line.position, "seen": len(line.readings), "lot": first.lot, "quantity": grams(line.required)}
    return asked | {"place": first.place, "container": first.container} | more


def test_the_line_at_hand_stands_large_with_its_limits_and_the_lot_to_take(workshop: Shop) -> None:
    code = a_started()["batch"]
    page = workshop["helper"].get(at("batch", code))
    current = page.context["current"]
    words = read(page).words
    assert current.position == next(line.position for line in sheet_of(code).lines if not line.done)
    assert current.take[0].lot in words
    assert " to " in words


def test_the_caution_of_the_line_at_hand_stands_with_it(workshop: Shop) -> None:
    """The page jumps to the line: what stands at its top is out of sight by then."""
    code = a_started()["batch"]
    Item.objects.update(caution="")
    current = workshop["helper"].get(at("batch", code)).context["current"]
    Item.objects.filter(code=current.item).update(caution="Fine powder: wear a dust mask.")
    page = workshop["helper"].get(at("batch", code)).content.decode()
    at_hand = page[page.index('id="now"') : page.index("It went in")]
    assert "Fine powder: wear a dust mask." in at_hand


def test_a_reading_goes_in_and_the_next_line_comes_up(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    answer = workshop["helper"].post(at("batch", code), reading(line), follow=True)
    assert answer.status_code == 200
    after = next(one for one in sheet_of(code).lines if one.position == line.position)
    assert (after.weighed, after.done) == (line.required, True)
    assert after.readings[0].who == "helper"
    assert answer.context["current"].position != line.position
    assert "went in" in read(answer).words


def test_a_number_without_a_unit_is_in_the_workshop_s_unit_and_the_same_press_twice_weighs_once(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    page = workshop["helper"].get(at("batch", code) + f"?line={line.position}")
    key = page.context["form"].key
    asked = reading(line, quantity=f"{line.required / 1000:.10g}") | {"retry-key": key}
    for _ in range(2):
        assert workshop["helper"].post(at("batch", code), asked).status_code == 303
    assert Weighing.objects.filter(line__batch__transformation__code=code, line__position=line.position).count() == 1


def test_a_number_alone_that_may_be_kilograms_is_asked_about(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = max(sheet_of(code).lines, key=lambda one: one.required)
    assert line.required > 1_000_000
    page = read(workshop["helper"].get(at("batch", code) + f"?line={line.position}"))
    assert "\N{NO-BREAK SPACE}kg to " in page.words
    before, as_kilograms = Movement.objects.count(), f"{line.required / 1_000_000:.10g}"
    answer = workshop["helper"].post(at("batch", code), reading(line, quantity=as_kilograms))
    assert answer.status_code == 400
    assert all(f"{as_kilograms} {unit}" in read(answer).words for unit in ("kg", "g"))
    assert Movement.objects.count() == before
    in_grams = reading(line, quantity=f"{line.required / 1000:.10g}")
    assert workshop["helper"].post(at("batch", code), in_grams).status_code == 303


def test_two_devices_at_one_line_the_second_is_told_and_nothing_goes_in_twice(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    half = grams(line.required // 2)
    first = workshop["helper"].post(at("batch", code), reading(line, quantity=half))
    assert first.status_code == 303
    before = Movement.objects.count()
    second = workshop["maker"].post(at("batch", code), reading(line, quantity=half))
    assert second.status_code == 409
    assert "helper weighed" in read(second).words.lower()
    assert Movement.objects.count() == before
    # The page that told shows the line as it is now, so that the next press is by who has seen it.
    assert f'name="seen" value="{len(line.readings) + 1}"' in second.content.decode()


def test_a_reading_outside_the_limits_needs_a_reason_and_one_that_is_none_is_told(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    before = Movement.objects.count()
    for wrong in ("much", "-5 g", ""):
        answer = workshop["helper"].post(at("batch", code), reading(line, quantity=wrong))
        assert answer.status_code == 400
        assert answer.context["form"].faults["quantity"]
    outside = reading(line, quantity=grams(line.required // 2), done="yes")
    assert workshop["helper"].post(at("batch", code), outside).status_code == 400
    assert Movement.objects.count() == before
    assert workshop["helper"].post(at("batch", code), outside | {"why": "the jar was empty"}).status_code == 303


def test_a_lot_is_ticked_by_its_scanned_label_in_any_writing(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    lot = line.take[0].lot
    for typed in (f" {lot.lower()} ", f"(10){lot}", f"(91){line.item}(10){lot}"):
        half = reading(line, lot=typed, quantity=grams(line.required // 3), seen="")
        assert workshop["helper"].post(at("batch", code), half).status_code == 303
    before, other = Movement.objects.count(), Item.objects.filter(kind="raw").exclude(code=line.item)[0]
    for label in (f"(91){other.code}(10){lot}", f"(01){_with_gtin(other)}(10){lot}"):
        of_another = workshop["helper"].post(at("batch", code), reading(line, lot=label, seen=""))
        assert of_another.status_code == 400
        assert f"this one is of {other.code}" in read(of_another).words
    assert Movement.objects.count() == before
    wrong = workshop["helper"].post(at("batch", code), reading(line, lot="NO-SUCH-LOT", seen=""))
    assert wrong.status_code == 404
    assert wrong.context["form"].faults["lot"]


def _with_gtin(item: Item) -> str:
    item.gtin = "09506000134352"  # the example of GS1's General Specifications
    item.save()
    return item.gtin


def test_steps_are_signed_and_checks_recorded_from_the_sheet(workshop: Shop) -> None:
    code = a_started()["batch"]
    sheet = sheet_of(code)
    step = next(one for one in sheet.steps if one.signed_at is None)
    assert workshop["helper"].post(at("batch-sign-step", code), {"position": step.position}).status_code == 303
    assert StepSignature.objects.filter(batch__transformation__code=code, step__position=step.position).exists()
    check = sheet.checks[0]
    value = check.expected or f"{(check.low or check.high):.10g}"
    asked = {"check": check.name, "stage": check.stage, "value": value}
    assert workshop["maker"].post(at("batch-record-check", code), asked).status_code == 303
    assert CheckResult.objects.filter(batch__transformation__code=code, check_of__name=check.name).exists()


def test_a_paper_sheet_is_taken_in_whole_or_not_at_all(workshop: Shop) -> None:
    code = a_started()["batch"]
    page = workshop["maker"].get(at("batch-paper", code))
    form = page.context["form"]
    texts = dict(form.texts)
    filled = []
    to_take = {(line.position, one.lot): one for line in sheet_of(code).lines for one in line.take}
    for number in form.rows("readings"):
        row = {name: texts.get(f"readings[{number}].{name}", "") for name in ("position", "lot")}
        if row["lot"]:
            one = to_take[int(row["position"]), row["lot"]]
            texts[f"readings[{number}].quantity"] = grams(one.quantity)
            filled.append((number, int(row["position"])))
    assert len(filled) > 1
    before = Movement.objects.count()
    last = filled[-1][0]
    broken = texts | {f"readings[{last}].lot": "NOWHERE"}
    refused = workshop["maker"].post(at("batch-paper", code), broken)
    assert refused.status_code == 404, (refused.context["form"].refusal, refused.context["form"].faults)
    assert refused.context["form"].faults[f"readings[{last}].lot"]
    assert Movement.objects.count() == before
    answer = workshop["maker"].post(at("batch-paper", code), texts)
    assert answer.status_code == 303
    done = {line.position for line in sheet_of(code).lines if line.done}
    assert {position for _, position in filled} <= done


def covered() -> str:
    """A batch of which everything is here, not started."""
    for row in run_plan(from_day=clock.today(), weeks=4).plan.batches:
        if row.coverage == "covered" and Batch.objects.filter(
            transformation__code=row.batch, status__in=("planned", "reserved")
        ):
            return row.batch
    raise LookupError("the demo has none")


def test_a_sheet_filled_by_pen_is_typed_in_with_its_real_times_from_the_start_on(workshop: Shop) -> None:
    code, hour = covered(), timedelta(hours=1)
    local = ZoneInfo(current_zone())
    at_of = {name: (clock.now() - hours * hour).astimezone(local) for name, hours in (("start", 3), ("line", 2))}
    typed = {name: f"{moment:%Y-%m-%dT%H:%M}" for name, moment in at_of.items()}
    page = workshop["maker"].get(at("batch-paper", code))
    assert "is not started" in read(page).words
    assert workshop["maker"].post(at("batch-paper", code), dict(page.context["form"].texts)).status_code == 409
    assert workshop["maker"].post(at("batch-start", code), {"happened_at": typed["start"]}).status_code == 303
    page = workshop["maker"].get(at("batch-paper", code))
    line = open_line(code)
    shown = read(page).words.replace(NBSP, " ")
    assert line.item in shown
    assert f"{grams(line.low)} to " in shown or " kg to " in shown
    texts = dict(page.context["form"].texts)
    row = next(
        number
        for number in page.context["form"].rows("readings")
        if texts[f"readings[{number}].position"] == str(line.position)
    )
    texts |= {f"readings[{row}].quantity": grams(line.take[0].quantity)}
    when = f"readings[{row}].happened_at"
    early = workshop["maker"].post(at("batch-paper", code), texts | {when: "2020-01-01T10:00"})
    assert early.status_code == 400
    assert f"from the start, {at_of['start']:%Y-%m-%d %H:%M}, until now" in read(early).words
    answer = workshop["maker"].post(at("batch-paper", code), texts | {when: typed["line"]})
    assert answer.status_code == 303
    weighed = Weighing.objects.select_related("event").get(line__batch__transformation__code=code)
    assert weighed.event.happened_at == at_of["line"].replace(second=0, microsecond=0)


def test_what_a_check_showed_is_read_by_the_reader_s_signs_and_refused_in_words(workshop: Shop) -> None:
    batch = Batch.objects.filter(version__checks__high__isnull=False, version__checks__stage="release").distinct()[0]
    check = Check.objects.filter(version=batch.version_id, high__isnull=False, stage="release")[0]
    Batch.objects.filter(pk=batch.pk).update(status="started", started_at=clock.now())
    address, asked = at("batch-record-check", batch.transformation.code), {"check": check.name, "stage": check.stage}
    refused = workshop["maker"].post(address, asked | {"value": "5,8"})
    assert refused.status_code == 400
    assert list(refused.context["form"].faults) == ["value"]
    assert "accepted:" not in read(refused).words
    german = {"Accept-Language": "de"}
    assert workshop["maker"].post(address, asked | {"value": "5,8"}, headers=german).status_code == 303
    assert CheckResult.objects.filter(check_of=check, batch=batch).order_by("-pk")[0].value == "5.8"


def test_a_release_check_that_failed_is_told_before_the_batch_is_finished(workshop: Shop) -> None:
    code = a_started()["batch"]
    check = next(one for one in sheet_of(code).checks if one.stage != "stability")
    value = "no" if check.expected else f"{(check.high or check.low or 0) * 10:.10g}"
    asked = {"check": check.name, "stage": check.stage, "value": value}
    assert workshop["maker"].post(at("batch-record-check", code), asked).status_code == 303
    assert f"{check.name} showed {value}" in read(workshop["maker"].get(at("batch-finish", code))).words


def test_a_batch_is_finished_into_a_lot_and_a_reason_is_asked_for_what_is_not_done(workshop: Shop) -> None:
    code = a_started()["batch"]
    sheet = sheet_of(code)
    asked = {"made": grams(sheet.expected_output), "place": "shelf"}
    refused = workshop["maker"].post(at("batch-finish", code), asked)
    assert refused.status_code in (400, 409)
    for line in sheet.lines:
        if not line.done and line.take:
            for one in line.take:
                part = {"lot": one.lot, "place": one.place, "container": one.container, "quantity": grams(one.quantity)}
                workshop["maker"].post(at("batch", code), {"position": line.position} | part)
        elif not line.done and line.drawn:
            drawn = {"position": line.position, "quantity": grams(line.required)}
            workshop["maker"].post(at("batch", code), drawn)
    answer = workshop["maker"].post(at("batch-finish", code), asked, follow=True)
    assert answer.status_code == 200, answer.context["form"].refusal
    batch = Batch.objects.get(transformation__code=code)
    assert batch.status == "finished"
    assert batch.transformation.made_lots.count() == 1
    ended = read(answer)
    assert "Made on" in ended.words
    came = sheet.expected_output
    shown = f"{came / 1_000_000:.10g} kg" if came >= 1_000_000 else grams(came)
    assert f"{shown} as lot" in ended.words.replace(NBSP, " ")
    assert "Made ____" not in ended.words
    assert not any("data-minutes" in one for one in ended.tags.get("strong", []))
    assert workshop["helper"].post(at("batch-finish", code), asked).status_code == 403


def test_a_reading_is_taken_back_by_who_weighed_it_or_by_the_maker(workshop: Shop) -> None:
    code = a_started()["batch"]
    line = open_line(code)
    workshop["maker"].post(at("batch", code), reading(line, quantity=grams(line.required // 2)))
    event = sheet_of(code).lines[line.position - 1].readings[-1].event
    address = reverse("batch-correct-weighing", kwargs={"batch": code, "event": event})
    assert workshop["helper"].post(address, {"why": "the tare"}).status_code == 403
    assert workshop["maker"].post(address, {"why": ""}).status_code == 400
    assert workshop["maker"].post(address, {"why": "the tare was left out"}).status_code == 303
    after = next(one for one in sheet_of(code).lines if one.position == line.position)
    assert (after.weighed, after.readings[-1].corrected) == (0, True)
