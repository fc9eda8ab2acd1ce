"""Best-fit allocation: one item's supply, and which of it serves a need.

Each need is served from the usable supply that expires first among what lives long enough for this
need and is here by its day. Needs come in the order of their days. Served so, no need is short where
a maximum flow from supply to needs could serve it: whatever is here now can serve exactly the later
needs whose validity is not after its last day, so the earliest last day is the least useful to keep.
Imports the standard library and the row types only.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from operator import attrgetter

LOT, ORDER, FIRM_OUTPUT, SURPLUS = range(4)


class Supply:
    """One row of supply: a portion of a lot, an order, a firm batch's output, or surplus of a proposal."""

    __slots__ = ("here_on", "key", "kind", "last_day", "lot", "place", "rest")

    def __init__(self, last_day: int, here_on: int, kind: int, rest: int, place: int, lot: str = "") -> None:
        """``place``: among rows of one kind, last day and day here, those with smaller ones are taken first."""
        self.last_day = last_day
        self.here_on = here_on
        self.kind = kind
        self.rest = rest  # steps not yet promised
        self.place = place  # of firm supply in ``Book.stock``
        self.lot = lot  # the number of the lot that this is a portion of; blank: none
        self.key = (last_day, here_on, kind, place)

    def twin(self) -> Supply:
        """The same row with a rest of its own."""
        return Supply(self.last_day, self.here_on, self.kind, self.rest, self.place, self.lot)


Takes = list[tuple[Supply, int]]
_key = attrgetter("key")


class Shelf:
    """One item's supply in order of supply: what is here, what is still to come, what is late surplus.

    The days given to ``advance`` never go back. Rows that are used up leave the shelf, so that a need
    looks only at rows it can take from.
    """

    __slots__ = ("_arriving", "_last_days", "_rows", "late_surplus")

    def __init__(self, rows: Iterable[Supply] = ()) -> None:
        self._last_days: list[int] = []  # of the rows that are here
        self._rows: list[Supply] = []
        self._arriving = sorted((row for row in rows if row.rest > 0), key=attrgetter("here_on"), reverse=True)
        self.late_surplus: list[Supply] = []  # in order of supply

    def advance(self, day: int) -> None:
        """Put on the shelf what is here by ``day``."""
        arriving = self._arriving
        if arriving and arriving[-1].here_on <= day:
            arrived = []
            while arriving and arriving[-1].here_on <= day:
                arrived.append(arriving.pop())
            self._put(arrived)
        if self.late_surplus:
            arrived = [row for row in self.late_surplus if row.here_on <= day]
            if arrived:
                self.late_surplus = [row for row in self.late_surplus if row.here_on > day]
                self._put(arrived)

    def add_surplus(self, row: Supply) -> None:
        """What a proposal makes beyond its needs: served from the day it is here, or late before it."""
        if row.rest > 0:
            self.late_surplus.append(row)
            self.late_surplus.sort(key=_key)

    def take(self, valid_through: int, quantity: int) -> tuple[Takes, int]:
        """Best fit: take up to ``quantity`` of what is here and lasts through ``valid_through``.

        Returns what was taken of which rows, and how much is still open.
        """
        rows = self._rows
        first = place = bisect_left(self._last_days, valid_through)
        count = len(rows)
        if place < count and quantity:
            row = rows[place]
            if row.rest > quantity:  # by far the most common case
                row.rest -= quantity
                return [(row, quantity)], 0
        takes: Takes = []
        while quantity and place < count:
            row = rows[place]
            if row.rest > quantity:
                row.rest -= quantity
                takes.append((row, quantity))
                quantity = 0
                break
            takes.append((row, row.rest))
            quantity -= row.rest
            row.rest = 0
            place += 1
        if place > first:
            del rows[first:place], self._last_days[first:place]
        return takes, quantity

    def take_single(self, valid_through: int, quantity: int) -> tuple[Takes, int, list[str]]:
        """Take ``quantity`` from one source or not at all; the portions here of one lot are one source.

        Returns the takes, what is still open, and the lots that were usable but too small.
        """
        usable = self._rows[bisect_left(self._last_days, valid_through) :]
        left: dict[str | int, int] = {}  # by source, in the order of each source's first row
        for at, row in enumerate(usable):
            source = row.lot or at
            left[source] = left.get(source, 0) + row.rest
        too_small = [source for source, rest in left.items() if rest < quantity and isinstance(source, str)]
        chosen = next((source for source, rest in left.items() if rest >= quantity), None)
        takes = _take_from([row for at, row in enumerate(usable) if (row.lot or at) == chosen], quantity)
        for row, _ in takes:
            if row.rest == 0:
                place = bisect_left(self._rows, row.key, key=_key)
                del self._rows[place], self._last_days[place]
        return takes, quantity - sum(part for _, part in takes), too_small

    def take_late(self, valid_through: int, quantity: int, *, single: bool) -> tuple[Takes, int]:
        """Take from surplus of earlier proposals that is not here yet; from one row only when ``single``."""
        rows = [row for row in self.late_surplus if row.last_day >= valid_through]
        if single:
            rows = [row for row in rows if row.rest >= quantity][:1]
        takes = _take_from(rows, quantity)
        self.late_surplus = [row for row in self.late_surplus if row.rest]
        return takes, quantity - sum(part for _, part in takes)

    def missing_from(self, floor: int, day: int) -> int:
        """How far what is here and lives through ``day``, surplus even when late, is below ``floor``."""
        for row in reversed(self._rows):
            if floor <= 0 or row.last_day < day:
                break
            floor -= row.rest
        for row in self.late_surplus:
            if row.last_day >= day:
                floor -= row.rest
        return max(0, floor)

    def copy(self) -> Shelf:
        """The same shelf with rows of its own, to try a future on."""
        twin = Shelf()
        twin._last_days = self._last_days.copy()
        twin._rows = [row.twin() for row in self._rows]
        twin._arriving = [row.twin() for row in self._arriving]
        twin.late_surplus = [row.twin() for row in self.late_surplus]
        return twin

    def _put(self, arrived: list[Supply]) -> None:
        if len(arrived) > 8 or not self._rows:
            # One sort costs less than moving the tail of the shelf once for each row.
            self._rows.extend(arrived)
            self._rows.sort(key=_key)
            self._last_days = [row.last_day for row in self._rows]
            return
        for row in arrived:
            place = bisect_left(self._rows, row.key, key=_key)
            self._last_days.insert(place, row.last_day)
            self._rows.insert(place, row)


def _take_from(rows: list[Supply], quantity: int) -> Takes:
    """Take up to ``quantity`` from ``rows`` in their order."""
    takes: Takes = []
    for row in rows:
        if not quantity:
            break
        part = min(row.rest, quantity)
        row.rest -= part
        quantity -= part
        takes.append((row, part))
    return takes


def surplus_row(last_day: int, here_on: int, quantity: int, *, order: int) -> Supply:
    """What a proposal makes beyond its needs; ``order`` sets earlier proposals before later ones."""
    return Supply(last_day, here_on, SURPLUS, quantity, order)
