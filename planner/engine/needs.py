"""Needs: who wants how much of an item on which day, and the order in which they are served. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from planner.engine.allocate import Supply
from planner.engine.result import BatchLine

# Order of service on one day: batches reserved, started, planned; lines of proposals; demands.
RESERVED, STARTED, PLANNED, PROPOSED, DEMANDED = range(5)
BATCH_ORDER = {"reserved": RESERVED, "started": STARTED, "planned": PLANNED}
NO_PRIORITY = 1 << 62  # blank comes last


class Need:
    """One need of one item: a line of a firm batch or of a proposal, or a demand.

    A plain class with slots: a plan of the medium size has a quarter of a million of them.
    """

    __slots__ = (
        "day",
        "line",
        "open",
        "order",
        "owner",
        "position",
        "quantity",
        "reserved",
        "safety_only",
        "single_lot",
        "to",
        "valid_through",
    )

    def __init__(
        self,
        day: int,
        order: tuple,
        position: int,
        quantity: int,
        valid_through: int,
        to: str,
        owner: str | int | None = None,
        single_lot: bool = False,
        line: BatchLine | None = None,
        safety_only: bool = False,
    ) -> None:
        self.day = day  # never before the plan's first day
        self.order = order  # (class, then what orders needs within the class)
        self.position = position
        self.quantity = quantity
        self.valid_through = valid_through  # the last day of usable supply is not before it
        self.to = to  # how pegs name it
        self.owner = owner  # a firm batch's code or a demand's index: whom reservations name
        self.single_lot = single_lot
        self.line = line  # the row of the answer to fill, where the batch is shown
        self.safety_only = safety_only  # a line of a making that only refills safety stock
        self.open = quantity  # what reservations leave to serve
        self.reserved: Sequence[tuple[Supply, int]] = ()


def order_of_service(need: Need) -> tuple[int, tuple, int]:
    """The sort key of needs of one item."""
    return need.day, need.order, need.position
