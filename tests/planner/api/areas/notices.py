"""Notices, upkeep, and a person's own letters, absence and calendar."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.utils import timezone

from inventory.models import Lot
from planner.notices import acts, upkeep
from planner.notices.looking import begin, look_at
from planner.notices.models import Notice, Upkeep
from planner.selectors import get_lots
from planner.services import decide_affected

UID = UUID("3a2f1b5e-6f2b-4a53-9d51-3c1f9a7f0b10")
OF_SCALE = {"upkeep-job", "upkeep-done"}


def prepare(operation: tuple[str, str]) -> None:
    route = operation[1]
    if route in {"notices", "notice", "notice-done", "notice-put-off", "notice-reopen"}:
        _wax_is_held()
    if route == "notice-reopen":
        owner = User.objects.get(username="owner")
        acts.mark_done(notice=Notice.objects.get(uid=UID), why="asked the supplier for a paper", who=owner)
    if route in OF_SCALE or operation == ("GET", "upkeep"):
        values = {"name": "Check the small scale with its weight", "note": "20 g, twice", "every": 1, "unit": "month"}
        upkeep.make_job(code="SCALE-1", values=values | {"first_on": date(2027, 3, 1), "role": "maker"})


def _wax_is_held() -> None:
    decide_affected(origins=get_lots([("WAX", "W1")]), status=Lot.Status.HELD, why="the supplier doubts its purity")
    look_at(begin(), "lot_held")
    Notice.objects.update(uid=UID, by_day=f"2027-03-01 {UID}")


def _notices(count: int) -> None:
    now: datetime = timezone.now()
    start = Notice.objects.count()
    rows = []
    for number in range(start, start + count):
        uid, due_on = uuid4(), date(2027, 3, 1) + timedelta(days=number)
        rows.append(
            Notice(
                uid=uid, key=f"lot_expiring:X/{number}", by_day=f"{due_on} {uid}", kind="lot_expiring", cause=number,
                subject={"item": "X", "lot": f"{number}"}, what=f"X lot {number}", due_on=due_on,
                overdue_on=due_on + timedelta(days=1), opened_at=now, updated_at=now,
            )
        )  # fmt: skip
    Notice.objects.bulk_create(rows)


def _jobs(count: int) -> None:
    start = Upkeep.objects.count()
    Upkeep.objects.bulk_create(
        Upkeep(code=f"JOB-{start + number}", name="Wipe the bench", first_on=date(2027, 3, 1))
        for number in range(count)
    )


FILLERS = {"notices": _notices, "upkeep": _jobs}
WRONG: dict[tuple[str, str, str], list[Any]] = {
    ("POST", "notice-put-off", "until"): ["2027-03-01", "2027-02-28"],
    ("POST", "upkeep", "upkeep"): [" "],
    ("POST", "upkeep", "person"): ["nobody-such"],
    ("PATCH", "notice-kind", "roles"): [["viewer", "stranger"]],
    ("PUT", "me-away", "away_to"): ["2027-03-01"],
    ("PUT", "me-away", "deputy"): ["owner", "nobody-such"],
    ("POST", "upkeep-done", "done_on"): ["2027-03-02"],
}
VOLATILE = {"address"}
