"""``serve`` on SQLite, killed without a word and started again: what was due is done, once, and nothing is lost."""

from __future__ import annotations

import sqlite3
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tests.processes.machinery import (
    Client,
    Mailbox,
    Program,
    Refused,
    first_person,
    free_port,
    mailbox,
    plain_environment,
    programs,
    run_command,
    wait_for,
    zip_of_stock,
)

pytestmark = pytest.mark.slow
TODAY = date.today().isoformat()  # noqa: DTZ011
ZIP = "application/zip"
MANY = 4_000


class House:
    """The one-process form on a file, with a mailbox."""

    def __init__(self, folder: Path, start: Any, box: Mailbox) -> None:
        self.file, self.start_program = folder / "house.sqlite3", start
        self.port = free_port()
        self.environment = plain_environment(DATABASE_URL=f"sqlite:///{self.file}", EMAIL_URL=box.url)
        run_command("stock", "--json", environment=self.environment)
        first_person(self.environment)
        self.client = Client(f"http://127.0.0.1:{self.port}")
        self.program: Program | None = None

    def serve(self) -> Program:
        command = [sys.executable, "manage.py", "serve", "--port", str(self.port)]
        self.program = self.start_program("serve", command, self.environment)
        wait_for("answer of the server", self.client.answers, 90)
        return self.program

    def put_down_upkeep(self, *, jobs: int) -> None:
        """Upkeep of today, told by letter from the first minute of the day, before anything has run."""
        told = f"""
from datetime import date
from django.contrib.auth.models import User
from inventory.services.workshop import change_settings
from planner.notices import upkeep
change_settings(values={{"morning": "00:00"}})
about = {{"first_on": date.fromisoformat("{TODAY}"), "person": User.objects.get()}}
for number in range({jobs}):
    upkeep.make_job(code=f"SCALE-{{number}}", values=about | {{"name": f"Calibrate scale {{number}}"}})
"""
        run_command("shell", "-c", told, environment=self.environment)

    def ask_without_a_worker(self, *, imports: int, plans: int, exports: int) -> None:
        """Ask for jobs in a process that has no worker: their bells are lost with it."""
        told = f"""
from datetime import date
from django.contrib.auth.models import User
from planner.jobs import services
from tests.processes.machinery import zip_of_stock
from tests.processes.test_embedded import MANY, ZIP
who = User.objects.get()
brought = services.Brought("tables.zip", ZIP, zip_of_stock("ITEM", MANY))
for _ in range({imports}):
    services.ask_for_import(brought=brought, check_only=False, who=who)
for _ in range({plans}):
    services.ask_for_plan(from_day=date.fromisoformat("{TODAY}"), weeks=4, who=who)
for _ in range({exports}):
    services.ask_for_export(form="zip", who=who)
"""
        run_command("shell", "-c", told, environment=self.environment)

    def ask(self, question: str) -> list[Any]:
        with sqlite3.connect(f"file:{self.file}?mode=ro", uri=True, timeout=30) as looking:
            return looking.execute(question).fetchall()

    def states(self) -> dict[str, str]:
        return dict(self.ask("SELECT replace(uid, '-', ''), state FROM planner_job"))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with mailbox() as box, programs(tmp_path) as start:
        found = House(tmp_path, start, box)
        found.box = box  # type: ignore[attr-defined]
        yield found


def test_what_was_due_when_it_was_killed_is_done_after_it_was_started_again(house: House) -> None:
    # Due at once: upkeep of today, told by letter; and heavy work, more than runs at once. The upkeep is there before
    # the day's look: what comes after that waits for the next morning's letter.
    house.put_down_upkeep(jobs=5)
    program = house.serve()
    client = house.client.sign_in()
    program.kill()
    house.ask_without_a_worker(imports=2, plans=3, exports=3)
    program = house.serve()
    wait_for("import that is at work", lambda: client.get("jobs?kind=import&state=running")["rows"], 60, 0.02)
    wait_for(
        "import that writes",
        lambda: {row["doing"] for row in client.get("jobs?kind=import")["rows"]} & {"checking", "writing"},
        60,
        0.02,
    )
    program.kill()
    left = Counter(house.states().values())
    assert left["running"] >= 1
    assert left["queued"] >= 1
    assert house.ask("SELECT count(*) FROM inventory_item") == [(0,)], "half an import was kept"

    house.serve()
    wait_for("end of all jobs", lambda: set(house.states().values()) == {"done"}, 120, 0.5)
    # Killed in the middle of the day's look, its claim holds for five minutes before another takes it.
    wait_for("look at the plan", lambda: house.ask("SELECT 1 FROM planner_review WHERE finished_at IS NOT NULL"), 420)
    wait_for("letter", lambda: house.box.messages, 180)  # type: ignore[attr-defined]
    told = "SELECT count(*) FROM planner_notice WHERE kind = 'upkeep' AND stage_on IS NOT NULL"
    wait_for("notice of every upkeep", lambda: house.ask(told) == [(5,)], 60)
    assert house.ask("SELECT count(*), sum(on_hand) FROM inventory_portion") == [(MANY, MANY * 2_000_000)]
    assert client.get("verification")["ok"] is True
    for row in client.get("jobs?kind=plan")["rows"]:
        assert client.get(f"jobs/{row['job']}/result")["from"] == TODAY
    letters = " ".join(str(message.get_body(("plain",))) for message in house.box.messages)  # type: ignore[attr-defined]
    for number in range(5):
        assert f"Calibrate scale {number}" in letters


def test_it_is_stopped_in_time_and_gives_back_what_it_was_at(house: House) -> None:
    program = house.serve()
    client = house.client.sign_in()
    job = client.send("POST", "/api/v1/jobs/import", zip_of_stock("ITEM", MANY), **{"Content-Type": ZIP})["job"]
    wait_for("import that runs", lambda: client.get(f"jobs/{job}")["doing"] in ("checking", "writing"), 60, 0.02)
    assert program.stop(20) < 20
    assert program.process is not None
    assert program.process.returncode == 0
    assert "Traceback" not in program.said()
    assert list(house.states().values()) == ["queued"]
    house.serve()
    # Without the lease: it was given back, not left behind.
    wait_for("end of the import", lambda: list(house.states().values()) == ["done"], 25, 0.2)
    assert house.ask("SELECT sum(on_hand) FROM inventory_portion") == [(MANY * 2_000_000,)]


def test_pages_and_what_is_cancelled_do_not_wait_for_heavy_work(house: House) -> None:
    house.serve()
    client = house.client.sign_in()
    job = client.send("POST", "/api/v1/jobs/import", zip_of_stock("ITEM", 5 * MANY), **{"Content-Type": ZIP})["job"]
    seen = wait_for("progress", lambda: (row := client.get(f"jobs/{job}"))["percent"] > 10 and row, 60, 0.02)
    assert (seen["state"], seen["doing"] in ("checking", "writing")) == ("running", True)
    assert client.post(f"jobs/{job}/cancel")["state"] == "cancelled"
    assert house.ask("SELECT count(*) FROM inventory_item") == [(0,)]
    with pytest.raises(Refused) as refused:
        client.get(f"jobs/{job}/result")
    assert refused.value.status == 409
