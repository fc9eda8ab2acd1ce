"""The firm supply of all items as columns, in order of item and of supply. Pure; the standard library and numpy.

Portions by the ten thousand become rows of arrays here; a row becomes an object only where its item is
netted need by need.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from planner.engine.allocate import LOT
from planner.engine.outcome import ItemSupply
from planner.engine.portions import Portions
from planner.engine.problem import NEVER


class Receipts(NamedTuple):
    """Orders and outputs of firm batches, a row each: numbers int64, codes as texts."""

    item: np.ndarray  # number
    last_day: np.ndarray
    here_on: np.ndarray
    kind: np.ndarray
    received_on: np.ndarray
    quantity: np.ndarray
    code: Sequence[str]
    tie: Sequence[tuple[int, ...]]  # what orders equal codes

    def are_as(self, others: Receipts) -> bool:
        return all(map(np.array_equal, self[:6], others[:6])) and self[6:] == others[6:]


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
        receipts: Receipts,
        items: int,
        from_day: int,
        before: StockColumns | None = None,
    ) -> None:
        """``item_of_lot``: the item's number, -1 for a drawn one. Of an earlier stock with the same rows, however much
        was in them, the order is taken.
        """
        self._lots, self._receipts = lots, receipts
        here_on = lots.here_on(from_day)
        released, quarantined = lots.is_in("released"), lots.is_in("quarantine")
        usable = (item_of_lot >= 0) & (released | quarantined) & ~lots.set_apart
        usable &= (lots.retest_on >= from_day) & (here_on != NEVER)
        kept = np.flatnonzero(usable)
        self.item = np.concatenate([item_of_lot[kept], receipts.item])
        self.last_day = np.concatenate([lots.last_day[kept], receipts.last_day])
        self.here_on = np.concatenate([here_on[kept], receipts.here_on])
        self.rest = np.concatenate([lots_left[kept], receipts.quantity])
        # Of a portion its place in ``lots``; of another row one less than minus its place among the receipts.
        self.source = np.concatenate([kept, -1 - np.arange(len(receipts.item), dtype=np.int64)])
        ready = (released & (here_on == from_day))[kept]  # released and here on the plan's first day
        self.ready = np.concatenate([ready, np.zeros(len(receipts.item), dtype=np.bool_)])
        self.kind = np.concatenate([np.full(len(kept), LOT), receipts.kind])
        received_on = np.concatenate([lots.received_on[kept], receipts.received_on])
        self._keys = (self.item, self.last_day, self.here_on, self.kind, received_on, self.source)
        self.order_is_of_before = before is not None and before._has_order_of(self)
        if before is not None and self.order_is_of_before:
            order: np.ndarray = before._order
        else:
            order = np.lexsort(self._keys[-2::-1])
            self._break_ties(order, self._keys[:-1])
        self._order: np.ndarray = order
        for name in ("item", "last_day", "here_on", "kind", "rest", "source", "ready"):
            setattr(self, name, getattr(self, name)[order])
        self.bounds = np.searchsorted(self.item, np.arange(items + 1))

    def _has_order_of(self, other: StockColumns) -> bool:
        """Whether the order of these rows is that of others: they agree in all that decides it."""
        mine, others = self._lots, other._lots
        return (
            (mine.lot, mine.place, mine.container) == (others.lot, others.place, others.container)
            and (self._receipts.code, self._receipts.tie) == (other._receipts.code, other._receipts.tie)
            and all(map(np.array_equal, self._keys, other._keys))
        )

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
            return self._receipts.code[-1 - source], self._receipts.tie[-1 - source]
        lots = self._lots
        return lots.lot[source], (lots.place[source], lots.container[source], source)

    def supply_of(self, number: int) -> ItemSupply:
        """What is left of one item's rows."""
        rows = slice(self.bounds[number], self.bounds[number + 1])
        places = np.flatnonzero(self.rest[rows])
        last_day, here_on, kind, rest, sources = (
            column[rows][places].tolist() for column in (self.last_day, self.here_on, self.kind, self.rest, self.source)
        )
        lot = [self._lots.lot[source] if source >= 0 else "" for source in sources]
        return ItemSupply(places.tolist(), last_day, here_on, kind, rest, lot)

    def lot_of(self, place: int) -> str | None:
        """The number of the lot in a row; None where it is a receipt."""
        source = self.source[place]
        return self._lots.lot[source] if source >= 0 else None

    def source_name(self, place: int) -> str:
        """How the answer names a lot, order or firm batch."""
        source = int(self.source[place])
        return f"lot:{self._lots.lot[source]}" if source >= 0 else receipt_name(self._receipts, -1 - source)

    def places_of_lots(self) -> np.ndarray:
        """Where each portion stands among the rows, by its index among the lots; -1 where it is not usable."""
        places = np.full(len(self._lots), -1, dtype=np.int64)
        of_lots = np.flatnonzero(self.source >= 0)
        places[self.source[of_lots]] = of_lots
        return places


def receipt_name(receipts: Receipts, place: int) -> str:
    return f"{('lot', 'order', 'batch')[receipts.kind[place]]}:{receipts.code[place]}"


assert NEVER < 1 << 24  # days are packed beside item numbers into one 64-bit key
