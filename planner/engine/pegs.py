"""Pegs: what lines of firm batches take, and of which rows of the stock. Pure; numpy."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from planner.engine.columns import whole_numbers


class Pegs(NamedTuple):
    """By column: the line's place in ``FirmBatches``, the row's in ``Book.stock``, base steps."""

    line: np.ndarray
    row: np.ndarray
    quantity: np.ndarray


class Taken(NamedTuple):
    """Pegs while they are being found."""

    line: list[int]
    row: list[int]
    quantity: list[int]

    def add(self, line: int, row: int, quantity: int) -> None:
        self.line.append(line)
        self.row.append(row)
        self.quantity.append(quantity)

    def pegs(self) -> Pegs:
        return Pegs(*(whole_numbers(column) for column in self))


NO_PEGS = Taken([], [], []).pegs()


def in_order_of_lines(several: Iterable[Pegs]) -> Pegs:
    """All of them, those of one line together in the order given."""
    line, row, quantity = (np.concatenate(columns) for columns in zip(*several, strict=True))
    order = np.argsort(line, kind="stable")
    return Pegs(line[order], row[order], quantity[order])
