"""The plan, alerts, traces, and the tables as a whole."""

from __future__ import annotations

from typing import Any

from inventory.models import Lot
from planner.selectors import get_lots
from planner.services import decide_affected


def prepare(operation: tuple[str, str]) -> None:
    if operation == ("POST", "trace-release"):
        decide_affected(origins=get_lots([("WAX", "W1")]), status=Lot.Status.HELD, why="the supplier doubts its purity")


WRONG: dict[tuple[str, str, str], list[Any]] = {
    ("POST", "proposal-accept", "proposals"): [[], ["c59295bb257e", "no-such-id"]],
}
VOLATILE = {"action_uid"}
