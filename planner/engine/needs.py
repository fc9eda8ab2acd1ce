"""Needs: who wants how much of an item on which day, and the order in which they are served. Pure."""

from __future__ import annotations

# Order of service on one day: batches reserved, started, planned; lines of proposals; demands.
RESERVED, STARTED, PLANNED, PROPOSED, DEMANDED = range(5)
BATCH_ORDER = {"reserved": RESERVED, "started": STARTED, "planned": PLANNED}


class Need:
    """One need of one item: a line of a firm batch or of a proposal, or a demand.

    A plain class with slots. The lines of firm batches are columns (``FirmBatches``): one of them becomes a need of
    its own only where supply does not cover it.
    """

    __slots__ = (
        "day",
        "demand",
        "line",
        "order",
        "position",
        "quantity",
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
        single_lot: bool = False,
        safety_only: bool = False,
        line: int = -1,
        demand: int | None = None,
    ) -> None:
        self.day = day  # never before the plan's first day
        self.order = order  # (class, then what orders needs within the class)
        self.position = position
        self.quantity = quantity
        self.valid_through = valid_through  # the last day of usable supply is not before it
        self.to = to  # how pegs name it
        self.single_lot = single_lot
        self.safety_only = safety_only  # a line of a making that only refills safety stock
        self.line = line  # of a firm batch: its place in ``FirmBatches``
        self.demand = demand  # its index


def order_of_service(need: Need) -> tuple[int, tuple, int]:
    """The sort key of needs of one item."""
    return need.day, need.order, need.position
