"""One level of items netted: in closed form as far as that holds, then need by need.

All items of one low-level code are independent of each other, and all their needs are known once the levels
above are netted. Pure; the standard library and numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import is_
from typing import NamedTuple

import numpy as np

from planner.engine.book import Book
from planner.engine.firm import FirmBatches
from planner.engine.needs import Need, order_of_service
from planner.engine.netting import Netting, floor_looked_at_from
from planner.engine.outcome import Given, ItemNeeds, Outcome
from planner.engine.pegs import NO_PEGS, Pegs, Taken
from planner.engine.problem import NEVER
from planner.engine.sweep import (
    MOST,
    Floors,
    Laid,
    NeedColumns,
    SupplyColumns,
    Sweep,
    Swept,
    changed_items,
    sweep,
    sweep_after,
)

UNCOUNTED = 1 << 62  # a quantity that no column holds: the sweep leaves such sums alone


class Served(NamedTuple):
    """Of one level what supply serves of the lines of firm batches, and what the closed form served of all needs."""

    needs: int  # of the level, served or not
    source: np.ndarray  # of each need, as in ``LevelNeeds``
    served: np.ndarray  # bool: by the closed form
    first_row: int
    laid: Sequence[Laid]
    others: Sequence[Pegs]  # what is reserved, and what netting took
    # (item number, day) with what was needed and, all of it, served by the closed form.
    item: np.ndarray
    day: np.ndarray
    gross: np.ndarray

    @property
    def lines(self) -> np.ndarray:
        """The lines of firm batches that the closed form served, ascending."""
        lines = self.source[self.served]
        return lines[lines >= 0]

    def pegs(self) -> list[Pegs]:
        """What lines of firm batches take, what is reserved for them first."""
        of_sweeps = []
        for laid in self.laid:
            need, row, quantity = laid.pegs()
            line = self.source[need]
            of_batches = line >= 0
            of_sweeps.append(Pegs(line[of_batches], row[of_batches] + self.first_row, quantity[of_batches]))
        return [*self.others[:1], *of_sweeps, *self.others[1:]]


class LevelNeeds:
    """The needs of one level's items as columns, in order of item and of service.

    ``source`` names where a need came from: a place in ``FirmBatches``, or one less than minus a place in ``others``.
    """

    drawn: np.ndarray  # bool by item
    source: np.ndarray
    quantity: np.ndarray
    columns: NeedColumns
    bounds: list[int]  # by item, where its needs begin, and at the end how many there are

    def __init__(self, book: Book, first: int, last: int, before: LevelNeeds | None = None) -> None:
        """Of the items numbered ``first`` to ``last``, the last not included.

        Where the needs are those of an earlier plan, its columns are taken; ``same`` says so.
        """
        self.first, self.last = first, last
        self.others: list[Need] = []
        numbers: list[int] = []
        for number in range(first, last) if book.needs else ():
            found = book.needs.pop(book.order[number].code, None)
            if found:
                self.others += sorted(found, key=order_of_service) if len(found) > 1 else found
                numbers += [number] * len(found)
        self._numbers = numbers
        self._laid, self._of_lines = (
            book.firm.laid,
            book.firm.quantity[book.firm.bounds[first] : book.firm.bounds[last]],
        )
        self.same = before is not None and self._is_as(before)
        if before is not None and self.same:
            self.drawn, self.source, self.quantity, self.bounds = (
                before.drawn,
                before.source,
                before.quantity,
                before.bounds,
            )
            self.columns = before.columns._replace(open=self._wanted(before.columns.item))
        else:
            self._lay(book, numbers)

    def _is_as(self, before: LevelNeeds) -> bool:
        return (
            self._laid is before._laid
            and np.array_equal(self._of_lines, before._of_lines)
            and self._numbers == before._numbers
            and all(map(is_, self.others, before.others))
        )

    def _lay(self, book: Book, numbers: Sequence[int]) -> None:
        first, last = self.first, self.last
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
        self.columns = NeedColumns(item, day, valid_through, self._wanted(item), single_lot & ~self.drawn[item])
        self.bounds = np.searchsorted(item, np.arange(len(items) + 1)).tolist()

    def _wanted(self, item: np.ndarray) -> np.ndarray:
        """What each need wants of stock before any reservation."""
        return np.where(self.drawn[item], 0, self.quantity) if self.drawn.any() else self.quantity.copy()

    def keep_reservations(self, book: Book) -> Pegs:
        """Give each need what its batch or demand has reserved of usable portions, before all needs.

        What is reserved beyond that, or of a portion that the need cannot use, stays withheld. Answers what lines of
        firm batches keep.
        """
        needs, stock = self.columns, book.stock
        rows = book.reserved_rows
        mine = np.flatnonzero((rows.item >= self.first) & (rows.item < self.last))
        if not len(mine) or not len(self.source):
            return NO_PEGS
        # Item and holder as one number, which needs have too.
        key = (rows.item[mine] - self.first) * book.holders + rows.holder[mine]
        order = np.lexsort((rows.row[mine], key))
        key, row, left = key[order], rows.row[mine][order], rows.quantity[mine][order]
        holding, holder = self._holding(book, rows.item[mine] - self.first, rows.holder[mine])
        begin, past = (np.searchsorted(key, holder, side=side) for side in ("left", "right"))
        held = past > begin
        holding, holder, begin, past = holding[held], holder[held], begin[held], past[held]
        # Of each need its rows, and whether it can use them.
        count = past - begin
        of_need = np.repeat(np.arange(len(holding)), count)
        at = np.arange(len(of_need)) - np.repeat(np.cumsum(count) - count - begin, count)
        usable = (stock.here_on[row[at]] <= needs.day[holding][of_need]) & (
            stock.last_day[row[at]] >= needs.valid_through[holding][of_need]
        )
        part = np.where(usable, left[at], 0)
        first_row = np.cumsum(count) - count
        together = np.add.reduceat(part, first_row) if len(holding) else part
        counted = np.add.reduceat(part, first_row, dtype=np.float64) < MOST if len(holding) else part.astype(np.bool_)
        # Whoever needs an item once, and no less than is reserved, keeps all that can be used; others one by one.
        plain = np.bincount(np.searchsorted(key, holder), minlength=len(key))[np.searchsorted(key, holder)] == 1
        plain &= counted & (together <= needs.open[holding])
        needs.open[holding[plain]] -= together[plain]
        taking = np.flatnonzero(plain[of_need] & (part > 0))
        np.add.at(book.reserved_used, stock.source[row[at[taking]]], part[taking])
        line = self.source[holding[of_need[taking]]]
        of_batches = line >= 0
        pegs = Pegs(line[of_batches], row[at[taking]][of_batches], part[taking][of_batches])
        one_by_one = self._keep_one_by_one(book, holding[~plain], begin[~plain], past[~plain], row, left)
        return Pegs(*map(np.concatenate, zip(pegs, one_by_one, strict=True)))

    def _keep_one_by_one(
        self, book: Book, holding: np.ndarray, begin: np.ndarray, past: np.ndarray, row: np.ndarray, left: np.ndarray
    ) -> Pegs:
        """Needs, in order of service, take what is left of the reservations from ``begin`` to ``past`` of each."""
        needs, stock = self.columns, book.stock
        kept = Taken([], [], [])
        for place, first, end in zip(holding.tolist(), begin.tolist(), past.tolist(), strict=True):
            day, valid_through, rest = int(needs.day[place]), needs.valid_through[place], int(needs.open[place])
            source = int(self.source[place])
            for at in range(first, end):
                if left[at] and rest and stock.here_on[row[at]] <= day and stock.last_day[row[at]] >= valid_through:
                    part = min(int(left[at]), rest)
                    left[at] -= part
                    rest -= part
                    book.reserved_used[stock.source[row[at]]] += part
                    if source >= 0:
                        kept.add(source, int(row[at]), part)
            needs.open[place] = rest
        return kept.pegs()

    def _holding(self, book: Book, items: np.ndarray, holders: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The needs of these items that may be of these holders, and of each its item and holder as one number."""
        of_items, of_holders = np.zeros(self.last - self.first, np.bool_), np.zeros(book.holders + 1, np.bool_)
        of_items[items], of_holders[holders] = True, True
        needs = np.flatnonzero(of_items[self.columns.item])
        source = self.source[needs]
        holder = np.full(len(needs), book.holders)  # nobody: the lines of proposals
        firm = source >= 0
        holder[firm] = book.firm.head_of[source[firm]]
        for place in np.flatnonzero(~firm).tolist():
            demand = self.others[-1 - int(source[place])].demand
            if demand is not None:
                holder[place] = len(book.firm) + demand
        holding = np.flatnonzero(of_holders[holder])
        return needs[holding], self.columns.item[needs[holding]] * book.holders + holder[holding]

    def needs_at(self, firm: FirmBatches, rest: slice) -> ItemNeeds:
        """Some needs of one item, in order of service."""
        columns, source = self.columns, self.source[rest]
        quantity, still_open = self.quantity[rest].tolist(), columns.open[rest].tolist()
        for at in np.flatnonzero(self.quantity[rest] >= UNCOUNTED).tolist():
            need = self.others[-1 - int(source[at])]
            still_open[at] += need.quantity - quantity[at]
            quantity[at] = need.quantity
        of_batch = source >= 0
        to = [firm.to[head] for head in firm.head_of[source[of_batch]].tolist()]
        safety_only = [False] * len(source)
        for at in np.flatnonzero(~of_batch).tolist():
            need = self.others[-1 - int(source[at])]
            to.insert(at, need.to)
            safety_only[at] = need.safety_only
        return ItemNeeds(
            columns.day[rest].tolist(),
            columns.valid_through[rest].tolist(),
            quantity,
            still_open,
            columns.single_lot[rest].tolist(),
            safety_only,
            of_batch.tolist(),
            to,
        )


