"""The whole service as docker-compose.yml describes it: web, worker and beat as processes, on PostgreSQL and Redis."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from planner.exchange.archive import packed
from tests.planner.api.test_main_job import main_job
from tests.planner.exchange.workshop import as_csv
from tests.processes.compose import PROXY_HEADERS, Service, filled_in
from tests.processes.machinery import (
    ROOT,
    Client,
    Program,
    Refused,
    first_person,
    has_servers,
    own_postgres,
    own_redis,
    programs,
    run_command,
    wait_for,
    zip_of_stock,
)

ZIP = "application/zip"
MANY = 6_000
IN_TIME_SECONDS = 30  # docker-compose.yml gives 60


def test_variables_are_filled_in_as_the_file_says() -> None:
    values = {"A": "1", "B": ""}
    assert filled_in("${A:?why} ${B:-two} ${C:-} $$A ${A}", values) == "1 two  $A 1"
    with pytest.raises(AssertionError, match="why"):
        filled_in("${B:?why}", values)


class Whole:
    """The running service."""

    def __init__(self, service: Service, start: Any) -> None:
        self.service, self.start = service, start
        self.parts: dict[str, Program] = {}
        self.client = Client(service.base, headers=dict(PROXY_HEADERS))

    def begin(self) -> None:
        command, environment = self.service.part("migrate")
        assert command[0] == "python"
        run_command(*command[2:], environment=environment, seconds=300)
        first_person(environment)
        for name in ("web", "worker", "beat"):
            self.parts[name] = self.start(name, *self.service.part(name))
        wait_for("answer of the web server", self.client.answers, 90)

    def is_well(self, name: str) -> bool:
        """By the health check of the file."""
        command, (_, environment) = self.service.probe(name), self.service.part(name)
        done = subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, check=False)
        return done.returncode == 0

    def job(self, uid: str, seconds: float = 60) -> Any:
        return wait_for(
            "end of the job",
            lambda: (row := self.client.get(f"jobs/{uid}"))["state"] in ("done", "failed") and row,
            seconds,
        )


@pytest.fixture
def whole(tmp_path: Path) -> Iterator[Whole]:
    if not has_servers():
        pytest.skip("this machine has no programs of PostgreSQL and Redis")
    with own_postgres(tmp_path) as database, own_redis(tmp_path) as redis, programs(tmp_path) as start:
        found = Whole(Service.described(tmp_path, database, redis), start)
        found.begin()
        yield found


@pytest.mark.slow
def test_the_main_job_and_work_in_the_background(whole: Whole) -> None:
    for name in ("web", "worker", "beat"):
        wait_for(f"health of {name}", lambda name=name: whole.is_well(name), 90, 1)
    main_job(whole.service.base, dict(PROXY_HEADERS))

    client = whole.client.sign_in()
    client.send("PATCH", "/api/v1/settings", {"morning": "00:00"})
    plan = client.post("jobs/plan", {"weeks": 8})["job"]
    assert whole.job(plan)["state"] == "done"
    assert client.get(f"jobs/{plan}/result") == client.get("plan?weeks=8")
    tables = client.post("jobs/export", {"format": "zip"})["job"]
    assert whole.job(tables)["result"]["media_type"] == ZIP
    clay = packed(as_csv({"items": [{"item": "CLAY", "name": "White clay", "kind": "raw"}]}))
    brought = client.send("POST", "/api/v1/jobs/import", clay, **{"Content-Type": ZIP})["job"]
    assert whole.job(brought)["state"] == "done"
    assert client.get("items/CLAY")["name"] == "White clay"
    wrong = packed(as_csv({"items": [{"item": "CLAY", "name": "White clay", "kind": "mud"}]}))
    refused = client.send("POST", "/api/v1/jobs/import", wrong, **{"Content-Type": ZIP})["job"]
    assert whole.job(refused)["problem"]["code"] == "tables_refused"
    # The beat rang for the day's look, and the worker took it.
    wait_for("day's look at the plan", lambda: client.get("reviews")["rows"], 100, 0.5)

    for name, part in whole.parts.items():
        assert part.is_alive(), f"{name} ended by itself:\n{part.said()}"
    for name, part in whole.parts.items():
        assert part.stop(IN_TIME_SECONDS) < IN_TIME_SECONDS
        assert part.process is not None
        assert part.process.returncode == 0, f"{name}: {part.said()}"
        assert "Traceback" not in part.said(100_000), part.said()


@pytest.mark.slow
def test_a_worker_that_is_stopped_gives_heavy_work_to_the_next_and_progress_is_seen(whole: Whole) -> None:
    client = whole.client.sign_in()
    tables = zip_of_stock("ITEM", MANY)
    job = client.send("POST", "/api/v1/jobs/import", tables, **{"Content-Type": ZIP})["job"]
    # Its transaction is open: nothing of it is there, but how far it has come is seen by everybody.
    seen = wait_for("progress", lambda: (row := client.get(f"jobs/{job}"))["percent"] > 10 and row, 60, 0.05)
    assert (seen["state"], seen["doing"] in ("checking", "writing")) == ("running", True)
    with pytest.raises(Refused):
        client.get("items/ITEM-00000")

    assert whole.parts["worker"].stop(IN_TIME_SECONDS) < IN_TIME_SECONDS
    assert client.get(f"jobs/{job}")["state"] == "queued"
    whole.parts["worker"] = whole.start("worker-again", *whole.service.part("worker"))
    assert whole.job(job, 90)["state"] == "done"
    assert client.get("counts")["stock_events"] == MANY
    assert client.get("verification")["ok"] is True
