"""Lines of firm batches that the closed form served, written as the rows that a plan shows. Pure.

The other lines have their rows already: netting wrote them need by need.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from planner.engine.book import Asked, Book
from planner.engine.level import Served
from planner.engine.netting import write_takes
from planner.engine.passed_over import LotReasons


def write_lines(book: Book, levels: Sequence[Served]) -> None:
    """Put a row in place for each line of a shown batch that has none yet, and name the lots passed over."""
    _write_unneeded(book)
    for served in levels:
        for first, last in _items_of(book, served.lines):
            number = int(book.firm.item[served.lines[first]])
            reasons = book.reasons_of(book.order[number])
            _write_item(book, served, first, last, reasons)
            # The days of netting come after those of the closed form.
            _name_passed_over(book.asked.pop(number, ()), reasons)
    for number, asked in book.asked.items():
        _name_passed_over(asked, book.reasons_of(book.order[number]))
    book.asked.clear()


def _name_passed_over(asked: Iterable[Asked], reasons: LotReasons) -> None:
    for row, day, own_reserved, too_small in asked:
        row.passed_over = reasons.for_line(day, own_reserved or {}, too_small)


def _write_unneeded(book: Book) -> None:
    """Lines that need nothing: of a charge too small for them, or weighed already."""
    firm = book.firm
    for place in np.flatnonzero(firm.quantity == 0).tolist():
        head = firm.heads[int(firm.head_of[place])]
        if head.shown:
            head.put_row(int(firm.place_of[place]), 0)


def _items_of(book: Book, lines: np.ndarray) -> Iterable[tuple[int, int]]:
    """The stretches of ``lines`` that belong to one item."""
    if not len(lines):
        return []
    edges = np.flatnonzero(np.diff(book.firm.item[lines])) + 1
    return zip([0, *edges.tolist()], [*edges.tolist(), len(lines)], strict=True)


def _write_item(book: Book, served: Served, first: int, last: int, reasons: LotReasons) -> None:
    """The rows of one item's served lines, in order of service."""
    firm = book.firm
    lines = served.lines[first:last]
    item = book.order[int(firm.item[lines[0]])]
    first_peg = np.searchsorted(served.peg_line, lines, side="left").tolist()
    past_peg = np.searchsorted(served.peg_line, lines, side="right").tolist()
    own_reserved = book.own_reserved.get(item.code, {})
    start = first_peg[0]
    pegs = slice(start, past_peg[-1])
    peg_row, peg_quantity = served.peg_row[pegs].tolist(), served.peg_quantity[pegs].tolist()
    codes = _Codes(book)
    for line, head_of, of_batch, quantity, begin, end in zip(
        lines.tolist(),
        firm.head_of[lines].tolist(),
        firm.place_of[lines].tolist(),
        firm.quantity[lines].tolist(),
        first_peg,
        past_peg,
        strict=True,
    ):
        head = firm.heads[head_of]
        if not head.shown:
            continue
        row = head.put_row(of_batch, quantity)
        if item.drawn:
            row.short = 0
            continue
        own = own_reserved.get(head.code) if own_reserved else None
        code = codes[peg_row[begin - start]] if end == begin + 1 and not own else None
        if code is not None:  # one lot that is ready: by far the most common case
            row.lots = [(code, quantity)]
            row.short = 0
        else:
            taken = zip(peg_row[begin - start : end - start], peg_quantity[begin - start : end - start], strict=True)
            parts = [*book.kept.get(line, ()), *taken]
            write_takes(row, [(book.stock.row(place), part) for place, part in parts])
        row.passed_over = reasons.for_line(head.day, own, ()) if own else reasons.on(head.day)


class _Codes(dict[int, str | None]):
    """By row of the stock the lot's number; None where the row is not a lot that is ready."""

    def __init__(self, book: Book) -> None:
        super().__init__()
        self._stock, self._lots = book.stock, book.lots

    def __missing__(self, place: int) -> str | None:
        code = self[place] = self._lots.lot[self._stock.source[place]] if self._stock.ready[place] else None
        return code