def net_level(book: Book, first: int, last: int) -> Served:
    """Serve every need of the items numbered ``first`` to ``last``, and write their requirements and proposals."""
    before = book.levels_before.get((first, last))
    level = LevelNeeds(book, first, last, before.needs if before is not None else None)
    kept = level.keep_reservations(book)
    supply, span = _supply(book, first, last), (book.from_day, book.to_day)
    floors = before.floors if before is not None else _floors(book, first, last)  # in the same terms they are the same
    # Which items are given something else than before; None: all are swept anew, and may be so up to other needs.
    changed = changed_items(before.sweep, level.columns, supply, last - first) if before is not None else None
    if before is None or changed is None:
        swept = sweep(level.columns, supply, floors, *span)
    else:
        swept = sweep_after(before.sweep, changed, level.columns, supply, floors, span)
    book.levels[first, last] = NettedLevel(level, floors, Sweep(level.columns, supply, swept))
    swept = swept._replace(served=swept.served | level.drawn[level.columns.item])  # never short, whatever the sums
    rows = slice(book.stock.bounds[first], book.stock.bounds[last])
    book.stock.rest[rows] = swept.rest
    named_as_before = level.same and book.supply_is_named_as_before
    netted: list[tuple[int, int, Outcome]] = []  # item number, the place of its first need, what came of it
    for item in np.flatnonzero(swept.unfinished & ~level.drawn).tolist():
        begin, past = level.bounds[item], level.bounds[item + 1]
        place = begin + int(np.count_nonzero(swept.served[begin:past]))
        if named_as_before and changed is not None and not changed[item]:
            outcome = book.take_again(first + item)
        else:
            served_through = int(level.columns.day[place - 1]) if place > begin else -1
            needs = level.needs_at(book.firm, slice(place, past))
            outcome = _netted(book, first + item, needs, served_through)
        book.write(first + item, outcome, level.source[place:past])
        netted.append((first + item, place, outcome))
    return _served(level, swept, rows.start, [kept, _take(book, level, netted)])


