"""A service that is broken on purpose, and what must be true when it has recovered.

On a server: the parts of docker-compose.yml on a PostgreSQL and a Redis of their own. On SQLite: ``serve``, its file on
a small disk. What is due is prepared as of a morning at which nobody was told yet: each person has upkeep of the day,
and so a letter to come.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.faults.load import FIRST_GRAMS, ITEM, LOT, on_hand_grams
from tests.processes.compose import PROXY_HEADERS, Service
from tests.processes.machinery import (
    Client,
    Cluster,
    Mailbox,
    Program,
    Redis,
    first_person,
    mailbox,
    own_postgres,
    own_redis,
    programs,
    run_command,
    wait_for,
    zip_of_stock,
)

ZIP = "application/zip"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one fault did, after recovery. ``lost``: due and not told, or written and gone; ``doubled``: told as another
    notice, or written twice. A repeat of one mail bears its Message-ID and is counted apart."""

    fault: str
    tries: int
    lost: int
    doubled: int
    beside: str


_PREPARE = """
import json
from datetime import date
from django.contrib.auth.models import Group, User
from django.db import transaction
from inventory import clock
from planner.notices.models import SourceLook
from planner.notices.upkeep import make_job
with transaction.atomic():
    for name in json.loads({names!r}):
        person = User(username=name, email=name + "@shed.example")
        person.set_unusable_password()
        person.save()
        person.groups.add(Group.objects.get(name="helper"))
        values = {{"name": "Calibrate the scale of " + name, "first_on": clock.today(), "person": person}}
        make_job(code="SCALE-" + name, values=values)
    SourceLook.objects.filter(name="morning").delete()  # as before the day's look: the letters go out today
"""

_TOLD = """
import json
from planner.notices.models import Mail, Notice, Telling
names = json.loads({names!r})
notices = Notice.objects.filter(kind="upkeep", person__username__in=names)
print("TOLD" + json.dumps({{
    "notices": notices.count(),
    "untold": Telling.objects.filter(notice__in=notices, told_at=None).count()
        + notices.filter(next_at__isnull=False, stage_on=None).count(),
    "letters": {{mail.recipient.username: mail.message_id
        for mail in Mail.objects.filter(recipient__username__in=names, state="sent").select_related("recipient")}},
}}))
"""


@dataclass
class Stage:
    """The running service, whoever serves it."""

    client: Client
    environment: Mapping[str, str]
    box: Mailbox
    start: Callable[..., Program]
    parts: dict[str, Program] = field(default_factory=dict)
    taken: int = 0  # grams that people were told they took
    brought: int = 0  # items that imports brought

    def furnish(self) -> None:
        """An owner, an early morning, and one lot that everybody takes from."""
        first_person(self.environment)
        wait_for("answer of the server", self.client.answers, 120)
        self.client.sign_in()
        self.client.send("PATCH", "/api/v1/settings", {"morning": "00:00"})
        self.client.post("items", {"item": ITEM, "name": "White clay", "kind": "raw"})
        row = {"item": ITEM, "lot": LOT, "quantity": f"{FIRST_GRAMS} g", "status": "released"}
        self.client.post("opening-stock", {"rows": [row], "why": "first count"})

    def prepare_letters(self, names: list[str]) -> None:
        run_command("shell", "-c", _PREPARE.format(names=json.dumps(names)), environment=self.environment)

    def told(self, names: list[str]) -> dict[str, Any]:
        said = run_command("shell", "-c", _TOLD.format(names=json.dumps(names)), environment=self.environment)
        found: dict[str, Any] = json.loads(said[said.index("TOLD") + 4 :])
        return found

    def came(self, names: list[str]) -> int:
        """How many of these people got a letter."""
        by_person = self.box.ids_by_person()
        return sum(f"{name}@shed.example" in by_person for name in names)

    def wait_for_letters(self, names: list[str], seconds: float) -> None:
        wait_for("letter for everybody", lambda: self.came(names) == len(names), seconds, 0.5)
        wait_for("record that all are told", lambda: self.told(names)["untold"] == 0, 240, 8)  # each look is a program

    def judge_letters(self, names: list[str]) -> tuple[int, int]:
        """Lost and doubled, by the records and by the mailbox."""
        told, by_person = self.told(names), self.box.ids_by_person()
        lost = told["untold"] + max(0, len(names) - told["notices"])
        doubled = max(0, told["notices"] - len(names))
        for name in names:
            came = by_person.get(f"{name}@shed.example", set())
            lost += not came
            doubled += len(came - {told["letters"].get(name)})
        return lost, doubled

    def import_job(self, prefix: str, items: int) -> str:
        """Ask for an import of so many items, each with a lot."""
        self.brought += items
        tables = zip_of_stock(prefix, items)
        answer = self.client.send("POST", "/api/v1/jobs/import", tables, **{"Content-Type": ZIP})
        return str(answer["job"])

    def job(self, uid: str) -> Any:
        return self.client.get(f"jobs/{uid}")

    def wait_for_job(self, uid: str, seconds: float = 180) -> Any:
        return wait_for(
            "end of the job", lambda: (row := self.job(uid))["state"] in ("done", "failed") and row, seconds, 0.5
        )

    def judge_jobs(self, uids: list[str]) -> int:
        """How many were not done."""
        ended = [self.wait_for_job(uid) for uid in uids]
        for row in ended:
            if row["state"] != "done":
                print(f"job {row['job']}: {row['state']}, {row['problem']}")
        return sum(row["state"] != "done" for row in ended)

    def judge_stock(self) -> tuple[int, int]:
        """Lost and doubled: grams beside those that were answered for, items of imports, differences in the books."""
        missing = (FIRST_GRAMS - self.taken) - on_hand_grams(self.client)  # taken twice above 0, not taken below
        verified = json.loads(run_command("verify_ledger", "--json", environment=self.environment))
        brought = self.client.get("counts")["items"] - 1 - self.brought
        wrong = len(verified["differences"])
        lost = max(0, -missing) + max(0, -brought) + wrong
        return lost, max(0, missing) + max(0, brought)


@dataclass
class Server(Stage):
    """On PostgreSQL and Redis, with the commands and variables of docker-compose.yml."""

    service: Service | None = None
    database: Cluster | None = None
    redis: Redis | None = None

    def begin(self, name: str, called: str = "") -> Program:
        """Start a part of the file; ``called`` tells two of one kind apart."""
        assert self.service is not None
        command, environment = self.service.part(name)
        if called and name == "beat":  # each beat keeps a schedule of its own, as each container does
            command = [f"{word}-{called}" if word.endswith("/beat") else word for word in command]
        if called and name == "worker":
            command = [*command, "--hostname", f"{called}@%h"]
        self.parts[called or name] = self.start(called or name, command, environment)
        return self.parts[called or name]


@contextlib.contextmanager
def server(folder: Path, seconds_each_mail: float = 0.5) -> Iterator[Server]:
    with (
        mailbox(seconds_each_mail) as box,
        own_postgres(folder) as database,
        own_redis(folder) as redis,
        programs(folder) as start,
    ):
        service = Service.described(folder, database, redis, EMAIL_URL=box.url)
        _, environment = service.part("migrate")
        run_command("migrate", "--noinput", environment=environment, seconds=300)
        found = Server(
            client=Client(service.base, headers=dict(PROXY_HEADERS)),
            environment=environment,
            box=box,
            start=start,
            service=service,
            database=database,
            redis=redis,
        )
        for name in ("web", "worker", "beat"):
            found.begin(name)
        found.furnish()
        yield found


def names_of(fault: str, count: int) -> list[str]:
    return [f"{fault}-{number:02}" for number in range(count)]
