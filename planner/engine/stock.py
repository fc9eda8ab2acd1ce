"""The firm supply of all items as columns, in order of item and of supply. Pure; the standard library and numpy.

Portions by the ten thousand become rows of arrays here; a row becomes an object only where its item is
netted need by need.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.allocate import LOT, Supply
from planner.engine.portions import Portions
from planner.engine.problem import NEVER


class StockColumns:
    """Usable portions less what is reserved of them, orders and firm outputs, one row each.

    Rows are sorted by item number, then in order of supply (last day, day it is here, kind, received day, code).
    ``bounds[n]`` to ``bounds[n + 1]`` are the rows of item number n.
    """

    def __init__(
        self,
        *,
        lots: Portions,
        item_of_lot: np.ndarray,
        lots_left: np.ndarray,
        others: Sequence[tuple[int, Supply]],
        items: int,
        from_day: int,
    ) -> None:
        """``item_of_lot``: the item's number, -1 for a drawn one; ``others``: with their items' numbers."""
        self._lots, self._others = lots, [row for _, row in others]
        item, last_day, received, here_on = item_of_lot, lots.last_day, lots.received_on, lots.here_on(from_day)
        released = np.array([status == "released" for status in lots.status], dtype=np.bool_)
        in_use = released | np.array([status == "quarantine" for status in lots.status], dtype=np.bool_)
        usable = (item >= 0) & in_use & ~lots.set_apart & (lots.retest_on >= from_day) & (here_on != NEVER)
        kept = np.flatnonzero(usable)
        self.item = np.concatenate([item[kept], _column([number for number, _ in others])])
        self.last_day = np.concatenate([last_day[kept], _column([row.last_day for row in self._others])])
        self.here_on = np.concatenate([here_on[kept], _column([row.here_on for row in self._others])])
        self.rest = np.concatenate([lots_left[kept], _column([row.rest for row in self._others])])
        # Of a portion its place in ``lots``; of another row one less than minus its place among the others.
        self.source = np.concatenate([kept, -1 - np.arange(len(self._others), dtype=np.int64)])
        self.ready = np.concatenate([(released & (here_on == from_day))[kept], np.zeros(len(self._others), dtype=bool)])
        kind = np.concatenate([np.full(len(kept), LOT), _column([row.kind for row in self._others])])
        self.received_on = np.concatenate([received[kept], _column([row.key[3] for row in self._others])])
        keys = (self.item, self.last_day, self.here_on, kind, self.received_on)
        order = np.lexsort(keys[::-1])
        self._break_ties(order, keys)
        for name in ("item", "last_day", "here_on", "received_on", "rest", "source", "ready"):
            setattr(self, name, getattr(self, name)[order])
        self.bounds = np.searchsorted(self.item, np.arange(items + 1))

    def _break_ties(self, order: np.ndarray, keys: Sequence[np.ndarray]) -> None:
        """Rows that agree in all numbers go by their codes, which numpy would sort slowly."""
        if len(order) < 2:
            return
        same = np.ones(len(order) - 1, dtype=bool)
        for key in keys:
            in_order = key[order]
            same &= in_order[1:] == in_order[:-1]
        edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            run = order[first : last + 1].tolist()
            order[first : last + 1] = sorted(run, key=lambda place: self._code_key(int(self.source[place])))

    def _code_key(self, source: int) -> tuple:
        if source < 0:
            row = self._others[-1 - source]
            return row.key[4:]
        lots = self._lots
        return lots.lot[source], (lots.place[source], lots.container[source], source)

    def row(self, place: int) -> Supply:
        """One row as an object with a rest of its own."""
        return self._rows(slice(place, place + 1))[0]

    def _rows(self, places: slice) -> list[Supply]:
        columns = (self.source, self.here_on, self.last_day, self.received_on, self.rest, self.ready)
        return [self._row(*values) for values in zip(*(each[places].tolist() for each in columns), strict=True)]

    def _row(self, source: int, here_on: int, last_day: int, received_on: int, rest: int, ready: bool) -> Supply:
        if source < 0:
            row = self._others[-1 - source].twin()
            row.rest = rest
            return row
        lots = self._lots
        return Supply(
            last_day=last_day,
            here_on=here_on,
            kind=LOT,
            code=lots.lot[source],
            rest=rest,
            received_on=received_on,
            tie=(lots.place[source], lots.container[source], source),
            ready=ready,
            lot_index=source,
        )

    def rows_of(self, number: int) -> list[Supply]:
        """The rows of one item, in order of supply."""
        return self._rows(slice(self.bounds[number], self.bounds[number + 1]))

    def places_of_lots(self) -> list[int]:
        """Where each portion stands among the rows, by its index among the lots; -1 where it is not usable."""
        places = np.full(len(self._lots), -1, dtype=np.int64)
        of_lots = np.flatnonzero(self.source >= 0)
        places[self.source[of_lots]] = of_lots
        return places.tolist()


def _column(values: Sequence[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


assert NEVER < 1 << 24  # days are packed beside item numbers into one 64-bit key