def _take(book: Book, level: LevelNeeds, netted: Sequence[tuple[int, int, Outcome]]) -> Pegs:
    """Leave of the stock what netting items left; answers what lines of firm batches take."""
    if not netted:
        return NO_PEGS
    numbers, places, outcomes = zip(*netted, strict=True)
    first_row, place = np.asarray(book.stock.bounds)[list(numbers)], np.array(places)
    rows = np.concatenate([outcome.rows for outcome in outcomes])
    book.stock.rest[rows + np.repeat(first_row, [len(outcome.rows) for outcome in outcomes])] = np.concatenate(
        [outcome.rest for outcome in outcomes]
    )
    line, row, quantity = (np.concatenate(each) for each in zip(*(outcome.taken for outcome in outcomes), strict=True))
    count = [len(outcome.taken.line) for outcome in outcomes]
    return Pegs(level.source[line + np.repeat(place, count)], row + np.repeat(first_row, count), quantity)


class NettedLevel(NamedTuple):
    """What a later plan can take of a level."""

    needs: LevelNeeds
    floors: Floors
    sweep: Sweep


def _netted(book: Book, number: int, needs: ItemNeeds, served_through: int) -> Outcome:
    """What netting an item need by need comes to."""
    item, stock = book.order[number], book.stock
    rows = slice(stock.bounds[number], stock.bounds[number + 1])
    expiries = stock.last_day[rows].tolist() if item.safety_stock else []
    given = Given(needs, stock.supply_of(number), expiries, book.coming(number), served_through)
    before = book.outcomes_before.get(item.code)
    outcome = before[1] if before is not None and before[0] == given else Netting(book, item, given).run()
    book.outcomes[item.code] = given, outcome
    return outcome


