"""The lines of formulas as columns. Pure; the standard library and numpy."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import cached_property
from itertools import pairwise

import numpy as np

from planner.engine.columns import Columns, whole_numbers
from planner.engine.problem import Formula, Line, Substitute

_NO_AMOUNT = Fraction(0)


class LineColumns(Columns[Line]):
    """The lines of many formulas by column, those of one formula together and in order of position.

    Texts are lists of str; ``position`` and ``percent`` are int64, ``single_lot`` and ``is_volume`` bool. What few
    lines have, ``per_unit`` and ``substitutes``, is kept by the line's place.
    """

    def __init__(
        self,
        *,
        item: Sequence[str],
        position: np.ndarray,
        percent: np.ndarray,
        single_lot: np.ndarray,
        is_volume: np.ndarray,
        phase: Sequence[str],
        per_unit: Mapping[int, Fraction],
        substitutes: Mapping[int, tuple[Substitute, ...]],
    ) -> None:
        self.item, self.position, self.percent, self.single_lot = item, position, percent, single_lot
        self.is_volume, self.phase, self.per_unit, self.substitutes = is_volume, phase, per_unit, substitutes
        self._made: dict[int, Line] = {}

    @classmethod
    def of(cls, lines: Sequence[Line]) -> LineColumns:
        return cls(
            item=[line.item for line in lines],
            position=whole_numbers([line.position for line in lines]),
            percent=whole_numbers([line.percent for line in lines]),
            single_lot=np.array([line.single_lot for line in lines], dtype=np.bool_),
            is_volume=np.array([line.is_volume for line in lines], dtype=np.bool_),
            phase=[line.phase for line in lines],
            per_unit={place: line.per_unit for place, line in enumerate(lines) if line.per_unit},
            substitutes={place: line.substitutes for place, line in enumerate(lines) if line.substitutes},
        )

    def __len__(self) -> int:
        return len(self.item)

    @cached_property
    def single_lot_places(self) -> list[int]:
        return np.flatnonzero(self.single_lot).tolist()

    def row(self, place: int) -> Line:
        """Made once: every batch of a formula shows the same lines."""
        line = self._made.get(place)
        if line is None:
            line = self._made[place] = Line(
                int(self.position[place]),
                self.item[place],
                int(self.percent[place]),
                self.per_unit.get(place, _NO_AMOUNT),
                bool(self.is_volume[place]),
                self.phase[place],
                bool(self.single_lot[place]),
                self.substitutes.get(place, ()),
            )
        return line


class LinesOf(Columns[Line]):
    """The lines of one formula among those of many: ``first`` to ``past``, that one not included."""

    def __init__(self, columns: LineColumns, first: int, past: int) -> None:
        self.columns, self.first, self.past = columns, first, past

    def __len__(self) -> int:
        return self.past - self.first

    def row(self, place: int) -> Line:
        return self.columns.row(self.first + place)


def line_columns(formulas: Sequence[Formula]) -> tuple[LineColumns, np.ndarray, np.ndarray]:
    """The lines of all formulas, and where those of each begin and end."""
    columns = formulas[0].lines.columns if formulas and isinstance(formulas[0].lines, LinesOf) else None
    if columns is not None:
        bounds = [
            (formula.lines.first, formula.lines.past)
            for formula in formulas
            if isinstance(formula.lines, LinesOf) and formula.lines.columns is columns
        ]
        if len(bounds) == len(formulas) and sum(past - first for first, past in bounds) == len(columns):
            return columns, whole_numbers([first for first, _ in bounds]), whole_numbers([past for _, past in bounds])
    lines: list[Line] = []
    edges = [0]
    for formula in formulas:
        lines += in_order_of_position(formula.lines)
        edges.append(len(lines))
    return LineColumns.of(lines), whole_numbers(edges[:-1]), whole_numbers(edges[1:])


def single_lot_lines(formula: Formula) -> list[tuple[int, Line]]:
    """The lines of a formula that take one lot each, with their places."""
    lines = formula.lines
    if isinstance(lines, LinesOf):
        found = lines.columns.single_lot_places
        places = found[bisect_left(found, lines.first) : bisect_left(found, lines.past)]
        return [(place - lines.first, lines.columns.row(place)) for place in places]
    return [(place, line) for place, line in enumerate(lines) if line.single_lot]


def in_order_of_position(lines: Sequence[Line]) -> Sequence[Line]:
    if all(one.position <= other.position for one, other in pairwise(lines)):
        return lines
    return sorted(lines, key=lambda line: line.position)
