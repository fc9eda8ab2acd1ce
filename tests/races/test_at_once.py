"""Two people at once, on PostgreSQL: on SQLite one writes after the other, and there is no such moment.

Each race has its control: the same without what guards it goes wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import count
from threading import Barrier, BrokenBarrierError, Thread, local
from typing import Any

import pytest
from django.db import connections

from inventory import clock
from inventory.errors import Conflict, LockTimeout
from inventory.ledger import verify
from inventory.models import Alert, Demand, Lot, LotDecision, Offer, Portion, PurchaseOrder
from inventory.services import dispatching, ledger, lots
from inventory.transactions import lock_items
from planner import services, snapshot
from planner.jobs import services as jobs
from planner.jobs.models import Job
from production.models import Batch
from production.services import batches, finishing, weighing
from tests.inventory.builders import make_party
from tests.production.builders import formula, in_days, item, stock

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,  # SQLite lets one write after the other
]


def at_once(*acts: Callable[[], Any]) -> list[Any]:
    """What each act answers or raises, all begun at one moment, each on a connection of its own."""
    answers: list[Any] = [None] * len(acts)
    gate = Barrier(len(acts))

    def run(number: int) -> None:
        try:
            gate.wait(10)
            answers[number] = acts[number]()
        except Exception as error:
            answers[number] = error
        finally:
            connections.close_all()

    threads = [Thread(target=run, args=(number,)) for number in range(len(acts))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


@pytest.fixture
def proposals(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A making and a purchase; whoever accepts waits with the plan until the other has planned too."""
    oil, gel = item("OIL"), item("GEL", "intermediate")
    Offer.objects.create(supplier=make_party("HILL"), item=oil, pack=1_000_000, lead_time_days=2)
    formula("GEL", gel, [(oil, "100")])
    dispatching.want(item=gel, quantity=100_000, due_on=in_days(10))
    plan = services.run_plan(from_day=clock.today(), weeks=4).plan
    gate, plan_now, turns = Barrier(2), services.run_plan, count()

    def plan_together(**asked: Any) -> services.PlanRun:
        run = plan_now(**asked)
        if next(turns) < 2:  # who tries again does not wait
            gate.wait(10)
        return run

    monkeypatch.setattr(services, "run_plan", plan_together)
    return [row.id for row in (*plan.make, *plan.buy)]


def accept(proposals: list[str]) -> list[services.Accepted]:
    return services.accept(proposals=proposals, from_day=clock.today(), weeks=4)


def test_accepted_at_once_is_made_firm_once_and_both_are_told_the_same(proposals: list[str]) -> None:
    first, second = at_once(lambda: accept(proposals), lambda: accept(proposals))
    assert [one.result for one in first] == [one.result for one in second]
    assert sorted(one.again for one in first + second) == [False, False, True, True]
    assert (Batch.objects.count(), PurchaseOrder.objects.count()) == (1, 1)


