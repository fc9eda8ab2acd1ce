"""Best fit in closed form: many items at once, as far as it holds. Pure; the standard library and numpy.

Where all of an item's usable stock is here and no need may have what an earlier one passed over, best fit takes
the stock in one go from front to back: each need begins where the one before it ended, or at the first row that
lives long enough for it, whichever is further. With the stock laid end to end on one axis that is a cumulative
sum of the needs and a running maximum of where their first usable rows begin (Lindley's recursion of queueing
theory, with quantities for times). Needs come in order of service, so of day.

It holds up to the first need that is short, that must come from one lot, that may have what an earlier one passed
over, that may leave less than the safety stock, or that would take from stock which arrives after the sweep's first
day. In the last case the item is swept again from that need's day on, with what has arrived by then; in the others it
is netted need by need (``netting``) from that day on. ``tests/engine`` holds both to the same plans.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

MOST = 1 << 61  # sums on one axis stay below this: twice as much still fits 64 bits


class NeedColumns(NamedTuple):
    """Needs in order of item, then of service."""

    item: np.ndarray  # place of the item among those swept
    day: np.ndarray
    valid_through: np.ndarray
    open: np.ndarray  # what reservations leave to serve
    single_lot: np.ndarray  # bool


class SupplyColumns(NamedTuple):
    """Supply in order of item, then of supply."""

    item: np.ndarray
    last_day: np.ndarray
    here_on: np.ndarray
    rest: np.ndarray


class Floors(NamedTuple):
    """Safety stock by item; 0 where none is kept."""

    quantity: np.ndarray
    looked_at_from: np.ndarray  # the first day on which it is looked at


class Laid(NamedTuple):
    """Needs laid along the stock of one sweep: what each takes of which rows can be told when it is asked for."""

    need: np.ndarray  # places of needs that take something, ascending
    begin: np.ndarray  # where on the axis each begins
    quantity: np.ndarray
    axis: np.ndarray  # where each row of supply begins, and at the end the whole
    row: np.ndarray  # places of these rows

    def pegs(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Places of needs and rows and what is taken: one peg for each row a need takes from."""
        begin, end = self.begin, self.begin + self.quantity
        first = np.searchsorted(self.axis, begin, side="right") - 1
        last = np.searchsorted(self.axis, end, side="left") - 1
        count = last - first + 1
        need, row = np.repeat(self.need, count), np.repeat(first, count)
        row += np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
        axis = self.axis
        part = np.minimum(np.repeat(end, count), axis[row + 1]) - np.maximum(np.repeat(begin, count), axis[row])
        if len(part) > len(begin):  # rows of nothing lie between
            kept = part > 0
            need, row, part = need[kept], row[kept], part[kept]
        return need, self.row[row], part

    def reach(self, rows: np.ndarray) -> np.ndarray:
        """Whether each of the needs takes anything of some rows (bool by row of the axis)."""
        of_rows = np.where(rows, np.diff(self.axis), 0)
        if not of_rows.any():
            return np.zeros(len(self.begin), dtype=np.bool_)
        before = _from_zero(of_rows)

        def up_to(place: np.ndarray) -> np.ndarray:
            """What lies in these rows up to each place on the axis."""
            row = np.minimum(np.searchsorted(self.axis, place, side="right"), len(rows)) - 1
            return before[row] + np.where(rows[row], place - self.axis[row], 0)

        return up_to(self.begin + self.quantity) > up_to(self.begin)

    def without(self, needs: np.ndarray) -> Laid:
        """Without some of its needs (bool)."""
        kept = ~needs
        return self._replace(need=self.need[kept], begin=self.begin[kept], quantity=self.quantity[kept])

    def taken(self) -> np.ndarray:
        """What is taken of each row of the axis."""
        if not len(self.begin):
            return np.zeros(len(self.axis) - 1, dtype=np.int64)
        # Up to an edge all of the needs before, and of the one that begins last before it what lies before the edge.
        last = np.searchsorted(self.begin, self.axis, side="right") - 1
        before = _from_zero(self.quantity)[np.maximum(last, 0)]
        part = np.minimum(self.axis - self.begin[last], self.quantity[last])
        return np.diff(np.where(last < 0, 0, before + part))


