"""Health, request ids, logs and metrics: what somebody who watches the service sees."""

from __future__ import annotations

import io
import json
import logging
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from planner.celery import app
from planner.operations import health, logs, metrics, probe, queue, request_ids
from planner.operations.tasks import hear_the_bell

ROOT = Path(__file__).resolve().parents[2]


# --- health ------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_it_is_ready_when_database_tables_and_broker_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queue, "reached", lambda: None)
    answer = Client().get("/readyz")
    assert answer.status_code == 200
    assert answer.json() == {
        "status": "ready",
        "parts": {"database": "reached", "tables": "up_to_date", "broker": "in_this_process"},
    }


@pytest.mark.django_db
@pytest.mark.parametrize("missing", ["database", "tables", "broker"])
def test_it_is_not_ready_when_one_is_missing_and_tells_a_stranger_no_more(
    monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    from django.db import DatabaseError, connection

    monkeypatch.setattr(queue, "reached", lambda: missing != "broker")
    monkeypatch.setattr(health._Known, "up_to_date", False)
    if missing == "tables":
        monkeypatch.setattr(health.MigrationExecutor, "migration_plan", lambda *_: ["one"])
    if missing == "database":

        def gone() -> Any:
            raise DatabaseError("password authentication failed for user weighhouse")

        monkeypatch.setattr(connection, "cursor", gone)
        monkeypatch.setattr(connection, "close", lambda: None)
    answer = Client().get("/readyz")
    assert (answer.status_code, answer.json()["status"]) == (503, "not_ready")
    assert answer.json()["parts"][missing] in (health.NOT_REACHED, health.BEHIND)
    assert "password" not in answer.content.decode()


def test_the_probe_believes_no_old_sign_of_life(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HEARTBEAT_FOLDER", str(tmp_path))
    assert probe.main(["worker"]) == 1
    (tmp_path / "worker").touch()
    assert probe.main(["worker"]) == 0

    old = time.time() - 60
    os.utime(tmp_path / "worker", (old, old))
    assert probe.main(["worker"]) == 1
    assert "60 seconds old" in capsys.readouterr().err
    assert probe.main(["cellar"]) == 2


def test_the_probe_of_the_web_server_fails_where_nothing_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PORT", "1")
    assert probe.main(["web"]) == 1


@pytest.mark.parametrize(
    ("hosts", "asked"),
    [("house.example,other.example", "house.example"), (".house.example", "house.example"), ("*", "localhost")],
)
def test_the_probe_asks_under_a_name_that_the_server_takes(
    monkeypatch: pytest.MonkeyPatch, hosts: str, asked: str
) -> None:
    told: dict[str, str] = {}

    def request(self: Any, method: str, path: str, headers: dict[str, str]) -> None:
        told.update(headers)
        raise OSError("enough is known")

    monkeypatch.setenv("ALLOWED_HOSTS", hosts)
    monkeypatch.setattr("http.client.HTTPConnection.request", request)
    assert probe.main(["web"]) == 1
    assert told == {"Host": asked}


# --- request ids and logs ----------------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_well_formed_id_is_taken_and_any_other_replaced() -> None:
    def answered(told: str) -> str:
        return str(Client().get("/healthz", headers={"X-Request-ID": told}).headers["X-Request-ID"])

    assert answered("order-77.retry_2") == "order-77.retry_2"
    for bad in ("", "short", "x" * 65, "with space 123", "new\tline-123", '"quoted-123"', "<b>bold-123", "ümlaut-123"):
        assert re.fullmatch(r"[0-9a-f]{32}", answered(bad)), bad


@pytest.fixture
def lines() -> Any:
    """What is logged while the test runs, as JSON objects."""
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(logs.JsonLines())
    handler.addFilter(logs.WithRequestId())
    handler.addFilter(logs.WithoutAddress())
    root = logging.getLogger()
    level, before = root.level, root.handlers[:]
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in stream.getvalue().splitlines()]
    root.removeHandler(handler)
    root.setLevel(level)
    assert before == [one for one in root.handlers if one is not handler]


@pytest.mark.django_db
def test_each_request_is_one_line_that_holds_no_code_and_no_secret(lines: Any) -> None:
    Client().get("/calendar/a-secret-of-somebody.ics?password=x", headers={"X-Request-ID": "visit-0001"})
    (line,) = [one for one in lines() if one["logger"] == "planner.requests"]
    assert (line["request_id"], line["method"], line["route"], line["status"]) == ("visit-0001", "GET", "calendar", 404)
    assert line["milliseconds"] >= 0
    assert "secret" not in json.dumps(lines())


def test_what_is_refused_or_breaks_tells_no_address_either(lines: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    visitor = Client(raise_request_exception=False, enforce_csrf_checks=True)
    assert visitor.post("/calendar/a-secret-of-somebody.ics").status_code == 403
    monkeypatch.setattr("planner.notices.pages.whose_calendar", lambda token: 1 / 0)
    assert visitor.get("/calendar/a-secret-of-somebody.ics").status_code == 500
    messages = [one["message"] for one in lines() if one["logger"].startswith("django.")]
    assert messages == ["Forbidden (CSRF cookie not set.): calendar", "Internal Server Error: calendar"]
    assert "a-secret" not in json.dumps(lines())
    assert logs.configuration("json", "INFO")["handlers"]["console"]["filters"] == ["request_id", "no_address"]


def test_a_line_break_in_a_message_makes_no_second_line_and_an_exception_is_told(lines: Any) -> None:
    try:
        raise ValueError("broken\nin two")
    except ValueError:
        logging.getLogger("anywhere").exception("it\nfailed", extra={"item": "WAX"})
    (line,) = lines()
    assert (line["message"], line["item"], line["level"]) == ("it\nfailed", "WAX", "ERROR")
    assert "ValueError: broken" in line["exception"]


def test_a_task_runs_under_the_id_of_the_request_that_called_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the broker, as a worker gets it: published by one, carried out by another."""
    from celery.contrib.testing.worker import start_worker

    seen: list[str] = []
    monkeypatch.setattr(queue, "hear", lambda: seen.append(request_ids.current()))
    with start_worker(app, pool="solo", perform_ping_check=False, shutdown_timeout=20):
        with request_ids.carried("request-of-ida"):
            hear_the_bell.delay()
        hear_the_bell.delay()
        end = time.monotonic() + 20
        while len(seen) < 2 and time.monotonic() < end:
            time.sleep(0.05)
    assert seen[0] == "request-of-ida"
    assert re.fullmatch(r"[0-9a-f]{32}", seen[1])
    assert request_ids.current() == ""


# --- metrics -----------------------------------------------------------------------------------------------


def measured(settings: Any) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    settings.METRICS_TOKEN = "look"
    told = Client().get("/metrics", headers={"Authorization": "Bearer look"}).content.decode()
    return {
        (one.name, frozenset(one.labels.items())): one.value
        for family in text_string_to_metric_families(told)
        for one in family.samples
    }


def key(name: str, **labels: str) -> tuple[str, frozenset[tuple[str, str]]]:
    return name, frozenset(labels.items())


@pytest.mark.django_db
def test_requests_are_counted_by_route_and_status_never_by_address(settings: Any) -> None:
    name = key("weighhouse_requests_total", method="GET", route="healthz", status="200")
    lost = key("weighhouse_requests_total", method="GET", route="none", status="404")
    before = measured(settings)
    for number in range(3):
        Client().get("/healthz")
        Client().get(f"/nothing/{number}")
    after = measured(settings)
    assert after[name] == before.get(name, 0) + 3
    assert after[lost] == before.get(lost, 0) + 3
    assert not any("nothing" in str(labels) for _, labels in after)
    count = key("weighhouse_request_seconds_count", method="GET", route="healthz")
    assert after[count] == before.get(count, 0) + 3


@pytest.mark.django_db
def test_plans_are_timed(settings: Any) -> None:
    from inventory import clock
    from planner.services import run_plan

    before = measured(settings)[key("weighhouse_plan_seconds_count")]
    run_plan(from_day=clock.today(), weeks=1)
    assert measured(settings)[key("weighhouse_plan_seconds_count")] == before + 1


@pytest.mark.django_db
def test_queue_bell_and_notices_are_looked_at_when_asked(settings: Any) -> None:
    cache.clear()
    assert key("weighhouse_beat_silence_seconds") not in measured(settings)
    queue.hear()
    found = measured(settings)
    assert found[key("weighhouse_notice_lag_seconds")] == 0
    assert 0 <= found[key("weighhouse_beat_silence_seconds")] < 60
    assert found[key("weighhouse_queue_depth")] >= 0
    for name, _, _ in metrics.SOURCES:
        assert found[key("weighhouse_source_failed", source=name)] == 0


@pytest.mark.django_db
def test_a_source_that_fails_is_named_and_the_others_are_told(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> float:
        raise RuntimeError("no")

    monkeypatch.setattr(queue, "depth", broken)
    queue.hear()
    found = measured(settings)
    assert found[key("weighhouse_source_failed", source="weighhouse_queue_depth")] == 1
    assert key("weighhouse_queue_depth") not in found
    assert key("weighhouse_beat_silence_seconds") in found


def test_several_processes_are_added_up(tmp_path: Path) -> None:
    """As web workers of gunicorn and the worker share one folder: each writes its own files, any tells the sum."""

    counting = (
        "from planner.operations import metrics\n"
        "metrics.REQUESTS.labels('GET', 'items', '200').inc(int(__import__('sys').argv[1]))\n"
    )
    told = os.environ | {"PROMETHEUS_MULTIPROC_DIR": str(tmp_path / "counts")}
    for times in ("2", "5"):
        subprocess.run([sys.executable, "-c", counting, times], cwd=ROOT, env=told, check=True)
    telling = (
        "from prometheus_client import CollectorRegistry, generate_latest, multiprocess\n"
        "from planner.operations import metrics\n"
        "registry = CollectorRegistry(); multiprocess.MultiProcessCollector(registry)\n"
        "print(generate_latest(registry).decode())\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", telling], cwd=ROOT, env=told, check=True, capture_output=True, text=True
    )
    assert 'weighhouse_requests_total{method="GET",route="items",status="200"} 7.0' in done.stdout


def test_counts_of_a_machine_that_is_long_gone_are_forgotten(tmp_path: Path) -> None:

    for name, days in (("counter_old-1.db", 8), ("counter_new-1.db", 1)):
        (tmp_path / name).touch()
        moment = time.time() - days * 86_400
        os.utime(tmp_path / name, (moment, moment))
    assert metrics.forget_old(tmp_path, time.time()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["counter_new-1.db"]
