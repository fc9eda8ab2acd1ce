"""One level of items netted: in closed form as far as that holds, then need by need.

All items of one low-level code are independent of each other, and all their needs are known once the levels
above are netted. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from planner.engine.book import Book
from planner.engine.needs import Need, order_of_service
from planner.engine.netting import ItemNeeds, Netting, floor_looked_at_from
from planner.engine.pegs import Pegs, Taken, in_order_of_lines
from planner.engine.problem import NEVER
from planner.engine.propose import source_of
from planner.engine.sweep import Floors, NeedColumns, SupplyColumns, Swept, sweep

UNCOUNTED = 1 << 62  # a quantity that no column holds: the sweep leaves such sums alone


class Served(NamedTuple):
    """Of one level what supply serves of the lines of firm batches, and what the closed form served of all needs."""

    needs: int  # of the level, served or not
    lines: np.ndarray  # the lines of firm batches that the closed form served, ascending
    pegs: Pegs  # of one line together and in the order in which they were taken
    # (item number, day) with what was needed and, all of it, served by the closed form.
    item: np.ndarray
    day: np.ndarray
    gross: np.ndarray


class LevelNeeds:
    """The needs of one level's items as columns, in order of item and of service.

    ``source`` names where a need came from: a place in ``FirmBatches``, or one less than minus a place in ``others``.
    """

    def __init__(self, book: Book, first: int, last: int) -> None:
        """Of the items numbered ``first`` to ``last``, the last not included."""
        self.book, self.first, self.last = book, first, last
        self.others: list[Need] = []
        numbers: list[int] = []
        for number in range(first, last) if book.needs else ():
            found = book.needs.pop(book.order[number].code, None)
            if found:
                self.others += sorted(found, key=order_of_service)
                numbers += [number] * len(found)
        firm = book.firm
        lines = np.arange(firm.bounds[first], firm.bounds[last])
        lines = lines[firm.quantity[lines] > 0]
        items = book.order[first:last]
        remaining = np.array([item.min_remaining_days for item in items], dtype=np.int64)
        self.drawn = np.array([item.drawn for item in items], dtype=bool)
        item = np.concatenate([firm.item[lines], np.array(numbers, dtype=np.int64)]) - first
        day = np.concatenate([firm.day[lines], _column([need.day for need in self.others])])
        quantity = np.concatenate([firm.quantity[lines], _column([need.quantity for need in self.others])])
        of_lines = slice(len(lines))
        own_validity = _column([need.valid_through for need in self.others])
        valid_through = np.concatenate([day[of_lines] + remaining[item[of_lines]], own_validity])
        single_lot = np.concatenate(
            [firm.single_lot[lines], np.array([need.single_lot for need in self.others], dtype=bool)]
        )
        source = np.concatenate([lines, -1 - np.arange(len(self.others))])
        if self.others:
            # Firm batches come before proposals and demands on one day; stable, so each keeps its own order.
            key = (item * (int(day.max()) + 1) + day) * 2 + (source < 0)
            order = np.argsort(key, kind="stable")
            item, day, quantity, valid_through, single_lot, source = (
                each[order] for each in (item, day, quantity, valid_through, single_lot, source)
            )
        self.source, self.quantity = source, quantity
        open_quantity = np.where(self.drawn[item], 0, quantity) if self.drawn.any() else quantity.copy()
        self.columns = NeedColumns(item, day, valid_through, open_quantity, single_lot & ~self.drawn[item])
        self.bounds = np.searchsorted(item, np.arange(len(items) + 1)).tolist()

    def keep_reservations(self) -> Pegs:
        """Give each need what its batch or demand has reserved of usable portions, before all needs.

        What is reserved beyond that, or of a portion that the need cannot use, stays withheld. Answers what lines of
        firm batches keep.
        """
        book, needs, stock = self.book, self.columns, self.book.stock
        rows = book.reserved_rows
        mine = np.flatnonzero((rows.item >= self.first) & (rows.item < self.last))
        kept = Taken([], [], [])
        if not len(mine) or not len(self.source):
            return kept.pegs()
        # Item and holder as one number, which needs have too.
        key = (rows.item[mine] - self.first) * book.holders + rows.holder[mine]
        order = np.lexsort((rows.row[mine], key))
        key, row, left = key[order], rows.row[mine][order].tolist(), rows.quantity[mine][order].tolist()
        holder = self._holders()
        begin, past = (np.searchsorted(key, holder, side=side) for side in ("left", "right"))
        holding = np.flatnonzero(past > begin)
        here_on, last_day, source_of_row = (
            column[row].tolist() for column in (stock.here_on, stock.last_day, stock.source)
        )
        for place, first, end, day, valid_through, still_open, source in zip(
            holding.tolist(),
            *(
                column[holding].tolist()
                for column in (begin, past, needs.day, needs.valid_through, needs.open, self.source)
            ),
            strict=True,
        ):
            rest = still_open
            for at in range(first, end):
                if left[at] and rest and here_on[at] <= day and last_day[at] >= valid_through:
                    part = min(left[at], rest)
                    left[at] -= part
                    rest -= part
                    book.reserved_used[source_of_row[at]] += part
                    if source >= 0:
                        kept.add(source, row[at], part)
            needs.open[place] = rest
        return kept.pegs()

    def _holders(self) -> np.ndarray:
        """Of each need one number for its item and whoever may have reserved for it; -1 where nobody can."""
        firm = self.source >= 0
        holder = np.full(len(self.source), -1, dtype=np.int64)
        holder[firm] = self.book.firm.head_of[self.source[firm]]
        for place in np.flatnonzero(~firm).tolist():
            demand = self.others[-1 - int(self.source[place])].demand
            if demand is not None:
                holder[place] = len(self.book.firm) + demand
        return np.where(holder < 0, -1, self.columns.item * self.book.holders + holder)

    def needs_from(self, number: int, place: int) -> ItemNeeds:
        """One item's needs from a place on, in order of service."""
        rest = slice(place, self.bounds[number - self.first + 1])
        columns, source = self.columns, self.source[rest]
        quantity, still_open = self.quantity[rest].tolist(), columns.open[rest].tolist()
        for at in np.flatnonzero(self.quantity[rest] >= UNCOUNTED).tolist():
            need = self.others[-1 - int(source[at])]
            still_open[at] += need.quantity - quantity[at]
            quantity[at] = need.quantity
        return ItemNeeds(
            self.book.firm,
            self.others,
            columns.day[rest].tolist(),
            columns.valid_through[rest].tolist(),
            quantity,
            still_open,
            columns.single_lot[rest].tolist(),
            source.tolist(),
        )


