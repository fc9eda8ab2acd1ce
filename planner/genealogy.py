"""The picture of a trace: lots as boxes from left (what came first) to right, what went where as lines between them.

Pure: from a trace to boxes and lines in pixels, the same for the same trace. A column that is too full is folded, one
box for all lots of an item, so that ten thousand lots can still be looked at.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from inventory.tracing import Departure, Trace, TracedLot

WIDTH, HEIGHT, BETWEEN_COLUMNS, BETWEEN_ROWS, MARGIN = 212, 52, 84, 14, 12
BARRED_HEIGHT = 70  # of every box where one is barred: a third line says so
MOST_IN_COLUMN = 12
ROOM = WIDTH - 24  # for words within a box
SIZES = (15.2, 13)  # of the two lines' letters; those of the first are bold, and wider for it
_WIDE, _NARROW = frozenset("MW@%&mw\N{HORIZONTAL ELLIPSIS}"), frozenset(" .,:;'!|()[]-/Ifijlrt1")

Key = Hashable


@dataclass(frozen=True, slots=True)
class Box:
    """``kind``: lot, origin, folded, under_way or left. ``barred``: held or rejected, all or some of it."""

    x: int
    y: int
    words: tuple[str, str]
    kind: str
    barred: bool = False
    width: int = WIDTH
    height: int = HEIGHT

    @property
    def middle(self) -> int:
        return self.y + self.height // 2


@dataclass(frozen=True, slots=True)
class Line:
    x1: int
    y1: int
    x2: int
    y2: int

    @property
    def bend(self) -> int:
        return (self.x1 + self.x2) // 2


@dataclass(frozen=True, slots=True)
class Picture:
    width: int
    height: int
    boxes: tuple[Box, ...]
    lines: tuple[Line, ...]
    told: str  # in one sentence, for whoever cannot see it


@dataclass(frozen=True, slots=True)
class _Planned:
    """A box before it has its place."""

    key: Key
    words: tuple[str, str]
    kind: str
    barred: bool = False


def picture_of(trace: Trace, *, most: int = MOST_IN_COLUMN) -> Picture:
    """Boxes and lines of a trace; at most ``most`` boxes stand in one column."""
    deepest = max((lot.depth for lot in trace.lots), default=0)
    columns: list[list[_Planned]] = [[] for _ in range(deepest + 1)]
    box_of: dict[int, Key] = {}  # lot -> the box it is in
    for depth in range(deepest + 1):
        lots = [lot for lot in trace.lots if lot.depth == depth]
        at = depth if trace.forward else deepest - depth
        columns[at] = _column_of(lots, set(trace.origins), box_of, most)
    ties = _ties(trace, box_of)
    under_way = _under_way(trace, box_of, columns, ties)
    left = _left(trace.departures, box_of, ties, most) if trace.forward else []
    if under_way or left:
        columns.append([*under_way, *left])
    return _placed(columns, ties, in_words(trace))


def _column_of(lots: Sequence[TracedLot], origins: set[int], box_of: dict[int, Key], most: int) -> list[_Planned]:
    """One box a lot; where these are too many one an item; where these are too many the rest in one."""
    if len(lots) <= most:
        for lot in lots:
            box_of[lot.lot_id] = lot.lot_id
        return [
            _Planned(lot.lot_id, (lot.lot, lot.item), "origin" if lot.lot_id in origins else "lot", _is_barred(lot))
            for lot in lots
        ]
    of_item: dict[str, list[TracedLot]] = defaultdict(list)
    for lot in lots:
        of_item[lot.item].append(lot)
    items = sorted(of_item, key=lambda item: (-len(of_item[item]), item))
    alone = items if len(items) <= most else items[: most - 1]
    planned = [_folded(item, of_item[item], (item, _lots(len(of_item[item]))), box_of) for item in sorted(alone)]
    others = [lot for item in items[len(alone) :] for lot in of_item[item]]
    if others:
        words = (f"{len(items) - len(alone)} more items", _lots(len(others)))
        planned.append(_folded("", others, words, box_of))
    return planned


def _folded(item: str, lots: Sequence[TracedLot], words: tuple[str, str], box_of: dict[int, Key]) -> _Planned:
    key = ("item", item, lots[0].depth)
    for lot in lots:
        box_of[lot.lot_id] = key
    return _Planned(key, words, "folded", any(map(_is_barred, lots)))


def _is_barred(lot: TracedLot) -> bool:
    return lot.status in ("held", "rejected")


def _lots(count: int) -> str:
    return f"{count} lot" if count == 1 else f"{count} lots"


def _ties(trace: Trace, box_of: Mapping[int, Key]) -> dict[tuple[Key, Key], None]:
    """From which box to which something went, each once, in the order of the links."""
    return {
        (box_of[link.from_lot_id], box_of[link.to_lot_id]): None for link in trace.links if link.to_lot_id is not None
    }


def _under_way(
    trace: Trace,
    box_of: Mapping[int, Key],
    columns: Sequence[Sequence[_Planned]],
    ties: dict[tuple[Key, Key], None],
) -> list[_Planned]:
    """Batches of which nothing has come yet: what went into them is in the pot."""
    found: dict[str, _Planned] = {}
    for link in trace.links:
        if link.to_lot_id is None and trace.forward:
            key = ("batch", link.batch)
            found[link.batch] = _Planned(key, (link.batch, "batch under way"), "under_way")
            ties[box_of[link.from_lot_id], key] = None
    return list(found.values())


def _left(
    departures: Iterable[Departure], box_of: Mapping[int, Key], ties: dict[tuple[Key, Key], None], most: int
) -> list[_Planned]:
    """Who received something; beyond ``most`` the rest in one box."""
    lots_to: dict[str, set[int]] = defaultdict(set)
    for row in departures:
        lots_to[receiver_of(row)].add(row.lot_id)
    names = sorted(lots_to, key=lambda name: (-len(lots_to[name]), name))
    alone = names if len(names) <= most else names[: most - 1]
    planned = []
    for name in sorted(alone):
        planned.append(_Planned(("left", name), (name, _lots(len(lots_to[name]))), "left"))
        ties |= {(box_of[lot], ("left", name)): None for lot in sorted(lots_to[name])}
    others = names[len(alone) :]
    if others:
        lots = set().union(*(lots_to[name] for name in others))
        planned.append(_Planned(("left", ""), (f"{len(others)} more receivers", _lots(len(lots))), "left"))
        ties |= {(box_of[lot], ("left", "")): None for lot in sorted(lots)}
    return planned


def receiver_of(departure: Departure) -> str:
    """The customer, or the public and where."""
    if departure.customer:
        return departure.customer
    return f"the public, {departure.public_place}" if departure.public_place else "the public"


def _placed(columns: Sequence[Sequence[_Planned]], ties: Mapping[tuple[Key, Key], None], told: str) -> Picture:
    """Each column is centred; its boxes stand in the order of what leads to them, so that few lines cross."""
    tallest = max(len(column) for column in columns)
    of_box = BARRED_HEIGHT if any(planned.barred for column in columns for planned in column) else HEIGHT
    height = 2 * MARGIN + tallest * of_box + (tallest - 1) * BETWEEN_ROWS
    into: dict[Key, list[Key]] = defaultdict(list)
    for from_key, to_key in ties:
        into[to_key].append(from_key)
    boxes: dict[Key, Box] = {}
    for at, column in enumerate(columns):
        ordered = sorted(enumerate(column), key=lambda one: (_height_before(into[one[1].key], boxes), one[0]))
        top = (height - len(column) * of_box - (len(column) - 1) * BETWEEN_ROWS) // 2
        for row, (_, planned) in enumerate(ordered):
            boxes[planned.key] = Box(
                x=MARGIN + at * (WIDTH + BETWEEN_COLUMNS),
                y=top + row * (of_box + BETWEEN_ROWS),
                words=(shortened(planned.words[0], SIZES[0]), shortened(planned.words[1], SIZES[1])),
                kind=planned.kind,
                barred=planned.barred,
                height=of_box,
            )
    lines = tuple(
        Line(boxes[one].x + WIDTH, boxes[one].middle, boxes[other].x, boxes[other].middle)
        for one, other in ties
        if one != other
    )
    width = 2 * MARGIN + len(columns) * WIDTH + (len(columns) - 1) * BETWEEN_COLUMNS
    return Picture(width, height, tuple(boxes.values()), lines, told)


def _height_before(keys: Sequence[Key], boxes: Mapping[Key, Box]) -> float:
    heights = [boxes[key].middle for key in keys if key in boxes]
    return sum(heights) / len(heights) if heights else 0.0


def shortened(text: str, size: float, room: int = ROOM) -> str:
    """As much of it as fits into so many pixels."""
    if width_of(text, size) <= room:
        return text
    cut = text
    while cut and width_of(cut + "\N{HORIZONTAL ELLIPSIS}", size) > room:
        cut = cut[:-1]
    return cut + "\N{HORIZONTAL ELLIPSIS}"


def width_of(text: str, size: float) -> float:
    """About how wide text of this size is in the widest of the picture's fonts."""
    return size * sum(
        1.0 if sign in _WIDE or sign > "\u024f" else 0.4 if sign in _NARROW else 0.72 if sign.isupper() else 0.58
        for sign in text
    )


def in_words(trace: Trace) -> str:
    """The picture in one sentence, for whoever cannot see it."""
    origins = set(trace.origins)
    first = ", ".join(lot.lot for lot in trace.lots if lot.lot_id in origins)
    others = Counter(lot.item for lot in trace.lots if lot.lot_id not in origins)
    what = "contain it" if trace.forward else "went into it"
    told = f"From left to right, the trace of {first}: {_lots(others.total())} of {len(others)} items {what}"
    if trace.forward:
        told += f", and {len({receiver_of(row) for row in trace.departures})} received something of them"
    return f"{told}. The same stands in the tables below."