class Swept(NamedTuple):
    """What the closed form served, and where it stopped."""

    served: np.ndarray  # bool by need
    unfinished: np.ndarray  # bool by item: needs are left, or a safety stock must be looked at
    rest: np.ndarray  # by row of supply, after the served needs
    laid: list[Laid]  # by sweep


WORTH_A_SWEEP = 500  # needs: below that many, netting them costs less than another sweep


def sweep(needs: NeedColumns, supply: SupplyColumns, floors: Floors, from_day: int, to_day: int) -> Swept:
    """Serve the needs of all items, each as far as the closed form holds, sweep after sweep."""
    items = len(floors.quantity)
    swept, again = _sweep(needs, supply, floors, np.full(items, from_day), to_day)
    while again.any():
        left = np.flatnonzero(again[needs.item] & ~swept.served)
        if len(left) < WORTH_A_SWEEP:
            break
        rows = np.flatnonzero(again[supply.item])
        rest = NeedColumns(*(column[left] for column in needs))
        stock = SupplyColumns(*(column[rows] for column in supply._replace(rest=swept.rest)))
        # The day of each item's first need that is left: what has arrived by then is here.
        here_by = np.zeros(items, dtype=np.int64)
        here_by[rest.item[::-1]] = rest.day[::-1]
        of_items = again
        further, again = _sweep(rest, stock, floors, here_by, to_day)
        again &= of_items
        swept = _joined(swept, further, of_items, left, rows)
    return swept


class Sweep(NamedTuple):
    """What was swept, and what came of it."""

    needs: NeedColumns
    supply: SupplyColumns
    swept: Swept


MOST_LAID = 12  # sweeps that one answer is pieced together of


def sweep_after(
    before: Sweep,
    changed: np.ndarray,
    needs: NeedColumns,
    supply: SupplyColumns,
    floors: Floors,
    span: tuple[int, int],
) -> Swept:
    """As ``sweep`` from the first to the last day of ``span``; these and the floors are those of the sweep ``before``.

    Each item is served by itself: those that are not ``changed`` are taken from before.
    """
    if not changed.any():
        return before.swept
    mine, rows = np.flatnonzero(changed[needs.item]), np.flatnonzero(changed[supply.item])
    again = sweep(
        NeedColumns(*(column[mine] for column in needs)),
        SupplyColumns(*(column[rows] for column in supply)),
        Floors(np.where(changed, floors.quantity, 0), floors.looked_at_from),
        *span,
    )
    unchanged = [each.without(changed[needs.item[each.need]]) for each in before.swept.laid]
    return _joined(before.swept._replace(laid=unchanged), again, changed, mine, rows)


def changed_items(before: Sweep, needs: NeedColumns, supply: SupplyColumns, items: int) -> np.ndarray | None:
    """Which items are not given what they were; None where nothing of the sweep before can be taken: needs or rows of
    supply are more, fewer or of other items, or it is of too many pieces.
    """
    if len(before.swept.laid) > MOST_LAID:
        return None
    if not np.array_equal(before.needs.item, needs.item) or not np.array_equal(before.supply.item, supply.item):
        return None
    changed = np.zeros(items, dtype=np.bool_)
    for old, new in ((before.needs, needs), (before.supply, supply)):
        for was, now in zip(old[1:], new[1:], strict=True):
            changed[new.item[was != now]] = True
    return changed


def _joined(swept: Swept, further: Swept, of_items: np.ndarray, needs: np.ndarray, rows: np.ndarray) -> Swept:
    """Both sweeps as one; the second was ``of_items`` (bool), of these ``needs`` and ``rows`` of supply."""
    served, rest, unfinished = swept.served.copy(), swept.rest.copy(), swept.unfinished.copy()
    served[needs] = further.served
    rest[rows] = further.rest
    unfinished[of_items] = further.unfinished[of_items]
    laid = [each._replace(need=needs[each.need], row=rows[each.row]) for each in further.laid]
    return Swept(served, unfinished, rest, swept.laid + laid)