def _supply(book: Book, first: int, last: int) -> SupplyColumns:
    rows = slice(book.stock.bounds[first], book.stock.bounds[last])
    stock = book.stock
    # A copy of what is left: the stock's own column is written to.
    return SupplyColumns(stock.item[rows] - first, stock.last_day[rows], stock.here_on[rows], stock.rest[rows].copy())


def _floors(book: Book, first: int, last: int) -> Floors:
    quantity = [0 if item.drawn else item.safety_stock for item in book.order[first:last]]
    looked_at_from = [
        floor_looked_at_from(book, item) if safety else NEVER
        for item, safety in zip(book.order[first:last], quantity, strict=True)
    ]
    return Floors(_column(quantity), _column(looked_at_from))


def _served(level: LevelNeeds, swept: Swept, first_row: int, others: Sequence[Pegs]) -> Served:
    needs = np.flatnonzero(swept.served)
    item, day = level.columns.item[needs], level.columns.day[needs]
    new = np.flatnonzero(np.concatenate([[True], (np.diff(item) != 0) | (np.diff(day) != 0)])) if len(needs) else needs
    return Served(
        needs=len(level.source),
        source=level.source,
        served=swept.served,
        first_row=first_row,
        laid=swept.laid,
        others=others,
        item=item[new] + level.first,
        day=day[new],
        gross=np.add.reduceat(level.quantity[needs], new) if len(needs) else needs,
    )


def _column(values: Sequence[int]) -> np.ndarray:
    """Quantities that no column holds are ``UNCOUNTED``."""
    try:
        return np.minimum(np.array(values, dtype=np.int64), UNCOUNTED)
    except OverflowError:
        return np.array([min(value, UNCOUNTED) for value in values], dtype=np.int64)
