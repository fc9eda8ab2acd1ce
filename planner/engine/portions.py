"""Portions of lots as columns: fifty thousand are read and planned without an object for each. Pure; numpy."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from planner.engine.columns import BLANK, Columns, whole_numbers
from planner.engine.problem import NEVER, Lot

STATUSES = {"released": 0, "quarantine": 1, "held": 2, "rejected": 3}


class Portions(Columns[Lot]):
    """``Problem.lots`` by column; a row becomes a ``Lot`` where one is asked for.

    Texts are lists of str. ``quantity``, ``received_on``, ``available_on``, ``last_day``, ``retest_on`` are int64,
    days as ordinals: a blank received or available day is ``BLANK``, a last or retest day that never comes ``NEVER``.
    ``set_apart`` is bool.
    """

    def __init__(
        self,
        *,
        item: Sequence[str],
        lot: Sequence[str],
        quantity: np.ndarray,
        status: Sequence[str],
        received_on: np.ndarray,
        available_on: np.ndarray,
        last_day: np.ndarray,
        retest_on: np.ndarray,
        set_apart: np.ndarray,
        place: Sequence[str],
        container: Sequence[str],
    ) -> None:
        self.item, self.lot, self.status, self.place, self.container = item, lot, status, place, container
        self.quantity, self.set_apart = quantity, set_apart
        self.received_on, self.available_on, self.last_day, self.retest_on = (
            received_on,
            available_on,
            last_day,
            retest_on,
        )

    @classmethod
    def of(cls, lots: Sequence[Lot]) -> Portions:
        """The columns of rows; what is columns already stays as it is."""
        if isinstance(lots, Portions):
            return lots
        return cls(
            item=[lot.item for lot in lots],
            lot=[lot.lot for lot in lots],
            quantity=whole_numbers([lot.quantity for lot in lots]),
            status=[lot.status for lot in lots],
            received_on=whole_numbers([BLANK if lot.received_on is None else lot.received_on for lot in lots]),
            available_on=whole_numbers([BLANK if lot.available_on is None else lot.available_on for lot in lots]),
            last_day=whole_numbers([lot.last_day for lot in lots]),
            retest_on=whole_numbers([lot.retest_on for lot in lots]),
            set_apart=np.array([lot.set_apart for lot in lots], dtype=np.bool_),
            place=[lot.place for lot in lots],
            container=[lot.container for lot in lots],
        )

    def __len__(self) -> int:
        return len(self.item)

    def row(self, place: int) -> Lot:
        return Lot(
            self.item[place],
            self.lot[place],
            int(self.quantity[place]),
            self.status[place],
            _day(self.received_on[place]),
            _day(self.available_on[place]),
            int(self.last_day[place]),
            int(self.retest_on[place]),
            bool(self.set_apart[place]),
            self.place[place],
            self.container[place],
        )

    def here_on(self, from_day: int) -> np.ndarray:
        """The day from which each portion counts, ``NEVER`` for a quarantined one without a day (see passed_over)."""
        released = np.maximum(np.maximum(self.received_on, self.available_on), from_day)
        quarantined = np.where(self.available_on == BLANK, NEVER, np.maximum(self.available_on, from_day))
        return np.where(self.is_in("quarantine"), quarantined, released)

    def is_in(self, status: str) -> np.ndarray:
        """Which portions are of lots in this status, as bool."""
        return self._statuses == STATUSES[status]

    @cached_property
    def _statuses(self) -> np.ndarray:
        return np.fromiter(map(STATUSES.__getitem__, self.status), dtype=np.int8, count=len(self.status))


def _day(value: np.int64) -> int | None:
    return None if value == BLANK else int(value)