def _sweep(
    needs: NeedColumns, supply: SupplyColumns, floors: Floors, here_by: np.ndarray, to_day: int
) -> tuple[Swept, np.ndarray]:
    """One sweep, from what is here by each item's day; also which items to sweep again."""
    items = len(floors.quantity)
    here = np.where(supply.here_on <= here_by[supply.item], supply.rest, 0)
    if float(here.sum(dtype=np.float64)) + float(needs.open.sum(dtype=np.float64)) + 2.0 * items >= MOST:
        return _nothing(needs, supply, items), np.zeros(items, dtype=np.bool_)
    every_item = np.arange(items + 1)
    first_need = np.searchsorted(needs.item, every_item)
    first_row = np.searchsorted(supply.item, every_item)

    axis = _from_zero(here)  # where each row begins, and at the end the whole
    stock = np.diff(axis[first_row])
    base = axis[first_row[:-1]]
    wanted = _from_zero(needs.open)
    wanted_of_item = np.diff(wanted[first_need])
    # Every item has a stretch of its own on one line, wide enough that maxima and searches never cross over.
    offset = _from_zero(stock + wanted_of_item + 1)[:-1]
    days = int(max(_most(supply.last_day), _most(needs.valid_through), _most(needs.day), to_day, _most(here_by))) + 2

    usable_from = np.searchsorted(supply.item * days + supply.last_day, needs.item * days + needs.valid_through)
    before = wanted[:-1] - wanted[first_need[needs.item]]  # of the same item's earlier needs
    shift = offset[needs.item] + wanted_of_item[needs.item] - before
    first_usable = np.where(needs.open > 0, axis[usable_from] - base[needs.item], 0)
    start = np.maximum.accumulate(first_usable + shift) - shift
    end = start + needs.open

    day_key = needs.item * days + needs.day
    stop = (end > stock[needs.item]) | needs.single_lot
    in_order = _in_order(needs, items)
    if not in_order.all():
        stop |= _goes_back(needs, first_usable, start, end, offset)
    limit = _first_places(np.flatnonzero(stop), needs.item, first_need)
    _limit_by_arrivals(
        limit, needs, supply, first_need, axis, base, end + offset[needs.item], offset, day_key, days, in_order
    )
    floor_is_safe = _floors_hold(floors, supply, first_need, first_row, axis, base, stock, end, days, to_day)
    watched = (floors.quantity > 0) & (floors.looked_at_from <= to_day) & ~floor_is_safe
    low = _below_floor(np.flatnonzero(watched[needs.item]), floors, needs, supply, axis, base, stock, end, days)
    limit = np.minimum(limit, _first_places(low, needs.item, first_need))
    # A day is netted as a whole.
    short_of = limit < first_need[1:]
    at = np.minimum(limit, max(len(day_key) - 1, 0))
    if len(day_key):
        limit = np.where(short_of, np.searchsorted(day_key, day_key[at]), limit)

    served = np.arange(len(needs.item)) < limit[needs.item]
    taking = np.flatnonzero(served & (needs.open > 0))
    begin = start[taking] + base[needs.item[taking]]
    laid = Laid(taking, begin, needs.open[taking], axis, np.arange(len(here)))
    swept = Swept(served, short_of | watched, supply.rest - laid.taken(), [laid])
    if not short_of.any():
        return swept, short_of
    # Again where more has arrived by the first day that is left, unless a safety stock is looked at by then.
    next_day = np.where(short_of, needs.day[np.minimum(limit, len(needs.day) - 1)], 0)
    more = (supply.rest > 0) & (supply.here_on > here_by[supply.item]) & (supply.here_on <= next_day[supply.item])
    again = np.zeros(items, dtype=np.bool_)
    again[supply.item[more]] = True
    return swept, again & ~(watched & (floors.looked_at_from <= next_day))


def _in_order(needs: NeedColumns, items: int) -> np.ndarray:
    """Items of which no need may live less long than one before it."""
    shorter = (needs.valid_through[1:] < needs.valid_through[:-1]) & (needs.item[1:] == needs.item[:-1])
    in_order = np.ones(items, dtype=np.bool_)
    in_order[needs.item[1:][shorter]] = False
    return in_order


def _goes_back(
    needs: NeedColumns, first_usable: np.ndarray, start: np.ndarray, end: np.ndarray, offset: np.ndarray
) -> np.ndarray:
    """Needs that could be served from stock which an earlier need of the item passed over as too short-lived."""
    line = offset[needs.item]
    before = np.concatenate([[0], (end + line)[:-1]])
    passed_over = np.where(start + line > np.maximum(before, line), start + line, 0)
    so_far = np.concatenate([[0], np.maximum.accumulate(passed_over)[:-1]])
    return (needs.open > 0) & (first_usable + line < so_far)


