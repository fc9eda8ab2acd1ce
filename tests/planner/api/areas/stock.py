"""Lots, portions, the stock and its events."""

from __future__ import annotations

from unittest import mock
from uuid import UUID

from django.contrib.auth.models import User

from inventory.api.stock_events import UID
from inventory.selectors import get_lot
from inventory.services.counting import discard
from inventory.services.lots import set_apart
from tests.inventory.builders import make_lot, portion_in


def prepare(operation: tuple[str, str]) -> None:
    portion = portion_in(get_lot("WAX", "W1"))
    if operation[1].startswith("stock-event"):
        with mock.patch("inventory.services.ledger.uuid.uuid4", return_value=UUID(UID)):
            discard(
                portion=portion,
                quantity=20_000,
                why="fell on the floor",
                who=User.objects.get(username="maker"),
            )
    elif operation == ("POST", "lot-put-back"):
        set_apart(portion=portion)


def _lots(count: int) -> None:
    for _ in range(count):
        make_lot()


IN_A_MINUTE = ["2027-03-01T09:01:00+00:00"]
FILLERS = {"lots": _lots, "portions": _lots, "stock-events": _lots}
WRONG = {
    ("POST", "opening-stock", "rows.quantity"): ["3 pc", "5 mL"],
    ("POST", "opening-stock", "rows.lot"): ["W1", "--"],
    ("POST", "opening-stock", "rows.supplier"): ["LANE"],
    ("POST", "opening-stock", "happened_at"): IN_A_MINUTE,
    ("POST", "lot-release", "decided_at"): IN_A_MINUTE,
    ("POST", "lot-hold", "decided_at"): ["2027-03-01T10:00:00+00:30"],
    ("POST", "lot-count", "counted"): ["3 pc", "5 mL"],
    ("POST", "lot-count", "place"): ["nowhere"],
    ("POST", "lot-count", "happened_at"): IN_A_MINUTE,
    ("POST", "lot-discard", "quantity"): ["3 pc"],
    ("POST", "lot-discard", "happened_at"): IN_A_MINUTE,
    ("POST", "lot-sample", "quantity"): ["3 pc", "0 g"],
    ("POST", "lot-send-back", "quantity"): ["3 pc", "0 g"],
    ("POST", "lot-move", "quantity"): ["3 pc", "0 g"],
    ("POST", "lot-move", "place"): ["nowhere"],
    ("POST", "lot-open", "opened_on"): ["2027-03-02"],
    ("POST", "lot-open", "happened_at"): IN_A_MINUTE,
    ("POST", "lot-set-apart", "quantity"): ["3 pc", "0 g"],
    ("POST", "lot-put-back", "place"): ["nowhere"],
    ("POST", "stock-event-correct", "happened_at"): IN_A_MINUTE,
}
VOLATILE = {"uid"}