def test_control_without_another_try_one_of_them_is_refused(
    proposals: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(services, "TRIES", 1)
    answers = at_once(lambda: accept(proposals), lambda: accept(proposals))
    assert sum(isinstance(answer, Conflict) for answer in answers) == 1


def wanted_meanwhile(monkeypatch: pytest.MonkeyPatch) -> snapshot.engine.Problem:
    """A snapshot of a batch and no demand; while it is taken, somebody cancels the batch and somebody wants some."""
    oil, gel = item("OIL"), item("GEL", "intermediate")
    stock(oil, "1 kg", "OIL-1")
    batch = batches.plan(version=formula("GEL", gel, [(oil, "100")]), charge=1000, planned_for=clock.today())
    batches.reserve(batch=batch)
    read_items = snapshot.read_items

    def read_items_and_be_overtaken(*parts: Any) -> Any:
        items = read_items(*parts)
        at_once(
            lambda: (batches.cancel(batch=batch, why="no"), dispatching.want(item=oil, quantity=5, due_on=in_days(1)))
        )
        return items

    monkeypatch.setattr(snapshot, "read_items", read_items_and_be_overtaken)
    problem = snapshot.take_snapshot(from_day=clock.today(), weeks=2)
    assert Demand.objects.count() == 1
    return problem


def test_a_snapshot_is_of_one_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = wanted_meanwhile(monkeypatch)
    assert (len(problem.batches), len(problem.reservations), len(problem.demands)) == (1, 1, 0)


def test_control_a_snapshot_without_its_transaction_is_of_two_moments(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(snapshot, "take_snapshot", snapshot.take_snapshot.__wrapped__.__wrapped__)
    problem = wanted_meanwhile(monkeypatch)
    assert (len(problem.batches), len(problem.demands)) == (0, 1)


def test_a_recall_while_a_batch_ends_reaches_what_it_becomes() -> None:
    oil, gel = item("OIL"), item("GEL", "intermediate")
    oil_here = stock(oil, "1 kg", "OIL-1")
    version = formula("GEL", gel, [(oil, "100")])
    for round_ in range(5):
        batch = batches.start(batch=batches.plan(version=version, charge=1000, planned_for=clock.today()))
        weighing.weigh(line=batch.lines.get(), portion=oil_here, quantity=1000)
        made, held = at_once(
            lambda batch=batch: finishing.finish(batch=batch, made=1000),
            lambda: services.decide_affected(origins=[oil_here.lot], status="held", why="recall"),
        )
        assert not isinstance(held, Exception), held
        made.refresh_from_db()
        assert made.status == "held", round_
        lots.decide(lots=[oil_here.lot, made], status="released", why="the nose was wrong")
    assert verify() == []


@pytest.fixture
def crossing(monkeypatch: pytest.MonkeyPatch) -> tuple[Callable[[], Any], Callable[[], Any]]:
    """Two holds of lots of two items, each of which reaches the other's once it has locked its own."""
    here = [stock(item(code), "1 kg", f"{code}-1").lot for code in ("OIL", "WAX")]
    gate, looks = Barrier(2), local()

    def affected(*, lots: Sequence[Lot]) -> list[Lot]:
        looks.count = getattr(looks, "count", 0) + 1
        if looks.count == 1:
            return list(lots)
        if looks.count == 2:  # both have locked their own
            gate.wait(10)
        return [Lot.objects.select_related("item").get(pk=lot.pk) for lot in here]

    monkeypatch.setattr(services.tracing, "affected", affected)
    one, other = (
        lambda lot=lot: services.decide_affected(origins=[lot], status="held", why="a recall") for lot in here
    )
    return one, other


def test_two_holds_that_reach_each_others_items_both_come_to_their_end(
    crossing: tuple[Callable[[], Any], Callable[[], Any]],
) -> None:
    answers = at_once(*crossing)
    assert [answer for answer in answers if isinstance(answer, Exception)] == []
    assert set(Lot.objects.values_list("status", flat=True)) == {"held"}
    assert LotDecision.objects.filter(to_status="held").count() == 2  # each lot once


@pytest.mark.filterwarnings("ignore::inventory.transactions.LockedOutOfOrder")
def test_control_holds_that_lock_beside_what_they_hold_wait_for_each_other(
    crossing: tuple[Callable[[], Any], Callable[[], Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def lock_beside(find: Callable[[], list[Lot]], items_of: Callable[[list[Lot]], set[int]]) -> list[Lot]:
        locked: set[int] = set()
        while items_of(found := find()) - locked:
            locked |= items_of(found)
            lock_items(locked)
        return found

    monkeypatch.setattr(services, "lock_found", lock_beside)
    assert sum(isinstance(answer, LockTimeout) for answer in at_once(*crossing)) == 1


def opened_at_once() -> Callable[..., Any]:
    """``open_alert`` for two acts: the first alert of each is open before either goes on, unless one has to wait."""
    gate, told, open_alert = Barrier(2), local(), ledger.open_alert

    def open_and_wait(**about: Any) -> Any:
        alert = open_alert(**about)
        if not hasattr(told, "one"):
            told.one = alert
            with suppress(BrokenBarrierError):  # where the other waits for its turn
                gate.wait(1)
        return alert

    return open_and_wait


@pytest.fixture
def telling_each_others(monkeypatch: pytest.MonkeyPatch) -> tuple[Callable[[], Any], Callable[[], Any]]:
    """Two write-offs over quite other items that free the same two batches' stock, each the other batch first."""
    raws = [item(code) for code in ("OIL", "WAX", "CLAY", "SALT")]
    here = [stock(raw, "100 g", f"{raw.code}-1") for raw in raws]
    for code, of in (("FIRST", (0, 3)), ("SECOND", (1, 2))):
        version = formula(code, item(code, "intermediate"), [(raws[at], "50") for at in of])
        batch = batches.plan(version=version, charge=200_000, planned_for=clock.today(), code=code)
        batches.reserve(batch=batch)
    monkeypatch.setattr(ledger, "open_alert", opened_at_once())

    def let_leave(code: str, portions: Sequence[Portion]) -> Any:
        lines = [dispatching.Leaving(portion, 100_000) for portion in portions]
        return dispatching.dispatch(lines=lines, public_place="bin", kind="damaged", code=code)

    return lambda: let_leave("D-1", here[:2]), lambda: let_leave("D-2", here[2:])


def test_two_acts_that_tell_the_same_holders_both_come_to_their_end(
    telling_each_others: tuple[Callable[[], Any], Callable[[], Any]],
) -> None:
    assert [answer for answer in at_once(*telling_each_others) if isinstance(answer, Exception)] == []
    assert sorted(Alert.objects.values_list("subject", flat=True)) == ["batch:FIRST", "batch:SECOND"]


def test_control_without_their_lock_they_wait_for_each_other(
    telling_each_others: tuple[Callable[[], Any], Callable[[], Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger, "lock_telling", lambda: None)
    assert sum(isinstance(answer, LockTimeout) for answer in at_once(*telling_each_others)) == 1


def held_at_once(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Two people hold a lot each, of two items that one batch has set aside: which lots its alert names then."""
    raws = [item(code) for code in ("OIL", "WAX")]
    here = [stock(raw, "100 g", f"{raw.code}-1") for raw in raws]
    version = formula("FIRST", item("FIRST", "intermediate"), [(raw, "50") for raw in raws])
    batches.reserve(batch=batches.plan(version=version, charge=200_000, planned_for=clock.today(), code="FIRST"))
    monkeypatch.setattr(lots, "open_alert", opened_at_once())
    at_once(*(lambda lot=one.lot: lots.decide(lots=[lot], status="held", why="odd") for one in here))
    named: list[str] = Alert.objects.get(kind="reservation_broken").facts["lots"]
    return named


def test_of_two_holds_for_one_batch_both_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    assert held_at_once(monkeypatch) == ["OIL OIL-1", "WAX WAX-1"]


def test_control_without_the_lock_one_of_two_holds_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lots, "lock_telling", lambda: None)
    assert len(held_at_once(monkeypatch)) == 1


def take_up_at_once(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Two workers take up an import each, and have counted what runs before either has claimed its own."""
    brought = jobs.Brought("tables.zip", "application/zip", b"none")
    asked = [jobs.ask_for_import(brought=brought, check_only=True, who=None) for _ in range(2)]
    gate, counted = Barrier(2), jobs.clock.now

    def now() -> Any:
        with suppress(BrokenBarrierError):  # where the other waits for its turn
            gate.wait(1)
        return counted()

    monkeypatch.setattr(jobs.clock, "now", now)
    taken = at_once(*(lambda job=job: jobs.take_up(uid=job.uid) for job in asked))
    assert [one for one in taken if isinstance(one, Exception)] == []
    return [job.state for job in Job.objects.order_by("state")]


def test_of_two_imports_taken_up_at_once_one_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    assert take_up_at_once(monkeypatch) == ["queued", "running"]


def test_control_without_the_lock_both_imports_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "_lock_queued", lambda: None)
    assert take_up_at_once(monkeypatch) == ["running", "running"]