def _limit_by_arrivals(
    limit: np.ndarray,
    needs: NeedColumns,
    supply: SupplyColumns,
    first_need: np.ndarray,
    axis: np.ndarray,
    base: np.ndarray,
    end_on_line: np.ndarray,
    offset: np.ndarray,
    day_key: np.ndarray,
    days: int,
    in_order: np.ndarray,
) -> None:
    """Lower the limit to the first need that would rather take from a row which arrives later.

    That is one whose day has seen the row arrive, that takes from beyond the row's place in the order, and for
    which the row lives long enough. A row too short-lived for it is so for every later need as well, where none of
    the item's needs may live less long than an earlier one.
    """
    if not len(needs.item):
        return
    later = np.flatnonzero((supply.rest > 0) & (axis[1:] == axis[:-1]))
    item = supply.item[later]
    arrived = np.searchsorted(day_key, item * days + np.minimum(supply.here_on[later], days - 1))
    beyond = np.searchsorted(end_on_line, axis[later] - base[item] + offset[item], side="right")
    place = np.maximum(arrived, beyond)
    inside = place < first_need[item + 1]
    place, later, item = place[inside], later[inside], item[inside]
    alive = (supply.last_day[later] >= needs.valid_through[place]) | ~in_order[item]
    np.minimum.at(limit, item[alive], place[alive])


def _floors_hold(
    floors: Floors,
    supply: SupplyColumns,
    first_need: np.ndarray,
    first_row: np.ndarray,
    axis: np.ndarray,
    base: np.ndarray,
    stock: np.ndarray,
    end: np.ndarray,
    days: int,
    to_day: int,
) -> np.ndarray:
    """Items whose safety stock is surely never missing: what lives through ``to_day`` and no need at all takes."""
    item = np.arange(len(stock))
    lasting = np.searchsorted(supply.item * days + supply.last_day, item * days + to_day)
    reached = axis[lasting] - base
    has_needs = first_need[1:] > first_need[:-1]
    if len(end):
        last_end = end[np.maximum(first_need[1:] - 1, 0)]
        reached = np.where(has_needs, np.maximum(reached, last_end), reached)
    return stock - reached >= floors.quantity


def _below_floor(
    places: np.ndarray,
    floors: Floors,
    needs: NeedColumns,
    supply: SupplyColumns,
    axis: np.ndarray,
    base: np.ndarray,
    stock: np.ndarray,
    end: np.ndarray,
    days: int,
) -> np.ndarray:
    """Of the needs at ``places`` those that may leave less than the safety stock on a day on which it is looked at.

    What is left and lives through the day only falls until more arrives: where it suffices after a day's needs, it
    sufficed whenever it was looked at before.
    """
    item, day = needs.item[places], needs.day[places]
    alive_from = axis[np.searchsorted(supply.item * days + supply.last_day, item * days + day)] - base[item]
    left = stock[item] - np.maximum(end[places], alive_from)
    return places[(day >= floors.looked_at_from[item]) & (left < floors.quantity[item])]


def _first_places(places: np.ndarray, item: np.ndarray, first_need: np.ndarray) -> np.ndarray:
    """By item the first of ``places`` (ascending), else one past its last need."""
    found = first_need[1:].copy()
    items, at = np.unique(item[places], return_index=True)
    found[items] = places[at]
    return found


def _nothing(needs: NeedColumns, supply: SupplyColumns, items: int) -> Swept:
    """Sums that would not fit: every item is netted need by need, in Python's own integers."""
    return Swept(np.zeros(len(needs.item), dtype=bool), np.ones(items, dtype=bool), supply.rest, [])


def _from_zero(values: np.ndarray) -> np.ndarray:
    """Cumulative sums that begin with 0: one more than the values."""
    sums = np.zeros(len(values) + 1, dtype=np.int64)
    np.cumsum(values, out=sums[1:])
    return sums


def _most(values: np.ndarray) -> int:
    return int(values.max()) if len(values) else 0
