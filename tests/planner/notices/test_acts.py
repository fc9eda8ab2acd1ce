"""Done, put off, taken up again; jobs that come again; who stands in for whom; what the owner changes."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
import time_machine
from django.contrib.auth.models import Group, User
from django.core import mail as outbox_of
from rest_framework.test import APIClient

from inventory.errors import BadInput, Conflict, WrongState
from inventory.models import ChangeRecord, Demand, Lot
from inventory.services.ledger import open_alert
from planner.notices import acts, choices, looking, upkeep
from planner.notices.addressees import addressees
from planner.notices.kinds import KINDS
from planner.notices.models import NoticeAct, Telling, UpkeepDone
from planner.services import decide_affected
from tests.planner.notices.house import days_told, job, lot, notice, ring, ring_at, told

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _a_day() -> Any:
    with time_machine.travel("2027-03-10T08:00:00+00:00", tick=False) as traveller:
        yield traveller


# --- done and put off ---------------------------------------------------------------------------------------


def test_what_is_done_is_told_no_more_while_its_cause_stands(people: dict[str, User]) -> None:
    lot("W1", expires_on=date(2027, 3, 17))
    ring_at("2027-03-10T08:00:00+00:00")
    acts.mark_done(notice=notice("lot_expiring"), why="goes into Friday's balm", who=people["maker"])
    ring_at(*[f"2027-03-{day}T08:00:00+00:00" for day in range(11, 20)])
    assert days_told("lot_expiring") == ["2027-03-10"]
    act = NoticeAct.objects.get()
    assert (act.kind, act.who, act.why) == ("done", people["maker"], "goes into Friday's balm")
    assert notice("lot_expiring").state == "done"
    with pytest.raises(WrongState):
        acts.mark_done(notice=notice("lot_expiring"), who=people["maker"])


def test_what_was_done_and_comes_back_is_told_anew(people: dict[str, User]) -> None:
    kept = lot("W1", expires_on=date(2027, 3, 17))
    ring_at("2027-03-10T08:00:00+00:00")
    acts.mark_done(notice=notice("lot_expiring"), who=people["maker"])
    kept.portions.update(on_hand=0)
    ring_at("2027-03-11T08:00:00+00:00")
    assert notice("lot_expiring").state == "done"
    kept.portions.update(on_hand=5_000)  # found behind the shelf
    ring_at("2027-03-12T08:00:00+00:00")
    assert (notice("lot_expiring").state, days_told("lot_expiring")) == ("open", ["2027-03-10", "2027-03-10"])


def test_what_is_put_off_is_told_again_on_the_morning_of_its_day(people: dict[str, User]) -> None:
    job("SCALE", date(2027, 3, 10))
    ring_at("2027-03-10T08:00:00+00:00")
    with pytest.raises(BadInput) as refused:
        acts.put_off(notice=notice("upkeep"), until=date(2027, 3, 14), who=people["maker"])
    assert [fault.field for fault in refused.value.faults] == ["why"]  # it is beyond its day
    with pytest.raises(BadInput) as refused:
        acts.put_off(notice=notice("upkeep"), until=date(2027, 3, 10), why="later", who=people["maker"])
    assert [fault.field for fault in refused.value.faults] == ["until"]
    acts.put_off(notice=notice("upkeep"), until=date(2027, 3, 14), why="weights on loan", who=people["maker"])
    ring_at(*[f"2027-03-{day}T{hour}:00:00+00:00" for day in (11, 12, 13) for hour in ("06", "08")])
    assert days_told("upkeep") == ["2027-03-10"]
    ring_at("2027-03-14T06:59:00+00:00", "2027-03-14T07:00:00+00:00", "2027-03-14T07:01:00+00:00")
    assert [(day, stage) for day, stage, _ in told("upkeep")] == [("2027-03-10", "due"), ("2027-03-14", "overdue")]
    assert notice("upkeep").state == "open"


def test_what_was_put_off_is_told_after_all_where_it_falls_due_before(people: dict[str, User]) -> None:
    with time_machine.travel("2027-03-01T09:00:00+00:00", tick=False):
        wax = lot("W1", expires_on=date(2027, 3, 28))
        ring()
        acts.put_off(notice=notice("lot_expiring:WAX/W1"), until=date(2027, 3, 25))
    with time_machine.travel("2027-03-02T09:00:00+00:00", tick=False):
        Lot.objects.filter(pk=wax.pk).update(expires_on=date(2027, 3, 27))  # after the day: it may wait as it was said
        looking.look_at(looking.begin(), "lot_expiring")
        assert notice("lot_expiring:WAX/W1").state == "put_off"
        Lot.objects.filter(pk=wax.pk).update(expires_on=date(2027, 3, 6))
        looking.look_at(looking.begin(), "lot_expiring")
        ring()
        assert (notice("lot_expiring:WAX/W1").state, notice("lot_expiring:WAX/W1").put_off_until) == ("open", None)
        assert days_told("lot_expiring:WAX/W1")[-1] == "2027-02-27"  # the morning, seven days before its new day
    ring_at("2027-03-06T08:00:00+00:00")
    assert days_told("lot_expiring:WAX/W1")[-1] == "2027-03-06"


def history(key: str) -> list[tuple[str, str]]:
    return list(NoticeAct.objects.filter(notice=notice(key)).order_by("pk").values_list("kind", "why"))


def test_what_was_done_opens_again_where_its_day_moves_nearer_and_says_why(people: dict[str, User]) -> None:
    wax = lot("W1", expires_on=date(2027, 3, 28))
    ring()
    acts.mark_done(notice=notice("lot_expiring"), why="goes into Friday's balm", who=people["maker"])
    Lot.objects.filter(pk=wax.pk).update(expires_on=date(2027, 3, 29))  # later: nothing that anybody must know
    looking.look_at(looking.begin(), "lot_expiring")
    assert notice("lot_expiring").state == "done"
    Lot.objects.filter(pk=wax.pk).update(expires_on=date(2027, 3, 16))
    outbox_of.outbox.clear()
    ring_at("2027-03-11T08:00:00+00:00")
    assert (notice("lot_expiring").state, notice("lot_expiring").opening) == ("open", 2)
    told_why = "It is due on 16 March 2027 now, not on 29 March 2027."
    assert history("lot_expiring") == [("done", "goes into Friday's balm"), ("reopened", told_why)]
    (letter,) = [one for one in outbox_of.outbox if one.to == ["maker <maker@example.org>"]]
    assert f"Open again: {told_why}" in letter.body
    ring_at("2027-03-12T08:00:00+00:00")
    assert len(days_told("lot_expiring")) == 2  # once before, once since


def test_what_was_done_opens_again_where_more_of_it_is_bad(people: dict[str, User]) -> None:
    alert = open_alert(kind="reservation_broken", subject="batch:B-1", message="A is held", facts={"lots": ["WAX A"]})
    looking.look_at(looking.begin(), "reservation_broken")
    acts.mark_done(notice=notice("reservation_broken"), who=people["maker"])
    for facts, state in (
        ({"lots": ["WAX A"]}, "done"),
        ({"lots": []}, "done"),
        ({"lots": ["OIL B", "WAX A"]}, "open"),
    ):
        open_alert(kind=alert.kind, subject=alert.subject, message=f"held: {facts}", facts=facts)
        looking.look_at(looking.begin(), "reservation_broken")
        assert notice("reservation_broken").state == state
    assert history("reservation_broken")[-1] == (
        "reopened", "More of what is set aside is not good: OIL B, WAX A."
    )  # fmt: skip


def test_what_was_put_off_opens_again_where_it_stands_worse(people: dict[str, User]) -> None:
    alert = open_alert(kind="reservation_broken", subject="batch:B-1", message="A is held", facts={"lots": ["WAX A"]})
    looking.look_at(looking.begin(), "reservation_broken")
    acts.put_off(notice=notice("reservation_broken"), until=date(2027, 3, 15), why="comes on Monday")
    open_alert(kind=alert.kind, subject=alert.subject, message="two", facts={"lots": ["OIL B", "WAX A"]})
    looking.look_at(looking.begin(), "reservation_broken")
    assert (notice("reservation_broken").state, notice("reservation_broken").put_off_until) == ("open", None)


def test_within_its_day_no_reason_is_needed_and_both_can_be_taken_back(people: dict[str, User]) -> None:
    job("SCALE", date(2027, 3, 20), soon_days=15)
    ring_at("2027-03-10T08:00:00+00:00")
    acts.put_off(notice=notice("upkeep"), until=date(2027, 3, 15), who=people["maker"])
    acts.reopen(notice=notice("upkeep"), who=people["maker"])
    assert notice("upkeep").state == "open"
    with pytest.raises(WrongState):
        acts.reopen(notice=notice("upkeep"), who=people["maker"])
    assert list(NoticeAct.objects.order_by("pk").values_list("kind", flat=True)) == ["put_off", "reopened"]


def test_those_it_is_for_see_to_a_notice_and_the_owner(people: dict[str, User]) -> None:
    decide_affected(origins=[lot("W1")], status=Lot.Status.HELD, why="cloudy")
    ring_at("2027-03-10T08:00:00+00:00")
    for name in ("helper", "buyer"):
        with pytest.raises(Conflict) as refused:
            acts.mark_done(notice=notice("lot_held"), who=people[name])
        assert refused.value.code == "for_others"
    acts.mark_done(notice=notice("lot_held"), who=people["quality"])
    acts.reopen(notice=notice("lot_held"), who=people["owner"])
    acts.mark_done(notice=notice("lot_held"), who=people["maker"])


# --- upkeep -------------------------------------------------------------------------------------------------


def test_a_job_done_moves_on_and_its_notice_is_done(people: dict[str, User]) -> None:
    made = job("SCALE", date(2027, 1, 31))
    ring_at("2027-03-10T08:00:00+00:00")
    assert days_told("upkeep") == ["2027-02-08"] * 2  # overdue since 1 February, a week later the owner's too
    acts.mark_done(notice=notice("upkeep:SCALE/2027-01-31"), why="reads right", who=people["maker"])
    made.refresh_from_db()
    assert made.next_on == date(2027, 3, 31)
    done = UpkeepDone.objects.get()
    assert (done.due_on, done.done_on, done.who) == (date(2027, 1, 31), date(2027, 3, 10), people["maker"])
    assert notice("upkeep:SCALE/2027-01-31").state == "done"
    assert notice("upkeep:SCALE/2027-03-31").state == "open"


def test_a_job_done_on_its_own_page_ends_its_notice_too(people: dict[str, User]) -> None:
    made = job("SCALE", date(2027, 3, 8), every=2, unit="week")
    ring_at("2027-03-10T08:00:00+00:00")
    upkeep.record_done(job=made, done_on=date(2027, 3, 9), who=people["helper"])
    assert notice("upkeep:SCALE/2027-03-08").state == "done"
    assert notice("upkeep:SCALE/2027-03-22").due_on == date(2027, 3, 22)
    with pytest.raises(BadInput):
        upkeep.record_done(job=made, done_on=date(2027, 3, 11))


def test_a_job_that_comes_once_is_done_for_good_and_a_retired_one_lapses(people: dict[str, User]) -> None:
    once = job("DRILL", date(2027, 3, 8), every=None)
    upkeep.record_done(job=once, done_on=date(2027, 3, 9))
    with pytest.raises(WrongState):
        upkeep.record_done(job=once, done_on=date(2027, 3, 10))
    other = job("WIPE", date(2027, 3, 12))
    upkeep.change_job(job=other, values={"retired": True})
    assert notice("upkeep:WIPE").state == "lapsed"


def test_other_days_of_a_job_are_reckoned_after_what_was_done_last(people: dict[str, User]) -> None:
    made = job("SCALE", date(2027, 1, 31))
    upkeep.record_done(job=made, done_on=date(2027, 2, 2))
    changed = upkeep.change_job(job=made, values={"every": 1, "unit": "week"})
    assert changed.next_on == date(2027, 2, 7)
    assert upkeep.change_job(job=made, values={"first_on": date(2027, 6, 1)}).next_on == date(2027, 6, 1)
    with pytest.raises(BadInput):
        upkeep.change_job(job=made, values={"role": "maker", "person": people["maker"]})


# --- people -------------------------------------------------------------------------------------------------


def names(kind: str, **asked: Any) -> list[str]:
    found = addressees(date(2027, 3, 10)).of(KINDS[kind], **asked)
    return sorted(person.name for person in found)


def test_a_notice_goes_to_its_roles_and_to_the_owner_where_nobody_has_them(people: dict[str, User]) -> None:
    assert names("lot_held") == ["maker", "quality"]
    assert names("lot_held", escalated=True) == ["maker", "owner", "quality"]
    assert names("upkeep", role="helper") == ["helper"]
    assert names("upkeep", person=people["buyer"].pk) == ["buyer"]
    people["buyer"].groups.clear()
    assert names("reorder") == ["owner"]
    people["quality"].is_active = False
    people["quality"].save()
    assert names("stability_pull") == ["owner"]


def test_the_first_user_stands_in_for_every_role_that_nobody_has(db: None) -> None:
    User.objects.create(username="first", is_superuser=True)
    assert {kind: names(kind) for kind in KINDS} == {kind: ["first"] for kind in KINDS}
    helper = User.objects.create(username="ida")
    helper.groups.add(Group.objects.get_or_create(name="helper")[0])
    assert names("batch_coming") == ["first", "ida"]
    assert names("upkeep", role="helper") == ["ida"]


def test_a_deputy_stands_in_while_somebody_is_away_both_days_included(people: dict[str, User]) -> None:
    choices.go_away(
        person=people["buyer"], away_from=date(2027, 3, 10), away_to=date(2027, 3, 12), deputy=people["maker"]
    )
    assert names("reorder") == ["maker"]
    for day, expected in ((9, "buyer"), (10, "maker"), (12, "maker"), (13, "buyer")):
        found = addressees(date(2027, 3, day)).of(KINDS["reorder"])
        assert [person.name for person in found] == [expected]
    choices.go_away(person=people["maker"], away_from=date(2027, 3, 1), deputy=people["quality"])
    assert names("reorder") == ["quality"]  # who stands in for who stands in
    choices.go_away(person=people["quality"], away_from=date(2027, 3, 1), deputy=people["buyer"])
    assert names("reorder") == ["buyer"]  # a circle: nobody is there, and it stays with whose it is
    choices.go_away(person=people["quality"], away_from=None)
    choices.go_away(person=people["maker"], away_from=date(2027, 3, 1), deputy=people["helper"])
    assert names("reorder") == ["buyer"]  # a helper may not see what to order


def test_the_letter_of_a_deputy_says_for_whom(people: dict[str, User]) -> None:
    job("SCALE", date(2027, 3, 11), person=people["maker"])
    choices.go_away(person=people["maker"], away_from=date(2027, 3, 11), deputy=people["quality"])
    ring_at("2027-03-11T08:00:00+00:00")
    (letter,) = outbox_of.outbox
    assert letter.to == ["quality <quality@example.org>"]
    assert "You stand in for maker." in letter.body


def test_the_owner_changes_for_whom_a_kind_is_and_when(people: dict[str, User]) -> None:
    choices.change_rule(kind="upkeep", roles=["quality"], escalate_days=0)
    choices.change_rule(kind="lot_held", at_once=False)
    job("SCALE", date(2027, 3, 10))
    decide_affected(origins=[lot("W1")], status=Lot.Status.HELD, why="cloudy")
    ring_at("2027-03-10T08:00:00+00:00", "2027-03-11T08:00:00+00:00")
    of_job = Telling.objects.filter(notice__kind="upkeep", channel="page").order_by("pk")
    assert [(str(row.stage_on), row.recipient.username) for row in of_job] == [
        ("2027-03-10", "quality"), ("2027-03-11", "quality"), ("2027-03-11", "owner"),
    ]  # fmt: skip
    assert not Telling.objects.filter(channel="at_once").exists()
    with pytest.raises(BadInput):
        choices.change_rule(kind="reorder", roles=["helper"])


def test_what_the_owner_changes_of_a_kind_stands_in_the_change_log(people: dict[str, User]) -> None:
    choices.change_rule(kind="lot_expiring", soon_days=[60, 10], at_once=None)
    choices.change_rule(kind="lot_expiring", soon_days=None, roles=["maker", "quality"])
    rows = ChangeRecord.objects.order_by("pk").values_list("kind", "code", "field", "before", "after")
    assert set(rows) == {
        ("setting", "notices: lot_expiring", "soon_days", "90, 30, 7", "60, 10"),
        ("setting", "notices: lot_expiring", "soon_days", "60, 10", "90, 30, 7"),
        ("setting", "notices: lot_expiring", "roles", "maker", "maker, quality"),
    }


# --- the API: what the tests of every resource do not say ----------------------------------------------------


def test_a_list_of_ones_own_by_day_stage_and_kind(people: dict[str, User]) -> None:
    job("LATE", date(2027, 3, 1))
    job("NOW", date(2027, 3, 10))
    job("SOON", date(2027, 3, 12), role="quality")
    decide_affected(origins=[lot("W1")], status=Lot.Status.HELD, why="cloudy")
    ring_at("2027-03-10T08:00:00+00:00")
    client = APIClient()
    client.force_login(people["maker"])

    def listed(query: str) -> list[str]:
        rows = client.get(f"/api/v1/notices?{query}").json()["rows"]
        return [row["subject"].get("upkeep") or row["subject"]["lot"] for row in rows]

    assert len(listed("")) == 4
    assert (listed("")[0], listed("")[-1]) == ("LATE", "SOON")
    assert listed("kind=upkeep") == ["LATE", "NOW", "SOON"]
    assert listed("kind=upkeep&mine=yes") == ["LATE", "NOW"]
    assert listed("stage=escalated") == ["LATE"]
    assert listed("stage=due&kind=upkeep") == ["NOW"]
    assert listed("stage=due_soon") == ["SOON"]
    assert listed("due_before=2027-03-10") == ["LATE"]
    assert listed("state=done") == []
    row = client.get("/api/v1/notices?kind=lot_held").json()["rows"][0]
    assert row["api"] == "/api/v1/lots/WAX/W1"
    one = client.get(f"/api/v1/notices/{row['notice']}").json()
    assert {(telling["to"], telling["channel"]) for telling in one["tellings"]} == {
        ("maker", "page"), ("maker", "at_once"), ("quality", "page"), ("quality", "at_once"),
    }  # fmt: skip


def test_a_helper_sees_no_notice_of_orders_or_customers(people: dict[str, User]) -> None:
    kept = lot("W1", expires_on=date(2027, 3, 12))
    Demand.objects.create(item=kept.item, quantity=3_000, due_on=date(2027, 3, 9), reference="MARKET")
    ring_at("2027-03-10T08:00:00+00:00")
    kinds = {}
    for name in ("helper", "maker"):
        client = APIClient()
        client.force_login(people[name])
        kinds[name] = {row["kind"] for row in client.get("/api/v1/notices").json()["rows"]}
        hidden = client.get(f"/api/v1/notices/{notice('demand_late').uid}").status_code
        assert hidden == (404 if name == "helper" else 200)
    assert kinds == {"helper": {"lot_expiring"}, "maker": {"lot_expiring", "demand_late"}}
