"""One level of items netted: in closed form as far as that holds, then need by need.

All items of one low-level code are independent of each other, and all their needs are known once the levels
above are netted. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from planner.engine.book import Book, OwnReserved
from planner.engine.needs import Need, order_of_service
from planner.engine.netting import Netting, floor_looked_at_from
from planner.engine.problem import NEVER
from planner.engine.propose import source_of
from planner.engine.sweep import Floors, NeedColumns, SupplyColumns, Swept, sweep

Parts = list[tuple[int, int]]  # rows of the stock and what is taken of each

UNCOUNTED = 1 << 62  # a quantity that no column holds: the sweep leaves such sums alone


class Served(NamedTuple):
    """Of one level what the closed form served. Pegs are sorted by line; lines are places in ``FirmBatches``."""

    needs: int  # of the level, served or not
    lines: np.ndarray  # the lines of firm batches that it served, ascending
    peg_line: np.ndarray
    peg_row: np.ndarray  # places in ``Book.stock``
    peg_quantity: np.ndarray
    # (item number, day) with what was needed and, all of it, served.
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

    def keep_reservations(self) -> dict[int, Parts]:
        """Give each need what its batch or demand has reserved of usable portions, before all needs.

        What is reserved beyond that, or of a portion that the need cannot use, stays withheld. Answers by line
        of a firm batch the rows of the stock it keeps.
        """
        book = self.book
        kept: dict[int, Parts] = {}
        with_reservations = [
            number - self.first
            for number in range(self.first, self.last)
            if book.order[number].code in book.reservations_of and not book.order[number].drawn
        ]
        if not with_reservations:
            return kept
        # By holder, a number that needs have too: what it has reserved, as rows of the stock with quantities.
        waiting: dict[int, list[list[int]]] = {}
        places, number_of_batch = book.places_of_lots, book.firm.number_of_batch
        for item in with_reservations:
            code = book.order[self.first + item].code
            book.own_reserved[code] = own_reserved = _by_owner(book, code)
            for owner, own in own_reserved.items():
                number = number_of_batch.get(owner) if isinstance(owner, str) else _after_batches(book, owner)
                usable = [[places[lot], quantity] for lot, quantity in own.items() if places[lot] >= 0]
                if usable and number is not None:
                    usable.sort()
                    waiting[item * self._holder_count + number] = usable
        if not waiting:
            return kept
        holder = self._holders()
        holding = self._may_hold(holder, waiting)
        needs, stock = self.columns, book.stock
        for place, of, day, valid_through, still_open, source in zip(
            holding.tolist(),
            holder[holding].tolist(),
            needs.day[holding].tolist(),
            needs.valid_through[holding].tolist(),
            needs.open[holding].tolist(),
            self.source[holding].tolist(),
            strict=True,
        ):
            rest = still_open
            for each in waiting.get(of, ()):
                row, left = each
                if left and rest and stock.here_on[row] <= day and stock.last_day[row] >= valid_through:
                    part = min(left, rest)
                    each[1] -= part
                    rest -= part
                    book.reserved_used[int(stock.source[row])] += part
                    if source >= 0:
                        kept.setdefault(source, []).append((row, part))
            if rest != still_open:
                needs.open[place] = rest
        return kept

    def _may_hold(self, holder: np.ndarray, waiting: Mapping[int, object]) -> np.ndarray:
        """The needs, in order of service, of an item and of a holder for which anything is reserved."""
        held = np.fromiter(waiting, dtype=np.int64, count=len(waiting))
        items, holders = np.divmod(held, self._holder_count)
        of_items, of_holders = (
            np.zeros(self.last - self.first, dtype=np.bool_),
            np.zeros(self._holder_count, dtype=np.bool_),
        )
        of_items[items], of_holders[holders] = True, True
        return np.flatnonzero((holder >= 0) & of_items[self.columns.item] & of_holders[holder % self._holder_count])

    @property
    def _holder_count(self) -> int:
        return len(self.book.firm.heads) + len(self.book.problem.demands)

    def _holders(self) -> np.ndarray:
        """Of each need one number for its item and whoever may have reserved for it; -1 where nobody can."""
        firm = self.source >= 0
        holder = np.full(len(self.source), -1, dtype=np.int64)
        holder[firm] = self.book.firm.head_of[self.source[firm]]
        for place in np.flatnonzero(~firm).tolist():
            owner = self.others[-1 - int(self.source[place])].owner
            number = None if isinstance(owner, str) else _after_batches(self.book, owner)
            holder[place] = -1 if number is None else number
        return np.where(holder < 0, -1, self.columns.item * self._holder_count + holder)

    def needs_from(self, number: int, place: int, kept: Mapping[int, Parts]) -> list[Need]:
        """One item's needs from a place on, as objects in order of service."""
        book = self.book
        rest = slice(place, self.bounds[number - self.first + 1])
        source, open_quantity = self.source[rest], self.columns.open[rest]
        firm = source >= 0
        of_batches = book.firm.needs(source[firm], open_quantity[firm].tolist(), book.order[number])
        found = []
        for of, quantity, still_open in zip(
            source.tolist(), self.quantity[rest].tolist(), open_quantity.tolist(), strict=True
        ):
            if of < 0:
                need = self.others[-1 - of]
                need.open -= quantity - still_open
            else:
                need = next(of_batches)
                if of in kept:
                    need.reserved = [(book.stock.row(row), part) for row, part in kept[of]]
            found.append(need)
        return found


