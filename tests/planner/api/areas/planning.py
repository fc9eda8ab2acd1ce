"""The plan, alerts, traces, and the tables as a whole."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from inventory.models import Alert, Lot
from planner.api.tables import XLSX, ZIP
from planner.exchange.archive import packed
from planner.models import Review
from planner.selectors import get_lots
from planner.services import decide_affected, look_again
from tests.planner.exchange.workshop import as_csv, as_workbook
from tests.planner.small_house import FROM


def prepare(operation: tuple[str, str]) -> None:
    if operation == ("POST", "trace-release"):
        decide_affected(origins=get_lots([("WAX", "W1")]), status=Lot.Status.HELD, why="the supplier doubts its purity")
    if operation == ("GET", "alerts"):
        look_again(day=FROM)
        Alert.objects.update(opened_at=datetime(2027, 3, 1, 9, tzinfo=UTC))
    if operation == ("GET", "reviews"):
        started_at = datetime(2027, 2, 28, 6, tzinfo=UTC)
        Review.objects.create(
            reviewed_on=date(2027, 2, 28), started_at=started_at, finished_at=started_at + timedelta(seconds=4)
        )


def _alerts(count: int) -> None:
    start = Alert.objects.count()
    for number in range(count):
        Alert.objects.create(kind="reorder", subject=f"ITEM-{start + number}", message="out of it", facts={})


def _reviews(count: int) -> None:
    start = Review.objects.count()
    for number in range(count):
        Review.objects.create(reviewed_on=date(2026, 1, 1) + timedelta(days=start + number))


FILLERS = {"alerts": _alerts, "reviews": _reviews}
CLAY = {"items": [{"item": "CLAY", "name": "White clay", "kind": "raw"}]}
FILES = {("POST", "tables"): {ZIP: packed(as_csv(CLAY)), XLSX: as_workbook(CLAY)["workshop.xlsx"]}}
WRONG: dict[tuple[str, str, str], list[Any]] = {
    ("POST", "proposal-accept", "proposals"): [[], ["c59295bb257e", "no-such-id"]],
}
VOLATILE = {"action_uid"}
