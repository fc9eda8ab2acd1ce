"""Rows of a problem held by column: tens of thousands are read and planned without an object for each. Pure; numpy."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar, overload

import numpy as np

BLANK = -1  # no day: before any

Row = TypeVar("Row")


class Columns(Sequence[Row]):
    """A sequence of rows; a row becomes an object where one is asked for."""

    def row(self, place: int) -> Row:
        raise NotImplementedError

    @overload
    def __getitem__(self, index: int) -> Row: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Row]: ...
    def __getitem__(self, index: int | slice) -> Row | Sequence[Row]:
        if isinstance(index, slice):
            return [self.row(place) for place in range(*index.indices(len(self)))]
        return self.row(range(len(self))[index])

    def __iter__(self) -> Iterator[Row]:
        return map(self.row, range(len(self)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and len(self) == len(other) and all(a == b for a, b in zip(self, other))  # noqa: B905

    __hash__ = None  # type: ignore[assignment]


def whole_numbers(values: Sequence[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def narrow(values: np.ndarray, bound: int) -> np.ndarray:
    """The same values below ``bound`` in two bytes where they fit: numpy sorts those in linear time."""
    return values.astype(np.uint16) if bound <= 1 << 16 else values
