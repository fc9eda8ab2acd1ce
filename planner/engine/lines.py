"""Firm batches as a plan shows them: how stock covers each, and its lines as rows. Pure; numpy.

How thousands of batches are covered is told from columns; a row for each of their lines is written only for the
batches that somebody looks at.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.engine.book import Book
from planner.engine.level import Served
from planner.engine.pegs import Pegs
from planner.engine.problem import Line
from planner.engine.result import BatchCoverage, BatchLine, Cover, Expected, SubstituteFree

# A line starts with no lots, nothing expected, no substitutes; a list is put in place when there is
# something to say. A quarter of a million lines share these, and nobody writes into them.
_NO_LOTS: list[tuple[str, int]] = []
_NOTHING_EXPECTED: list[Expected] = []
_NO_SUBSTITUTES: list[SubstituteFree] = []
_NONE_PASSED_OVER: list[tuple[str, str]] = []

_UNWRITTEN = BatchLine(0, "", "", 0, _NO_LOTS, _NOTHING_EXPECTED, 0, 0, _NO_SUBSTITUTES, _NONE_PASSED_OVER)

ShortLine = tuple[BatchLine, Line, int]  # with the formula's line and the day


def covers_of(book: Book, levels: Sequence[Served]) -> tuple[np.ndarray, np.ndarray]:
    """How stock covers firm batches, in order of service: how many lines of each are short, and how many others are
    not here yet.
    """
    firm, ready = book.firm, book.stock.ready
    taken, waits = np.zeros(len(firm.line), dtype=np.int64), np.zeros(len(firm.line), dtype=np.bool_)
    for level in levels:
        for pegs in level.others:
            np.add.at(taken, pegs.line, pegs.quantity)
            waits[pegs.line[~ready[pegs.row]]] = True
        for laid in level.laid:
            line = level.source[laid.need]
            of_batches = line >= 0
            taken[line[of_batches]] += laid.quantity[of_batches]
            waits[line[of_batches & laid.reach(~ready[laid.row + level.first_row])]] = True
    drawn = np.array([item.drawn for item in book.order], dtype=np.bool_)
    is_short = (taken < firm.quantity) & ~drawn[firm.item]
    return np.bincount(firm.head_of[is_short], minlength=len(firm)), np.bincount(
        firm.head_of[waits & ~is_short], minlength=len(firm)
    )


def write_lines(book: Book, pegs: Pegs, shown: np.ndarray) -> tuple[list[BatchCoverage], list[ShortLine]]:
    """The batches shown, by day and code, with a row for each line; and the short lines that have substitutes.

    ``pegs`` by line, ``shown`` by batch in order of service.
    """
    firm = book.firm
    rows: list[list[BatchLine]] = [
        [_UNWRITTEN] * count if show else []
        for count, show in zip(firm.line_count.tolist(), shown.tolist(), strict=True)
    ]
    writing = _Writing(book, pegs, rows)
    places = np.flatnonzero(shown[firm.head_of])
    bounds = np.searchsorted(places, firm.bounds)
    for number in np.flatnonzero(np.diff(bounds)).tolist():
        writing.write_item(number, places[bounds[number] : bounds[number + 1]])
    batches = [
        BatchCoverage(
            firm.batches.code[place],
            book.formulas[firm.batches.formula[place]].item,
            int(firm.batches.planned_for[place]),
            _cover_of(rows[head]).told,
            rows[head],
        )
        for head, place in enumerate(firm.batch.tolist())
        if shown[head]
    ]
    return sorted(batches, key=lambda each: (each.planned_for, each.batch)), writing.short


class _Writing:
    """Rows of lines being put in their places, item by item."""

    def __init__(self, book: Book, pegs: Pegs, rows: list[list[BatchLine]]) -> None:
        self.book, self.pegs, self.rows = book, pegs, rows
        self.short: list[ShortLine] = []

    def write_item(self, number: int, places: np.ndarray) -> None:
        """The rows of one item's lines, in order of service."""
        book, firm, pegs = self.book, self.book.firm, self.pegs
        item, reasons = book.order[number], book.reasons_of(book.order[number])
        own_reserved = book.own_reserved.get(item.code, {})
        first_peg, past_peg = (np.searchsorted(pegs.line, places, side=side).tolist() for side in ("left", "right"))
        start, past = first_peg[0], past_peg[-1]
        taken = [
            (self._ready_lot(row), row, quantity)
            for row, quantity in zip(pegs.row[start:past].tolist(), pegs.quantity[start:past].tolist(), strict=True)
        ]
        codes = (
            [firm.batches.code[place] for place in firm.batch[firm.head_of[places]].tolist()] if own_reserved else ()
        )
        for at, (place, head, of_batch, of_formula, quantity, day, begin, end) in enumerate(
            zip(
                places.tolist(),
                *(
                    column[places].tolist()
                    for column in (firm.head_of, firm.place_of, firm.line, firm.quantity, firm.day)
                ),
                first_peg,
                past_peg,
                strict=True,
            )
        ):
            line = book.lines.row(of_formula)
            row = self.rows[head][of_batch] = BatchLine(
                line.position, line.phase, line.item, quantity, _NO_LOTS, _NOTHING_EXPECTED,
                quantity, 0, _NO_SUBSTITUTES, _NONE_PASSED_OVER,
            )  # fmt: skip
            if item.drawn:
                row.short = 0
                continue
            if not quantity:
                continue
            parts = taken[begin - start : end - start]
            if len(parts) == 1 and parts[0][0] is not None and parts[0][2] == quantity:  # by far the most common case
                row.lots, row.short = [(parts[0][0], quantity)], 0
            else:
                self._write_parts(row, parts)
                row.proposed = book.proposed.get(place, 0)
                if row.short and line.substitutes:
                    self.short.append((row, line, day))
            own = own_reserved.get(codes[at]) if own_reserved else None
            too_small = book.too_small.get(place, ())
            if own or too_small:
                # A lot of which something reserved was taken is not passed over, however small its rest.
                lots = {self.book.stock.lot_of(peg) for _, peg, _ in parts} if too_small else ()
                row.passed_over = reasons.for_line(day, own or {}, [lot for lot in too_small if lot not in lots])
            else:
                row.passed_over = reasons.on(day)

    def _ready_lot(self, row: int) -> str | None:
        """The lot's number where a row of the stock is a lot that is ready."""
        stock = self.book.stock
        return stock.lot_of(row) if stock.ready[row] else None

    def _write_parts(self, row: BatchLine, parts: Sequence[tuple[str | None, int, int]]) -> None:
        """Lots that are ready, and what is expected."""
        stock = self.book.stock
        lots: dict[str, int] = {}
        expected: dict[tuple[int, str], int] = {}  # by day, then source
        for lot, place, quantity in parts:
            row.short -= quantity
            if lot is not None:
                lots[lot] = lots.get(lot, 0) + quantity
            else:
                key = (int(stock.here_on[place]), stock.source_name(place))
                expected[key] = expected.get(key, 0) + quantity
        if lots:
            row.lots = list(lots.items())
        if expected:
            row.expected = [Expected(source, expected[day, source], day) for day, source in sorted(expected)]


def _cover_of(rows: Sequence[BatchLine]) -> Cover:
    return Cover(sum(row.short > 0 for row in rows), sum(not row.short and bool(row.expected) for row in rows))
