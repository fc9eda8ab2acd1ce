"""What each source asks for: it opens when its cause comes, follows it, and lapses when it goes."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
import time_machine
from django.contrib.auth.models import User
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Alert, Demand, Dispatch, DispatchLine, Item, Lot, Party, Portion, PurchaseOrder
from inventory.models import PurchaseOrderLine as OrderLine
from inventory.services import buying
from inventory.services.samples import retain
from inventory.services.workshop import change_settings
from planner import services
from planner.notices import sweep
from planner.notices.kinds import KINDS
from planner.notices.looking import begin, look_at
from planner.notices.models import Notice, Telling
from planner.notices.selectors import stage_on
from planner.notices.sources import SOURCES
from planner.notices.sources.bench import less_covered
from production.models import Protocol, Pull, Study
from production.selectors import find_batch
from production.services import batches, finishing, weighing
from production.services import stability as studies
from production.services.formulas import CheckSpec
from production.services.stability import ReadingSpec
from tests.planner.notices.house import lot, notice
from tests.planner.small_house import FROM, set_up
from tests.production.builders import formula, ph_check, stock
from tests.production.builders import item as bench_item

pytestmark = pytest.mark.django_db
DAY = date(2027, 3, 10)


@pytest.fixture(autouse=True)
def _a_morning() -> object:
    with time_machine.travel("2027-03-10T08:00:00+00:00", tick=False) as traveller:
        yield traveller


def look(kind: str) -> list[Notice]:
    """What stands of a kind after a look."""
    look_at(begin(), kind)
    return list(Notice.objects.filter(kind=kind, gone_at=None).order_by("by_day"))


def shown(kind: str) -> list[tuple[str, str]]:
    return [(one.what, str(one.due_on)) for one in look(kind)]


def test_every_kind_has_its_source_and_every_source_its_kind() -> None:
    assert KINDS.keys() == SOURCES.keys()
    assert all(kind.roles and set(kind.roles) <= set(kind.seen_by) for kind in KINDS.values())


# --- the shelf ----------------------------------------------------------------------------------------------


def test_lots_that_expire_are_told_on_the_days_that_their_item_names() -> None:
    lot("FAR", expires_on=DAY + timedelta(days=98))
    lot("NEAR", expires_on=DAY + timedelta(days=97))
    lot("GONE", expires_on=DAY + timedelta(days=5), quantity=0)
    lot("BAD", expires_on=DAY + timedelta(days=5), status="rejected")
    lot("OWN", item="ROSE", of_item={"notice_days": [200, 5]}, expires_on=DAY + timedelta(days=180))
    lot("NEVER", item="SALT", of_item={"notice_days": []}, expires_on=DAY)
    lot("LIFE", item="MILK", of_item={"shelf_life_days": 30}, received_on=DAY)
    found = {one.subject["lot"]: one for one in look("lot_expiring")}
    assert found.keys() == {"NEAR", "OWN", "LIFE"}
    last = DAY + timedelta(days=97)
    assert found["NEAR"].told_on_days == [
        str(last - timedelta(days=days)) for days in (90, 30, 7, 0, -1, -15)
    ]  # fmt: skip
    assert found["OWN"].told_on_days[:2] == [str(DAY - timedelta(days=20)), str(DAY + timedelta(days=175))]
    assert found["LIFE"].due_on == DAY + timedelta(days=30)
    assert "100 g is here, released" in found["NEAR"].why


def test_a_notice_follows_its_lot_and_lapses_when_it_is_used_up() -> None:
    kept = lot("W1", expires_on=DAY + timedelta(days=20))
    look("lot_expiring")
    first = notice("lot_expiring")
    Lot.objects.filter(pk=kept.pk).update(expires_on=DAY + timedelta(days=3))
    kept.portions.update(on_hand=50_000)
    (after,) = look("lot_expiring")
    assert after.uid == first.uid
    assert after.due_on == DAY + timedelta(days=3)
    assert "50 g" in after.why
    kept.portions.update(on_hand=0)
    assert look("lot_expiring") == []
    assert notice("lot_expiring").state == "lapsed"


def test_retests_and_bulk_past_its_storage_time() -> None:
    lot("W1", retest_on=DAY + timedelta(days=10))
    lot("W2", item="ROSE", of_item={"retest_days": 20}, received_on=DAY - timedelta(days=22))
    lot("LATER", retest_on=DAY + timedelta(days=60))
    lot("BULK", item="CREAM", of_item={"kind": "intermediate", "retest_days": 5}, received_on=DAY - timedelta(days=3))
    assert shown("retest_due") == [
        ("ROSE lot W2: look at it again by 8 March 2027", "2027-03-08"),
        ("WAX lot W1: look at it again by 20 March 2027", "2027-03-20"),
    ]
    assert shown("bulk_storage") == [("CREAM lot BULK: look at it again by 12 March 2027", "2027-03-12")]


def test_opened_containers_whose_time_ends_before_their_lots() -> None:
    kept = lot("W1", of_item={"opened_life_days": 30}, expires_on=DAY + timedelta(days=90))
    other = lot("W2", expires_on=DAY + timedelta(days=1))
    Portion.objects.filter(lot=kept).update(opened_on=DAY - timedelta(days=25), container="JAR 3", place="bench")
    Portion.objects.filter(lot=other).update(opened_on=DAY - timedelta(days=20))
    (found,) = look("container_running_out")
    assert found.what == "WAX lot W1, opened: last day 15 March 2027"
    assert found.why == "100 g in bench JAR 3, opened on 13 February 2027."


def test_finished_lots_that_customers_will_not_take_any_more() -> None:
    of_item = {"kind": "product", "measure": "count", "min_remaining_days": 60, "caps_life": False}
    kept = lot("B1", item="BALM", of_item=of_item, quantity=12, expires_on=DAY + timedelta(days=100))
    strict = Party.objects.create(code="LANE", name="Lane", role="customer", min_remaining_days=90)
    Party.objects.create(code="ELSE", name="Else", role="customer", min_remaining_days=99)  # wants nothing of it
    Demand.objects.create(item=kept.item, quantity=5, due_on=DAY, customer=strict)
    assert shown("life_short") == [("BALM lot B1: LANE will take it until 20 March 2027", "2027-03-20")]
    Demand.objects.all().delete()
    assert look("life_short") == []
    left = Dispatch.objects.create(code="D1", customer=strict, dispatched_on=DAY - timedelta(days=300))
    DispatchLine.objects.create(dispatch=left, lot=kept, quantity=1)
    assert len(look("life_short")) == 1
    Dispatch.objects.update(dispatched_on=DAY - timedelta(days=400))
    Lot.objects.update(expires_on=DAY + timedelta(days=70))
    assert shown("life_short") == [("BALM lot B1: customers will take it until 20 March 2027", "2027-03-20")]


def test_held_lots_and_lots_that_wait_for_their_release() -> None:
    kept = lot("W1")
    services.decide_affected(origins=[kept], status=Lot.Status.HELD, why="cloudy")
    (held,) = look("lot_held")
    assert (held.what, held.due_on) == ("WAX lot W1 is held", DAY)
    assert held.why.endswith("until it is decided: cloudy")
    lot("NEW", status="quarantine", available_on=DAY)
    lot("OLD", status="quarantine", received_on=DAY - timedelta(days=10), of_item={}, item="WAX")
    Item.objects.update(release_days=4)
    assert shown("release_overdue") == [("WAX lot OLD waits for a decision since 4 March 2027", "2027-03-04")]


# --- trade --------------------------------------------------------------------------------------------------


def test_late_orders_and_late_demands_until_they_are_closed() -> None:
    item = Item.objects.create(code="WAX", name="Wax", kind="raw", caps_life=True)
    supplier = Party.objects.create(code="HOLLOW", name="Hollow", role="supplier")
    order = PurchaseOrder.objects.create(code="P-1", supplier=supplier)
    line = OrderLine.objects.create(
        order=order, item=item, quantity=5_000_000, received=1_000_000, due_on=date(2027, 3, 8)
    )
    OrderLine.objects.create(order=order, item=item, quantity=1_000_000, due_on=DAY)
    Demand.objects.create(item=item, quantity=3_000, due_on=date(2027, 3, 9), reference="MARKET")
    assert shown("order_late") == [("P-1: WAX from HOLLOW was due on 8 March 2027", "2027-03-08")]
    assert notice("order_late").why == "4000 g of it did not come."
    assert shown("demand_late") == [("the public MARKET: WAX was wanted on 9 March 2027", "2027-03-09")]
    OrderLine.objects.filter(pk=line.pk).update(received=5_000_000)
    Demand.objects.update(dispatched=3_000)
    assert look("order_late") == look("demand_late") == []


# --- planning -----------------------------------------------------------------------------------------------


def test_reorders_follow_the_alerts_of_the_daily_review(tmp_path: Path) -> None:
    set_up(tmp_path)
    services.review(day=FROM)
    first = {one.subject["item"]: one for one in look("reorder")}
    assert str(first["WAX"].due_on) == "2027-03-02"
    assert "1 x 1000 g from HOLLOW" in first["WAX"].why
    Alert.objects.filter(subject="WAX").update(closed_at="2027-03-10T08:00:00Z")
    assert {one.subject["item"] for one in look("reorder")} == first.keys() - {"WAX"}


def test_what_should_have_been_ordered_becomes_overdue_and_is_not_due_anew_each_morning(tmp_path: Path) -> None:
    """The plan of each day wants it ordered by that day."""
    set_up(tmp_path)
    found = []
    for day in (date(2027, 3, number) for number in range(1, 20)):
        with time_machine.travel(f"{day}T09:00:00+00:00", tick=False):
            services.look_again(day=day)
            (notice,) = [one for one in look("reorder") if one.subject["item"] == "WAX"]
        row = {"due_on": notice.due_on, "overdue_on": notice.overdue_on, "escalates_on": notice.escalates_on}
        found.append((str(notice.due_on), notice.told_on_days, stage_on(row, day)))
    assert {due_on for due_on, _, _ in found} == {"2027-03-02"}
    assert all(days == found[0][1] for _, days, _ in found)
    stages = [stage for _, _, stage in found]
    assert stages[:2] == ["due_soon", "due"]
    assert stages[-1] == "escalated"
    assert stages == sorted(stages, key=["due_soon", "due", "overdue", "escalated"].index)


def test_a_reorder_says_what_comes_too_late(tmp_path: Path) -> None:
    set_up(tmp_path)
    services.review(day=FROM)
    wax = Item.objects.get(code="WAX")
    order = buying.place_order(
        supplier=Party.objects.get(code="HOLLOW"),
        lines=[buying.OrderLine(item=wax, quantity=1_000_000, due_on=date(2027, 3, 30), expires_on=None)],
    )
    services.look_again(day=FROM)
    (why,) = [one.why for one in look("reorder") if one.subject["item"] == "WAX"]
    assert why.endswith(f"; comes too late for it: 1000 g of order {order.code} on 2027-03-30")


def test_a_broken_reservation_by_rejection_by_count_and_by_expiry(tmp_path: Path) -> None:
    set_up(tmp_path)
    batch = find_batch("B-1")
    with time_machine.travel("2027-03-01T09:00:00+00:00", tick=False):
        batches.reserve(batch=batch)
        assert look("reservation_broken") == []
        # Its wax would end on the day before it is made.
        Lot.objects.filter(number="W1").update(expires_on=date(2027, 3, 2))
        (found,) = look("reservation_broken")
        assert found.what == "B-1: set aside stock expires"
        assert "WAX W1 on 2027-03-02" in found.why
        assert Alert.objects.get(kind="reservation_expires").closed_at is None
        Lot.objects.filter(number="W1").update(expires_on=date(2027, 3, 3))  # its last day will do
        assert look("reservation_broken") == []
        assert Alert.objects.get(kind="reservation_expires").closed_at is not None
        oil = Lot.objects.select_related("item").get(number="O1")
        services.decide_affected(origins=[oil], status=Lot.Status.REJECTED, why="rancid")
        (found,) = look("reservation_broken")
        assert found.what == "B-1: set aside stock is not released"
        assert "OIL O1" in found.why


def test_the_next_days_batches_with_their_coverage(tmp_path: Path) -> None:
    set_up(tmp_path)
    change_settings(values={"open_days": "mon tue wed thu fri"})
    with time_machine.travel("2027-03-02T09:00:00+00:00", tick=False):
        (found,) = look("batch_coming")
        assert (found.what, found.why) == ("B-1: make RUB on 3 March 2027", "Everything is here.")
        assert found.told_on_days == ["2027-03-02", "2027-03-03", "2027-03-04"]
    with time_machine.travel("2027-03-04T09:00:00+00:00", tick=False):
        late, following = look("batch_coming")
        assert late.overdue_on == date(2027, 3, 4)
        assert following.subject["batch"] == "B-2"
        assert following.why.startswith("Short: ")
        assert "g of WAX" in following.why
    batches.cancel(batch=find_batch("B-1"), why="not wanted")
    with time_machine.travel("2027-03-04T10:00:00+00:00", tick=False):
        assert [one.subject["batch"] for one in look("batch_coming")] == ["B-2"]


def test_on_friday_the_batches_of_monday_are_told(tmp_path: Path) -> None:
    set_up(tmp_path, batches=[
        {"batch": "B-9", "formula": "RUB", "version": 1, "size": "100 g", "planned_for": "2027-03-08"},  # a Monday
    ])  # fmt: skip
    change_settings(values={"open_days": "mon tue wed thu fri"})
    with time_machine.travel("2027-03-04T09:00:00+00:00", tick=False):
        assert look("batch_coming") == []
    with time_machine.travel("2027-03-05T09:00:00+00:00", tick=False):
        assert look("batch_coming")[0].told_on_days[0] == "2027-03-05"


def test_a_batch_on_a_closed_day_says_so_and_holidays_are_passed_over(tmp_path: Path) -> None:
    set_up(tmp_path, batches=[
        {"batch": "B-8", "formula": "RUB", "version": 1, "size": "100 g", "planned_for": "2027-03-29"},
        {"batch": "B-9", "formula": "RUB", "version": 1, "size": "100 g", "planned_for": "2027-03-30"},
    ])  # fmt: skip
    change_settings(values={"country": "AT", "open_days": "mon tue wed thu fri"})
    # The Monday after Easter of 2027 is a holiday in Austria (Feiertagsruhegesetz, § 1, from memory): after Friday
    # the next open day is Tuesday.
    with time_machine.travel("2027-03-25T09:00:00+00:00", tick=False):
        assert look("batch_coming") == []
    with time_machine.travel("2027-03-26T09:00:00+00:00", tick=False):
        closed, following = look("batch_coming")
    assert closed.why.startswith("Short: ")
    assert closed.why.endswith(". It falls on a closed day: Easter Monday.")
    assert closed.facts["closed"] is True
    assert "closed day" not in following.why
    assert closed.told_on_days[0] == following.told_on_days[0] == "2027-03-26"


def test_a_batch_that_was_seen_to_opens_again_where_it_is_covered_no_more() -> None:
    assert less_covered({"coverage": "covered"}, {"coverage": "short"}) == "It is short now, and was covered."
    assert less_covered({"coverage": "expected"}, {"coverage": "short"}) == "It is short now, and was expected."
    for was, now in (("short", "covered"), ("short", "short"), ("covered", None), (None, "short")):
        assert less_covered({"coverage": was}, {"coverage": now}) == ""


# --- outside its limits -------------------------------------------------------------------------------------


def test_a_reading_outside_its_limits_is_told_to_quality_at_once(people: dict[str, User]) -> None:
    kept = lot("B1", item="BALM", of_item={"kind": "product", "measure": "count", "caps_life": False}, quantity=500)
    study = start_study(kept)
    pull, looks = study.pulls.earliest("number"), study.tests.earliest("position").name
    studies.record_pull(pull=pull, readings=[ReadingSpec(looks, "yes")])
    assert look("out_of_limits") == []
    studies.record_readings(pull=pull, readings=[ReadingSpec(looks, "no")])
    (found,) = look("out_of_limits")
    assert found.what == f"{study.code} pull {pull.number}: BALM lot B1 is outside its limits"
    assert found.why.endswith(f": {looks} no (yes, sample 1).")
    assert found.subject == {"study": study.code, "pull": pull.number, "item": "BALM", "lot": "B1"}
    sweep.sweep()
    assert set(Telling.objects.filter(notice=found).values_list("recipient__username", "channel")) == {
        ("quality", "page"), ("quality", "at_once"),
    }  # fmt: skip
    studies.record_readings(pull=pull, readings=[ReadingSpec(looks, "yes")])
    assert look("out_of_limits") == []


def test_a_release_check_that_failed_is_told_until_it_passes_or_the_lot_is_decided_on() -> None:
    oil, gel = bench_item("OIL"), bench_item("GEL", "intermediate")
    stock(oil, "1 kg")
    checks = [ph_check(), CheckSpec("smell", "in_process")]
    version = formula("GEL", gel, [(oil, "100")], checks=checks)
    batch = batches.start(batch=batches.plan(version=version, charge=100_000, planned_for=DAY, code="B-1"))
    weighing.record_check(batch=batch, check=version.checks.get(name="smell"), value="no")
    assert look("check_failed") == []  # of the making, and no release check
    ph = version.checks.get(name="pH")
    weighing.record_check(batch=batch, check=ph, value="6.1")
    (found,) = look("check_failed")
    assert (found.what, found.subject) == ("B-1: GEL failed a release check", {"batch": "B-1", "item": "GEL"})
    assert found.why == "It is not released until it is decided on: pH 6.1 (4.5 to 5.5)."
    weighing.record_check(batch=batch, check=ph, value="5.2")
    assert look("check_failed") == []
    weighing.record_check(batch=batch, check=ph, value="6")
    line = batch.lines.get()
    weighing.weigh(line=line, portion=Portion.objects.select_related("lot__item").get(), quantity=line.required)
    made = finishing.finish(batch=batch, made=100_000)
    assert made.status == "quarantine"
    assert [one.subject["batch"] for one in look("check_failed")] == ["B-1"]
    services.decide_affected(origins=[made], status=Lot.Status.REJECTED, why="too alkaline")
    assert look("check_failed") == []


# --- stability ----------------------------------------------------------------------------------------------


def test_pulls_stay_on_their_day_and_say_that_it_is_a_closed_one(people: dict[str, User]) -> None:
    change_settings(values={"country": "AT", "open_days": "mon tue wed thu fri"})
    kept = lot("B1", item="BALM", of_item={"kind": "product", "measure": "count", "caps_life": False}, quantity=500)
    study = start_study(kept)
    assert len(look("stability_pull")) == study.pulls.count() > 10
    pull = study.pulls.earliest("number")
    Pull.objects.exclude(pk=pull.pk).delete()
    # A Tuesday, Austria's National Day (Feiertagsruhegesetz, § 1, from memory).
    Pull.objects.update(due_on=date(2027, 10, 26), window_from=date(2027, 10, 19), window_to=date(2027, 11, 2))
    (found,) = look("stability_pull")
    assert found.due_on == date(2027, 10, 26)
    assert found.overdue_on == date(2027, 11, 3)  # when its window has passed
    assert "between 19 October 2027 and 2 November 2027. It falls on a closed day: National Day." in found.why
    assert found.facts == {"closed": True}
    assert found.subject == {"study": study.code, "pull": pull.number, "item": "BALM", "lot": "B1"}
    Pull.objects.update(due_on=date(2027, 10, 27))
    assert look("stability_pull")[0].facts == {"closed": False}
    Pull.objects.update(done_on=DAY)
    assert look("stability_pull") == []


def start_study(kept: Lot) -> Study:
    protocol = Protocol.objects.get(code="COMMON")
    return studies.start_study(lot=kept, protocol=protocol, sample_quantity=1)


def test_retained_samples_past_their_keeping() -> None:
    kept = lot("B1", expires_on=DAY + timedelta(days=400))
    portion = Portion.objects.select_related("lot__item").get(lot=kept)
    retain(portion=portion, quantity=2_000, place="cabinet", keep_until=DAY)
    assert look("samples_past_keeping") == []
    with time_machine.travel("2027-03-11T08:00:00+00:00", tick=False):
        (found,) = look("samples_past_keeping")
    assert found.what == "WAX lot B1: retained samples were kept until 10 March 2027"
    assert found.why == "2 g left in cabinet: keep on, or throw away by local rules."


# --- how many queries ---------------------------------------------------------------------------------------


def test_a_look_makes_as_many_queries_for_a_hundred_lots_as_for_two() -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            look_at(begin(), "lot_expiring")
        return len(captured)

    for number in range(2):
        lot(f"A{number}", expires_on=DAY)
    few = queries()
    for number in range(100):
        lot(f"B{number}", expires_on=DAY)
    # Rows are written by the batch: on SQLite a statement holds some forty of them.
    assert queries() <= few + 4
    assert Notice.objects.count() == 102