def net_level(book: Book, first: int, last: int) -> Served:
    """Serve every need of the items numbered ``first`` to ``last``, and write their requirements and proposals."""
    level = LevelNeeds(book, first, last)
    kept = level.keep_reservations()
    swept = sweep(level.columns, _supply(book, first, last), _floors(book, first, last), book.from_day, book.to_day)
    swept = swept._replace(served=swept.served | level.drawn[level.columns.item])  # never short, whatever the sums
    rows = slice(book.stock.bounds[first], book.stock.bounds[last])
    book.stock.rest[rows] = swept.rest
    portions = np.flatnonzero(book.stock.source[rows] >= 0) + rows.start
    book.lots_left[book.stock.source[portions]] = book.stock.rest[portions]
    book.kept |= kept
    served = _served(level, swept, rows.start)
    for item in np.flatnonzero(swept.unfinished).tolist():
        number = first + item
        if not level.drawn[item]:
            place = level.bounds[item] + int(swept.served[level.bounds[item] : level.bounds[item + 1]].sum())
            Netting(book, number, level.needs_from(number, place, kept)).run()
    return served


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


def _served(level: LevelNeeds, swept: Swept, first_row: int) -> Served:
    of_batches = level.source[swept.peg_need] >= 0
    needs = np.flatnonzero(swept.served)
    item, day = level.columns.item[needs], level.columns.day[needs]
    new = np.flatnonzero(np.concatenate([[True], (np.diff(item) != 0) | (np.diff(day) != 0)])) if len(needs) else needs
    lines = level.source[needs]
    return Served(
        needs=len(level.source),
        lines=lines[lines >= 0],
        peg_line=level.source[swept.peg_need[of_batches]],
        peg_row=swept.peg_row[of_batches] + first_row,
        peg_quantity=swept.peg_quantity[of_batches],
        item=item[new] + level.first,
        day=day[new],
        gross=np.add.reduceat(level.quantity[needs], new) if len(needs) else needs,
    )


def _after_batches(book: Book, demand: int | None) -> int | None:
    """The number of a demand among holders: after the batches."""
    return None if demand is None else len(book.firm.heads) + demand


def _by_owner(book: Book, code: str) -> OwnReserved:
    owners: OwnReserved = {}
    for reservation in book.reservations_of[code]:
        owner = reservation.batch if reservation.batch is not None else reservation.demand
        own = owners.setdefault(owner, {})
        own[reservation.lot] = own.get(reservation.lot, 0) + reservation.quantity
    return owners


def _column(values: Sequence[int]) -> np.ndarray:
    return np.array([min(value, UNCOUNTED) for value in values], dtype=np.int64)
