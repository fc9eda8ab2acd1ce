"""Reservations as columns. Pure; the standard library and numpy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.columns import Columns, whole_numbers
from planner.engine.problem import Reservation


class ReservationColumns(Columns[Reservation]):
    """``Problem.reservations`` by column: ``lot`` and ``quantity`` int64; ``batch`` and ``demand`` may be None."""

    def __init__(
        self, *, lot: np.ndarray, quantity: np.ndarray, batch: Sequence[str | None], demand: Sequence[int | None]
    ) -> None:
        self.lot, self.quantity, self.batch, self.demand = lot, quantity, batch, demand

    @classmethod
    def of(cls, rows: Sequence[Reservation]) -> ReservationColumns:
        """The columns of rows; what is columns already stays as it is."""
        if isinstance(rows, ReservationColumns):
            return rows
        return cls(
            lot=whole_numbers([row.lot for row in rows]),
            quantity=whole_numbers([row.quantity for row in rows]),
            batch=[row.batch for row in rows],
            demand=[row.demand for row in rows],
        )

    def __len__(self) -> int:
        return len(self.lot)

    def row(self, place: int) -> Reservation:
        return Reservation(int(self.lot[place]), int(self.quantity[place]), self.batch[place], self.demand[place])
