"""What one item is netted from, and what comes of it.

The outcome depends on nothing else than what is given and on what a whole plan has in common (``Book.terms``). So an
item that is given the same under the same terms need not be netted again. Pure.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from planner.engine.needs import Need
from planner.engine.pegs import NO_PEGS
from planner.engine.result import Buy, Expected, Make


class ItemNeeds(NamedTuple):
    """One item's needs in order of service, by column; a need's place is its place here."""

    day: list[int]
    valid_through: list[int]
    quantity: list[int]
    open: list[int]  # what reservations leave to serve
    single_lot: list[bool]
    safety_only: list[bool]
    of_batch: list[bool]  # a line of a firm batch
    to: list[str]  # how pegs name it

    def need(self, place: int) -> Need:
        return Need(
            self.day[place],
            (),
            0,
            self.quantity[place],
            self.valid_through[place],
            self.to[place],
            single_lot=self.single_lot[place],
            safety_only=self.safety_only[place],
            line=place if self.of_batch[place] else -1,
        )


class ItemSupply(NamedTuple):
    """What is left of one item's firm supply, in order of supply, by column."""

    place: list[int]  # among all the item's rows
    last_day: list[int]
    here_on: list[int]
    kind: list[int]
    rest: list[int]
    lot: list[str]  # the number of the lot that this is a portion of; blank: none


class Given(NamedTuple):
    needs: ItemNeeds  # from the first on that is not served yet
    supply: ItemSupply
    expiries: list[int]  # last days of all rows of supply, also of used up ones; only where safety stock is kept
    coming: list[Expected]  # orders and firm outputs, whole, by day and code
    served_through: int  # up to this day needs are served and the safety stock is not missing


class Outcome:
    """What is needed, taken and proposed of one item. Needs and rows of supply are named by their places in ``Given``
    and among the item's rows. Once made it is shared and read only.
    """

    __slots__ = (
        "buys",
        "line_needs",
        "makes",
        "proposed",
        "requirements",
        "rest",
        "rows",
        "taken",
        "too_small",
        "unmet",
    )

    def __init__(self) -> None:
        self.requirements: list[tuple[int, int, int, int]] = []  # day, gross, covered, short
        self.unmet: dict[tuple[int, str], int] = defaultdict(int)  # (day, reason) -> steps
        self.makes: list[tuple[int, Make]] = []  # with the number of the cut on its day
        self.buys: list[tuple[int, Buy]] = []  # with the number of the row on its day
        self.line_needs: list[tuple[str, Need]] = []  # of the lines of makings, with their items
        # By need that is a line of a firm batch: what proposals and their surplus answer, the lots too small for a
        # single one, and what is taken of which row.
        self.proposed: dict[int, int] = defaultdict(int)
        self.too_small: dict[int, Sequence[str]] = {}
        self.taken = NO_PEGS
        self.rows = self.rest = NO_PEGS.row  # rows of supply, and what is left of each
