"""The firm supply of all items as columns, in order of item and of supply. Pure; the standard library and numpy.

Portions by the ten thousand become rows of arrays here; a row becomes an object only where its item is
netted need by need.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.allocate import LOT, Supply
from planner.engine.problem import NEVER, Lot

_RELEASED, _QUARANTINE, _UNUSABLE = range(3)
_USE = {"released": _RELEASED, "quarantine": _QUARANTINE}


class StockColumns:
    """Usable portions less what is reserved of them, orders and firm outputs, one row each.

    Rows are sorted by item number, then in order of supply (last day, day it is here, kind, received day, code).
    ``bounds[n]`` to ``bounds[n + 1]`` are the rows of item number n.
    """

    def __init__(
        self,
        *,
        lots: Sequence[Lot],
        item_of_lot: np.ndarray,
        lots_left: np.ndarray,
        others: Sequence[tuple[int, Supply]],
        items: int,
        from_day: int,
    ) -> None:
        """``item_of_lot``: the item's number, -1 for a drawn one; ``others``: with their items' numbers."""
        self._lots, self._others = lots, [row for _, row in others]
        item = item_of_lot
        last_day = np.array([lot.last_day for lot in lots], dtype=np.int64)
        # Blank first: before any day.
        received = np.array([lot.received_on or -1 for lot in lots], dtype=np.int64)
        available = np.array([lot.available_on or -1 for lot in lots], dtype=np.int64)
        use = np.array([_UNUSABLE if lot.set_apart else _USE.get(lot.status, _UNUSABLE) for lot in lots], dtype=np.int8)
        retest_on = np.array([lot.retest_on for lot in lots], dtype=np.int64)
        released = use == _RELEASED
        here_on = np.maximum(from_day, available)
        np.maximum(here_on, received, out=here_on, where=released)
        usable = (item >= 0) & (retest_on >= from_day) & (released | ((use == _QUARANTINE) & (available >= 0)))
        kept = np.flatnonzero(usable)
        self.item = np.concatenate([item[kept], _column([number for number, _ in others])])
        self.last_day = np.concatenate([last_day[kept], _column([row.last_day for row in self._others])])
        self.here_on = np.concatenate([here_on[kept], _column([row.here_on for row in self._others])])
        self.rest = np.concatenate([lots_left[kept], _column([row.rest for row in self._others])])
        # Of a portion its place in ``lots``; of another row one less than minus its place among the others.
        self.source = np.concatenate([kept, -1 - np.arange(len(self._others), dtype=np.int64)])
        self.ready = np.concatenate([(released & (here_on == from_day))[kept], np.zeros(len(self._others), dtype=bool)])
        kind = np.concatenate([np.full(len(kept), LOT), _column([row.kind for row in self._others])])
        received = np.concatenate([received[kept], _column([row.key[3] for row in self._others])])
        keys = (self.item, self.last_day, self.here_on, kind, received)
        order = np.lexsort(keys[::-1])
        self._break_ties(order, keys)
        for name in ("item", "last_day", "here_on", "rest", "source", "ready"):
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
        lot = self._lots[source]
        return lot.lot, (lot.place, lot.container, source)

    def row(self, place: int) -> Supply:
        """One row as an object with a rest of its own."""
        return self._row(
            int(self.source[place]), int(self.here_on[place]), int(self.rest[place]), bool(self.ready[place])
        )

    def _row(self, source: int, here_on: int, rest: int, ready: bool) -> Supply:
        if source < 0:
            row = self._others[-1 - source].twin()
            row.rest = rest
            return row
        lot = self._lots[source]
        return Supply(
            last_day=lot.last_day,
            here_on=here_on,
            kind=LOT,
            code=lot.lot,
            rest=rest,
            received_on=lot.received_on,
            tie=(lot.place, lot.container, source),
            ready=ready,
            lot_index=source,
        )

    def rows_of(self, number: int) -> list[Supply]:
        """The rows of one item, in order of supply."""
        first, last = self.bounds[number], self.bounds[number + 1]
        columns = (self.source, self.here_on, self.rest, self.ready)
        return [self._row(*values) for values in zip(*(each[first:last].tolist() for each in columns), strict=True)]

    def places_of_lots(self) -> dict[int, int]:
        """Where each usable portion stands among the rows, by its index among the lots."""
        places = np.flatnonzero(self.source >= 0)
        return dict(zip(self.source[places].tolist(), places.tolist(), strict=True))


def _column(values: Sequence[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


assert NEVER < 1 << 24  # days are packed beside item numbers into one 64-bit key
