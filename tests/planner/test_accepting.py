"""Accepting proposals, reserving with a look at the others, reorder alerts, and holding everything affected."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.db.models import F

from inventory.errors import Conflict, Shortage
from inventory.models import Alert, Demand, Lot, LotDecision, Portion, PurchaseOrder, Reservation
from inventory.selectors import get_lot
from inventory.services import lots
from planner import services
from planner.models import AcceptedProposal
from production.models import Batch
from production.selectors import find_batch
from production.services import batches as bench
from production.services import finishing, weighing
from tests.planner.small_house import FROM, set_up
from tests.tables import plan

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _house(tmp_path: Path) -> None:
    set_up(tmp_path)


def test_a_proposal_to_make_becomes_a_planned_batch_and_leaves_the_plan() -> None:
    before = plan(FROM, 4)
    (fill,) = [row for row in before["make"] if row["item"] == "RUB-50"]
    (accepted,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    batch = find_batch(accepted.result)
    assert (batch.status, batch.charge, str(batch.transformation.planned_for)) == ("planned", 60, fill["start_on"])
    after = plan(FROM, 4)
    assert [row for row in after["make"] if row["item"] == "RUB-50"] == []
    assert any(row["batch"] == accepted.result for row in after["batches"])


def test_a_proposal_to_buy_becomes_an_order_that_covers_the_need() -> None:
    (tins,) = [row for row in plan(FROM, 4)["buy"] if row["item"] == "TIN"]
    (accepted,) = services.accept(proposals=[tins["id"]], from_day=FROM, weeks=4)
    order = PurchaseOrder.objects.get(code=accepted.result)
    (line,) = order.lines.all()
    assert (order.supplier.code, line.item.code, line.quantity) == ("HOLLOW", "TIN", 100)
    assert str(line.due_on) == tins["need_on"]
    assert [row for row in plan(FROM, 4)["buy"] if row["item"] == "TIN"] == []


def test_accepted_twice_is_made_firm_once() -> None:
    (tins,) = [row for row in plan(FROM, 4)["buy"] if row["item"] == "TIN"]
    first = services.accept(proposals=[tins["id"]], from_day=FROM, weeks=4)
    second = services.accept(proposals=[tins["id"], tins["id"]], from_day=FROM, weeks=4)
    assert [one.result for one in second] == [first[0].result]
    assert (first[0].again, second[0].again) == (False, True)
    assert PurchaseOrder.objects.count() == 1


def test_a_proposal_that_the_plan_no_longer_makes_is_refused_and_nothing_is_written() -> None:
    row = plan(FROM, 4)["make"][0]
    with pytest.raises(Conflict) as refused:
        services.accept(proposals=[row["id"], "no-such-proposal"], from_day=FROM, weeks=4)
    assert refused.value.code == "proposal_gone"
    assert refused.value.facts["proposals"] == ["no-such-proposal"]
    assert AcceptedProposal.objects.count() == 0
    assert Batch.objects.count() == 2


def test_a_proposal_whose_batch_was_cancelled_can_be_accepted_anew() -> None:
    (fill,) = [row for row in plan(FROM, 4)["make"] if row["item"] == "RUB-50"]
    (first,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    bench.cancel(batch=find_batch(first.result), why="changed my mind")
    (second,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    assert second.result != first.result
    assert not second.again


@pytest.mark.parametrize("end", ["cancelled", "abandoned"])
def test_a_proposal_whose_batch_came_to_nothing_can_be_accepted_anew_while_it_is_proposed(end: str) -> None:
    (fill,) = [row for row in plan(FROM, 4)["make"] if row["item"] == "RUB-50"]
    (first,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    Batch.objects.filter(transformation__code=first.result).update(status=end)
    (second,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    assert (second.again, second.result == first.result) == (False, False)


def test_what_was_accepted_and_is_finished_and_proposed_no_more_is_answered_from_the_record() -> None:
    (fill,) = [row for row in plan(FROM, 4)["make"] if row["item"] == "RUB-50"]
    (first,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    demands = Demand.objects.filter(item__code="RUB-50")
    Batch.objects.filter(transformation__code=first.result).update(status="finished")
    demands.update(dispatched=F("quantity"))
    (second,) = services.accept(proposals=[fill["id"]], from_day=FROM, weeks=4)
    assert (second.again, second.result) == (True, first.result)


def test_a_number_taken_by_somebody_else_meanwhile_is_no_answer_but_another_try(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tins,) = [row for row in plan(FROM, 4)["buy"] if row["item"] == "TIN"]
    tries = iter([Conflict("taken", code="changed"), None])
    accept = services._accept

    def taken_once(**asked: Any) -> list[services.Accepted]:
        error = next(tries)
        if error is not None:
            raise error
        return accept(**asked)

    monkeypatch.setattr(services, "_accept", taken_once)
    (accepted,) = services.accept(proposals=[tins["id"]], from_day=FROM, weeks=4)
    assert PurchaseOrder.objects.get().code == accepted.result


def test_a_late_order_is_due_as_soon_as_the_packs_can_come(tmp_path: Path) -> None:
    late_from = date(2027, 3, 2)  # wax for B-2 on the 5th is three days away, from the 3rd on it is late
    rows = [row for row in plan(date(2027, 3, 4), 4)["buy"] if row["item"] == "WAX" and row["late"]]
    assert rows, "the wax is late on the 4th"
    (accepted,) = services.accept(proposals=[rows[0]["id"]], from_day=date(2027, 3, 4), weeks=4)
    (line,) = PurchaseOrder.objects.get(code=accepted.result).lines.all()
    assert str(line.due_on) == "2027-03-07"
    assert late_from < date(2027, 3, 4)


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
def test_reserving_a_batch_names_the_others_that_become_short() -> None:
    """Wax for one of the two batches is here: whoever reserves first leaves the other short."""
    coverage = {row["batch"]: row["coverage"] for row in plan(FROM, 4)["batches"]}
    assert coverage == {"B-1": "covered", "B-2": "short"}
    reserved = services.reserve_batch(batch=find_batch("B-2"))
    assert {(one.portion.lot.number, one.quantity) for one in reserved.taken} == {("O1", 800_000), ("W1", 200_000)}
    assert reserved.became_short == ["B-1"]
    with pytest.raises(Shortage) as refused:
        services.reserve_batch(batch=find_batch("B-1"))
    assert refused.value.facts["shortages"] == [{"item": "WAX", "position": 2, "wanted": "200 g", "free": "0 g"}]
    assert Reservation.objects.count() == 2


def test_reorder_alerts_follow_the_plan() -> None:
    changes = services.refresh_reorder_alerts(run=services.run_plan(from_day=FROM, weeks=4))
    standing = {alert.subject: alert for alert in Alert.objects.filter(kind="reorder", closed_at=None)}
    assert set(standing) == {"TIN", "WAX", "OIL"}
    assert changes.opened == 3
    assert standing["TIN"].message == "TIN: order 1 x 100 pc from HOLLOW by 2027-03-14; needed on 2027-03-19"
    assert standing["WAX"].facts["runs_out_on"] == "2027-03-05"
    (tins,) = [row for row in plan(FROM, 4)["buy"] if row["item"] == "TIN"]
    services.accept(proposals=[tins["id"]], from_day=FROM, weeks=4)
    again = services.refresh_reorder_alerts(run=services.run_plan(from_day=FROM, weeks=4))
    assert (again.opened, again.closed) == (0, 1)
    assert not Alert.objects.filter(kind="reorder", subject="TIN", closed_at=None).exists()


def test_the_daily_review_is_done_once_a_day() -> None:
    assert services.review(day=FROM) is not None
    assert services.review(day=FROM) is None
    assert services.review(day=date(2027, 3, 2)) is not None


def test_holding_everything_affected_and_releasing_it_again() -> None:
    origin = get_lot("OIL", "O1")
    services.decide_affected(origins=[origin], status="held", why="smells odd")
    assert Lot.objects.get(pk=origin.pk).status == "held"
    assert plan(FROM, 4)["batches"][0]["coverage"] == "short"
    services.decide_affected(origins=[origin], status="released", why="the nose was wrong")
    assert Lot.objects.get(pk=origin.pk).status == "released"


def made_of_oil(status: str) -> Lot:
    """A lot that contains O1, with this status."""
    batch = bench.start(batch=find_batch("B-1"))
    line = batch.lines.get(item__code="OIL")
    weighing.weigh(line=line, portion=Portion.objects.get(lot__number="O1"), quantity=line.required)
    lot = finishing.finish(batch=batch, made=1000, why="enough for a test")
    if status != lot.status:
        lots.decide(lots=[lot], status=status)
    return lot


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
@pytest.mark.parametrize("before", ["released", "quarantine", "rejected"])
def test_what_contains_a_lot_goes_back_to_what_it_was_when_the_hold_is_lifted(before: str) -> None:
    lot = made_of_oil(before)
    origin = get_lot("OIL", "O1")
    services.decide_affected(origins=[origin], status="held", why="smells odd")
    services.decide_affected(origins=[origin], status="held", why="still does")
    lot.refresh_from_db()
    assert lot.status == ("rejected" if before == "rejected" else "held")
    decisions = services.decide_affected(origins=[origin], status="released", why="the nose was wrong")
    lot.refresh_from_db()
    assert (Lot.objects.get(pk=origin.pk).status, lot.status) == ("released", before)
    assert len({decision.action_uid for decision in decisions}) == 1


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
def test_a_lot_that_expired_while_it_was_held_does_not_keep_the_others_held() -> None:
    lot = made_of_oil("released")
    origin = get_lot("OIL", "O1")
    services.decide_affected(origins=[origin], status="held", why="smells odd")
    Lot.objects.filter(pk=lot.pk).update(expires_on=date(2027, 2, 28))
    services.decide_affected(origins=[origin], status="released", why="the nose was wrong")
    lot.refresh_from_db()
    assert (Lot.objects.get(pk=origin.pk).status, lot.status) == ("released", "quarantine")


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
def test_what_is_made_of_a_held_lot_afterwards_is_reached_by_lifting_the_hold() -> None:
    origin = get_lot("OIL", "O1")
    batch = bench.start(batch=find_batch("B-1"))
    line = batch.lines.get(item__code="OIL")
    weighing.weigh(line=line, portion=Portion.objects.get(lot=origin), quantity=line.required)
    services.decide_affected(origins=[origin], status="held", why="smells odd")
    lot = finishing.finish(batch=batch, made=1000, why="enough for a test")
    assert lot.status == "held"
    services.decide_affected(origins=[origin], status="released", why="the nose was wrong")
    lot.refresh_from_db()
    assert lot.status == "quarantine"
    assert LotDecision.objects.filter(lot=lot).count() == 2
