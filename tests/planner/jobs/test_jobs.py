"""Heavy work in the background: what a person asks for, sees while it runs, and gets; no second run can spoil it."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from django.contrib.auth.models import User
from django.core.cache import cache
from django.db import OperationalError, connection, connections

from inventory import clock
from inventory.errors import Conflict, LockTimeout, NotFound, WrongState
from inventory.models import Item, Portion, StockEvent
from planner import services as planning
from planner.celery import app
from planner.exchange import archive_bytes, exported_tables
from planner.exchange.archive import packed
from planner.jobs import board, kinds, running, services, tasks
from planner.jobs.models import Job, JobFile
from planner.running import stopping
from tests.planner.exchange.workshop import as_csv
from tests.planner.small_house import FROM, set_up

pytestmark = pytest.mark.django_db(transaction=True)

Steps = list[tuple[str, int, int]]


@pytest.fixture(autouse=True)
def _a_quiet_worker() -> Iterator[None]:
    cache.clear()
    stopping.forget()
    yield
    stopping.forget()


@pytest.fixture
def ida() -> User:
    return User.objects.create_user("ida")


def tables_with(items: int, *, quantity: str = "2 kg") -> bytes:
    """A ZIP of so many items, each with a lot."""
    codes = [f"ITEM-{number:05}" for number in range(items)]
    return packed(
        as_csv(
            {
                "items": [{"item": code, "name": f"Item {code}", "kind": "raw"} for code in codes],
                "lots": [{"item": code, "lot": "A", "quantity": quantity, "status": "released"} for code in codes],
            }
        )
    )


def ask_for_import(content: bytes, who: User | None = None, *, check_only: bool = False) -> Job:
    brought = services.Brought("tables.zip", "application/zip", content)
    return services.ask_for_import(brought=brought, check_only=check_only, who=who)


def on_hand_mg() -> int:
    return sum(Portion.objects.values_list("on_hand", flat=True))


def run(job: Job) -> str:
    told = running.run(job.uid)
    job.refresh_from_db()
    return told


def document(job: Job) -> Any:
    return orjson.loads(services.content_of(services.result_of(job)))


def counted(monkeypatch: pytest.MonkeyPatch) -> Steps:
    """Every step that a run counts."""
    steps: Steps = []
    plain = running.Watch.__call__

    def seen(watch: running.Watch, doing: str, done: int, of: int) -> None:
        steps.append((doing, done, of))
        plain(watch, doing, done, of)

    monkeypatch.setattr(running.Watch, "__call__", seen)
    return steps


# --- what comes of it --------------------------------------------------------------------------------------


def test_a_plan_in_the_background_is_the_plan(tmp_path: Path, ida: User) -> None:
    set_up(tmp_path)
    job = services.ask_for_plan(from_day=FROM, weeks=4, who=ida)
    assert (job.state, run(job), job.state, job.percent) == ("queued", "done", "done", 100)
    assert document(job) == planning.run_plan(from_day=FROM, weeks=4).document()
    assert job.starts == 1
    assert job.claim is None


def test_a_trace_in_the_background_is_the_trace(tmp_path: Path, ida: User) -> None:
    from planner import selectors

    set_up(tmp_path)
    job = services.ask_for_trace(lots=["hh 77 A"], items=["OIL"], forward=True, who=ida)
    assert run(job) == "done"
    assert document(job) == selectors.trace_of(selectors.find_each_lot(["O1"], ["OIL"]), forward=True)


def test_a_trace_of_a_lot_that_is_not_there_is_refused_when_it_is_asked_for(tmp_path: Path, ida: User) -> None:
    set_up(tmp_path)
    with pytest.raises(NotFound):
        services.ask_for_trace(lots=["NO-SUCH"], items=[], forward=True, who=ida)
    assert not Job.objects.exists()


def test_an_export_in_the_background_is_the_export(tmp_path: Path, ida: User) -> None:
    set_up(tmp_path)
    job = services.ask_for_export(form="zip", who=ida)
    assert run(job) == "done"
    file = services.result_of(job)
    assert file.media_type == "application/zip"
    assert services.content_of(file) == archive_bytes(exported_tables())


def test_an_import_in_the_background_is_written_in_the_name_of_who_asked(ida: User) -> None:
    job = ask_for_import(tables_with(3), ida)
    assert run(job) == "done"
    assert document(job)["added"] == {"items": 3, "lots": 3}
    assert {event.who for event in StockEvent.objects.all()} == {ida}
    assert not job.files.filter(part="brought").exists(), "what was brought is kept though it is not needed any more"


def test_an_import_that_only_checks_writes_nothing(ida: User) -> None:
    job = ask_for_import(tables_with(3), ida, check_only=True)
    assert run(job) == "done"
    assert document(job)["checked_only"] is True
    assert not Item.objects.exists()


def test_what_is_wrong_in_the_tables_is_told_by_the_job(ida: User) -> None:
    job = ask_for_import(tables_with(2, quantity="-400 g"), ida)
    assert (run(job), job.state) == ("failed", "failed")
    assert (job.refusal["status"], job.refusal["code"]) == (400, "tables_refused")
    assert [(one["file"], one["row"], one["value"]) for one in job.refusal["faults"]] == [
        ("lots.csv", 2, "-400 g"),
        ("lots.csv", 3, "-400 g"),
    ]
    assert not Item.objects.exists()
    assert not job.files.exists()
    with pytest.raises(WrongState):
        services.result_of(job)


def test_a_fault_of_the_program_is_told_without_its_words(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*args: Any, **kwargs: Any) -> None:
        raise RuntimeError("secret words")

    monkeypatch.setattr(kinds, "exported_tables", broken)
    job = services.ask_for_export(form="zip", who=ida)
    assert run(job) == "failed"
    assert job.refusal["code"] == "fault"
    assert "secret" not in str(job.refusal)


def test_a_result_that_is_too_large_is_refused(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kinds, "MOST_KEPT_BYTES", 10)
    job = services.ask_for_export(form="zip", who=ida)
    assert run(job) == "failed"
    assert (job.refusal["status"], job.refusal["code"]) == (413, "result_too_large")


# --- progress ----------------------------------------------------------------------------------------------


def test_an_import_counts_rows_checked_and_rows_written(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = counted(monkeypatch)
    assert run(ask_for_import(tables_with(1_200), ida)) == "done"
    checked = [done for doing, done, _ in steps if doing == "checking"]
    written = [done for doing, done, _ in steps if doing == "writing"]
    assert checked == [500, 1000, 1200, 1700, 2200, 2400]
    assert sorted(set(written)) == [1200, 2400]
    assert {of for doing, _, of in steps if doing != "reading"} == {2400}


def test_a_plan_counts_the_items_netted_level_by_level(
    tmp_path: Path, ida: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(tmp_path)
    steps = counted(monkeypatch)
    assert run(services.ask_for_plan(from_day=FROM, weeks=4, who=ida)) == "done"
    # RUB-50; then RUB and TIN; then OIL and WAX.
    assert [(done, of) for doing, done, of in steps if doing == "netting"] == [(1, 5), (3, 5), (5, 5)]


def test_an_export_counts_tables_read_and_rows_written(
    tmp_path: Path, ida: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(tmp_path)
    steps = counted(monkeypatch)
    assert run(services.ask_for_export(form="xlsx", who=ida)) == "done"
    reading = [(done, of) for doing, done, of in steps if doing == "reading"]
    assert reading == [(number, 14) for number in range(1, 15)]
    writing = [done for doing, done, _ in steps if doing == "writing"]
    assert writing == sorted(writing)
    assert writing[-1] == sum(exported_tables().written().values())


def test_the_percentage_only_grows_and_ends_below_a_hundred_until_it_is_done(ida: User) -> None:
    for kind, spec in kinds.KINDS.items():
        watch = running.Watch(Job(kind=kind), spec)
        seen = []
        for doing in spec.phases:
            for done in range(11):
                watch(doing, done, 10)
                seen.append(watch.percent)
        assert seen == sorted(seen)
        assert seen[0] == 0
        assert 90 < seen[-1] < 100


def seen_elsewhere(pk: int) -> dict[str, Any]:
    """A job as another connection sees it: that of a thread of its own."""
    found: list[dict[str, Any]] = []

    def look() -> None:
        from planner.api.jobs import job_row

        try:
            found.append(job_row(Job.objects.get(pk=pk)))
        except OperationalError as error:
            # Only the tests' database in memory knows a lock that keeps readers out.
            assert "locked" in str(error)  # noqa: PT017
        finally:
            connections.close_all()

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    return found[0] if found else {}


def test_how_far_an_import_has_come_is_seen_while_its_transaction_is_open(
    ida: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "BEAT_SECONDS", 0.05)
    told: list[dict[str, Any]] = []
    in_transaction: list[bool] = []
    plain = running.Watch.__call__

    def slow(watch: running.Watch, doing: str, done: int, of: int) -> None:
        plain(watch, doing, done, of)
        if doing == "writing" and not told:
            in_transaction.append(connection.in_atomic_block)
            watch._over.wait(0.5)
            if connection.vendor == "sqlite":
                # The cache is what tells; the test's database in memory lets nobody read beside a writer.
                told.append({name: getattr(sign, name) for sign in board.signs_of([(job.pk, watch.job.claim)]).values()
                             for name in ("percent", "doing")})  # fmt: skip
            else:
                told.append(seen_elsewhere(job.pk))

    monkeypatch.setattr(running.Watch, "__call__", slow)
    job = ask_for_import(tables_with(30), ida)
    assert run(job) == "done"
    assert in_transaction == [True]
    assert told[0]["doing"] == "writing"
    assert 55 <= told[0]["percent"] < 99


# --- twice, killed, cancelled ------------------------------------------------------------------------------


def test_a_bell_rung_twice_does_the_work_once(ida: User) -> None:
    job = ask_for_import(tables_with(3), ida)
    assert [run(job), run(job)] == ["done", "not due"]
    assert on_hand_mg() == 6_000_000
    assert running.run(uuid.uuid4()) == "not due"


def test_of_two_workers_one_takes_it_up(ida: User) -> None:
    job = services.ask_for_export(form="zip", who=ida)
    assert services.take_up(uid=job.uid) is not None
    assert services.take_up(uid=job.uid) is None


def test_no_more_run_at_once_than_leave_room_for_notices(ida: User) -> None:
    jobs = [services.ask_for_export(form="zip", who=ida) for _ in range(services.MOST_AT_ONCE + 1)]
    taken = [services.take_up(uid=job.uid) is not None for job in jobs]
    assert taken == [True] * services.MOST_AT_ONCE + [False]


def test_of_two_imports_the_second_waits_and_lets_others_pass(ida: User) -> None:
    first, second = (ask_for_import(tables_with(1), ida) for _ in range(2))
    export = services.ask_for_export(form="zip", who=ida)
    assert services.take_up(uid=first.uid) is not None
    assert services.take_up(uid=second.uid) is None
    assert services.take_up(uid=export.uid) is not None


def test_there_is_an_end_to_asking(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(services, "MOST_WAITING", 2)
    for _ in range(2):
        services.ask_for_export(form="zip", who=ida)
    with pytest.raises(Conflict) as refused:
        services.ask_for_export(form="zip", who=ida)
    assert refused.value.code == "too_many_jobs"


def silence(job: Job, for_: timedelta = services.LEASE * 2) -> None:
    """As a killed worker leaves it: running, and no sign of life any more."""
    Job.objects.filter(pk=job.pk).update(beat_at=clock.now() - for_)
    board.take_down(job.pk)


def test_what_a_killed_worker_left_is_done_by_another(ida: User) -> None:
    job = ask_for_import(tables_with(3), ida)
    dead = services.take_up(uid=job.uid)
    assert dead is not None
    assert services.sweep().taken_over == 0, "a job that lives is taken from its worker"
    silence(job)
    assert services.sweep() == services.Swept(rung=1, taken_over=1, given_up=0)
    assert (run(job), job.starts) == ("done", 2)
    assert on_hand_mg() == 6_000_000


def test_a_run_that_was_thought_dead_writes_nothing(ida: User) -> None:
    """Its machine slept: another worker has its job, and has done it, when it wakes."""
    job = ask_for_import(tables_with(3), ida)
    sleeping = services.take_up(uid=job.uid)
    assert sleeping is not None
    silence(job)
    services.sweep()
    assert run(job) == "done"
    assert running._run(sleeping) == "stopped"
    job.refresh_from_db()
    assert job.state == "done"
    assert on_hand_mg() == 6_000_000
    assert JobFile.objects.count() == 1


def test_its_end_and_what_it_wrote_are_one(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    """The claim is lost after the last row is written and before the end: all of it is undone."""
    job = ask_for_import(tables_with(3), ida)
    monkeypatch.setattr(services, "end", lambda **kwargs: False)
    assert run(job) == "stopped"
    assert not Item.objects.exists()


def test_a_sign_of_life_keeps_the_job_though_its_row_is_old(ida: User) -> None:
    job = services.ask_for_export(form="zip", who=ida)
    running_job = services.take_up(uid=job.uid)
    assert running_job is not None
    silence(job)
    assert board.put_up(running_job, 40, "reading")
    assert services.sweep().taken_over == 0
    cache.clear()  # as when Redis is emptied: filled again by the next beat
    assert board.put_up(running_job, 41, "reading")
    assert services.sweep().taken_over == 0


def test_a_job_that_kills_its_workers_is_given_up(ida: User) -> None:
    job = services.ask_for_export(form="zip", who=ida)
    for _ in range(services.MOST_STARTS):
        assert services.take_up(uid=job.uid) is not None
        silence(job)
        services.sweep()
    job.refresh_from_db()
    assert (job.state, job.refusal["code"]) == ("failed", "given_up")
    assert services.sweep().rung == 0


def test_a_database_that_is_away_leaves_the_job_to_the_sweep(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*args: Any, **kwargs: Any) -> None:
        raise OperationalError("server closed the connection unexpectedly")

    job = services.ask_for_export(form="zip", who=ida)
    with monkeypatch.context() as patched:
        patched.setattr(kinds, "exported_tables", away)
        with pytest.raises(OperationalError):
            running.run(job.uid)
    silence(job)
    services.sweep()
    assert run(job) == "done"


def test_a_lock_that_does_not_come_puts_it_back_and_not_for_ever(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*args: Any, **kwargs: Any) -> None:
        raise LockTimeout("somebody else is writing")

    monkeypatch.setattr(kinds, "load_tables", busy)
    job = ask_for_import(tables_with(1), ida)
    assert [run(job) for _ in range(services.MOST_STARTS)] == ["given back"] * (services.MOST_STARTS - 1) + ["failed"]
    assert job.refusal["code"] == "busy"


def test_what_waits_and_is_cancelled_is_never_begun(ida: User) -> None:
    job = ask_for_import(tables_with(3), ida)
    assert services.cancel(job=job, who=ida, may_cancel_all=False).state == "cancelled"
    assert run(job) == "not due"
    assert not Item.objects.exists()
    assert not job.files.exists()
    with pytest.raises(WrongState):
        services.cancel(job=job, who=ida, may_cancel_all=False)


def test_what_somebody_else_asked_for_is_cancelled_by_an_owner_only(ida: User) -> None:
    other = User.objects.create_user("otto")
    job = services.ask_for_export(form="zip", who=ida)
    with pytest.raises(Conflict):
        services.cancel(job=job, who=other, may_cancel_all=False)
    assert services.cancel(job=job, who=other, may_cancel_all=True).state == "cancelled"


@pytest.mark.parametrize("at", ["checking", "writing"])
def test_what_runs_and_is_cancelled_stops_between_two_steps_and_leaves_nothing(
    ida: User, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    monkeypatch.setattr(running, "BEAT_SECONDS", 0.02)
    plain = running.Watch.__call__
    cancelling: list[threading.Thread] = []

    def cancel() -> None:
        try:
            services.cancel(job=Job.objects.get(pk=job.pk), who=ida, may_cancel_all=False)
        finally:
            connections.close_all()

    def slow(watch: running.Watch, doing: str, done: int, of: int) -> None:
        plain(watch, doing, done, of)
        if doing == at and not cancelling:
            if connection.vendor == "sqlite" and connection.in_atomic_block:
                # As the first half of cancelling does: the row itself can be written when the import lets go.
                board.tell_to_stop(job.pk)
                cancelling.append(threading.Thread())
            else:
                cancelling.append(threading.Thread(target=cancel))
                cancelling[0].start()
            for _ in range(200):
                if watch.lost:
                    break
                watch._over.wait(0.02)

    monkeypatch.setattr(running.Watch, "__call__", slow)
    job = ask_for_import(tables_with(30), ida)
    assert run(job) == "stopped"
    if cancelling[0].ident:
        cancelling[0].join()
    else:
        services.cancel(job=job, who=ida, may_cancel_all=False)
    job.refresh_from_db()
    assert job.state == "cancelled"
    assert not Item.objects.exists()


def test_a_worker_that_is_told_to_stop_gives_its_job_back(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = running.Watch.__call__

    def told(watch: running.Watch, doing: str, done: int, of: int) -> None:
        if doing == "checking":
            stopping.tell()
        plain(watch, doing, done, of)

    monkeypatch.setattr(running.Watch, "__call__", told)
    job = ask_for_import(tables_with(3), ida)
    assert (run(job), job.state, job.starts) == ("given back", "queued", 0)
    assert run(job) == "stopping"
    monkeypatch.setattr(running.Watch, "__call__", plain)
    stopping.forget()
    assert run(job) == "done"
    assert on_hand_mg() == 6_000_000


def test_what_takes_too_long_ends_with_the_reason(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "LONGEST_SECONDS", -1)
    job = services.ask_for_export(form="zip", who=ida)
    assert run(job) == "failed"
    assert job.refusal["code"] == "took_too_long"


# --- bells and sweeping ------------------------------------------------------------------------------------


@pytest.fixture
def bells(monkeypatch: pytest.MonkeyPatch) -> list[uuid.UUID]:
    rung: list[uuid.UUID] = []
    monkeypatch.setattr(services, "ring", rung.append)
    return rung


def test_a_bell_is_rung_when_the_row_is_there_and_not_before(ida: User, bells: list[uuid.UUID]) -> None:
    from django.db import transaction

    with transaction.atomic():
        job = services.ask_for_export(form="zip", who=ida)
        assert bells == []
    assert bells == [job.uid]


def test_a_broker_that_is_away_refuses_nobody(ida: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(uid: uuid.UUID) -> None:
        raise app.connection().recoverable_connection_errors[0]("no broker")

    monkeypatch.setattr(services, "ring", away)
    assert services.ask_for_export(form="zip", who=ida).state == "queued"


def test_a_lost_bell_is_rung_again_by_the_sweep(ida: User, bells: list[uuid.UUID]) -> None:
    jobs = [services.ask_for_export(form="zip", who=ida) for _ in range(3)]
    bells.clear()  # as when Redis is emptied
    tasks.sweep_jobs()
    assert bells == [job.uid for job in jobs]


def test_who_ends_rings_for_the_next(ida: User, bells: list[uuid.UUID]) -> None:
    first, second = (services.ask_for_export(form="zip", who=ida) for _ in range(2))
    bells.clear()
    tasks.run_job(str(first.uid))
    assert bells == [second.uid]


def test_results_are_kept_for_a_week_and_jobs_for_ninety_days(ida: User) -> None:
    job = services.ask_for_export(form="zip", who=ida)
    run(job)
    Job.objects.filter(pk=job.pk).update(ended_at=clock.now() - services.FILES_KEPT + timedelta(minutes=1))
    assert services.sweep_away() == 0
    Job.objects.filter(pk=job.pk).update(ended_at=clock.now() - services.FILES_KEPT - timedelta(minutes=1))
    tasks.sweep_jobs_away()
    with pytest.raises(NotFound) as gone:
        services.result_of(Job.objects.get(pk=job.pk))
    assert gone.value.code == "result_gone"
    Job.objects.filter(pk=job.pk).update(ended_at=clock.now() - services.JOBS_KEPT - timedelta(minutes=1))
    services.sweep_away()
    assert not Job.objects.exists()


def test_what_waits_is_never_swept_away(ida: User) -> None:
    job = ask_for_import(tables_with(1), ida)
    Job.objects.filter(pk=job.pk).update(asked_at=clock.now() - services.JOBS_KEPT * 2)
    services.sweep_away()
    assert run(job) == "done"


def test_the_beat_knows_the_sweeps_by_their_names() -> None:
    app.loader.import_default_modules()
    for entry in app.conf.beat_schedule.values():
        assert entry["task"] in app.tasks