def net_level(book: Book, first: int, last: int) -> Served:
    """Serve every need of the items numbered ``first`` to ``last``, and write their requirements and proposals."""
    level = LevelNeeds(book, first, last)
    kept = level.keep_reservations()
    swept = sweep(level.columns, _supply(book, first, last), _floors(book, first, last), book.from_day, book.to_day)
    swept = swept._replace(served=swept.served | level.drawn[level.columns.item])  # never short, whatever the sums
    rows = slice(book.stock.bounds[first], book.stock.bounds[last])
    book.stock.rest[rows] = swept.rest
    netted = Taken([], [], [])
    for item in np.flatnonzero(swept.unfinished & ~level.drawn).tolist():
        begin, past = level.bounds[item], level.bounds[item + 1]
        place = begin + int(np.count_nonzero(swept.served[begin:past]))
        Netting(book, first + item, level.needs_from(first + item, place), netted).run()
    return _served(level, swept, rows.start, kept, netted.pegs())


def _supply(book: Book, first: int, last: int) -> SupplyColumns:
    rows = slice(book.stock.bounds[first], book.stock.bounds[last])
    stock = book.stock
    return SupplyColumns(stock.item[rows] - first, stock.last_day[rows], stock.here_on[rows], stock.rest[rows])


def _floors(book: Book, first: int, last: int) -> Floors:
    quantity = [0 if item.drawn else item.safety_stock for item in book.order[first:last]]
    looked_at_from = [
        floor_looked_at_from(book, item, source_of(book, item)) if safety else NEVER
        for item, safety in zip(book.order[first:last], quantity, strict=True)
    ]
    return Floors(_column(quantity), _column(looked_at_from))


def _served(level: LevelNeeds, swept: Swept, first_row: int, kept: Pegs, netted: Pegs) -> Served:
    of_batches = level.source[swept.peg_need] >= 0
    of_sweep = Pegs(
        level.source[swept.peg_need[of_batches]],
        swept.peg_row[of_batches] + first_row,
        swept.peg_quantity[of_batches],
    )
    needs = np.flatnonzero(swept.served)
    item, day = level.columns.item[needs], level.columns.day[needs]
    new = np.flatnonzero(np.concatenate([[True], (np.diff(item) != 0) | (np.diff(day) != 0)])) if len(needs) else needs
    lines = level.source[needs]
    return Served(
        needs=len(level.source),
        lines=lines[lines >= 0],
        pegs=in_order_of_lines((kept, of_sweep, netted)),
        item=item[new] + level.first,
        day=day[new],
        gross=np.add.reduceat(level.quantity[needs], new) if len(needs) else needs,
    )


def _column(values: Sequence[int]) -> np.ndarray:
    return np.array([min(value, UNCOUNTED) for value in values], dtype=np.int64)
