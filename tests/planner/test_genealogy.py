"""The picture of a trace: what stands where, what is folded, and that nothing is lost in folding."""

from __future__ import annotations

import pytest

from inventory.models import Lot
from inventory.services.lots import decide
from inventory.tracing import Trace, trace
from planner.genealogy import BARRED_HEIGHT, ROOM, SIZES, Picture, picture_of, width_of
from tests.inventory.builders import G, make_item, make_stock
from tests.inventory.test_tracing import made

pytestmark = pytest.mark.django_db


def words_of(picture: Picture) -> list[list[tuple[str, str]]]:
    """The words of the boxes, column by column from the left, from the top."""
    columns: dict[int, list[tuple[int, tuple[str, str]]]] = {}
    for box in picture.boxes:
        columns.setdefault(box.x, []).append((box.y, box.words))
    return [[words for _, words in sorted(columns[x])] for x in sorted(columns)]


def herb_to_creams(creams: int) -> tuple[Lot, list[Lot]]:
    herb = make_stock(make_item("HERB"), 1000 * G, number="H1")
    oil = made("OIL", [(herb, 100 * G)], 90 * G)
    return herb.lot, [made(f"CREAM{at}", [(oil, 1 * G)], 1 * G).lot for at in range(creams)]


def traced(lot: Lot, forward: bool = True) -> Trace:
    return trace([lot], forward)


def test_what_came_first_stands_left_in_both_directions():
    herb, (cream,) = herb_to_creams(1)
    forward, backward = picture_of(traced(herb)), picture_of(traced(cream, forward=False))
    assert [[one for one, _ in column] for column in words_of(forward)] == [["H1"], ["OIL"], ["CREAM0"]]
    assert words_of(backward) == words_of(forward)
    assert [box.kind for box in forward.boxes] == ["origin", "lot", "lot"]
    assert len(forward.lines) == len(backward.lines) == 2
    for line in forward.lines:
        assert line.x1 < line.x2


def test_a_full_column_is_folded_by_item_and_then_altogether():
    herb, creams = herb_to_creams(5)
    assert len(words_of(picture_of(traced(herb), most=5))[2]) == 5
    folded = words_of(picture_of(traced(herb), most=3))[2]
    assert len(folded) == 3
    assert sum(int(words[1].split()[0]) for words in folded) == len(creams)
    assert ("3 more items", "3 lots") in folded


def test_what_is_held_is_marked_also_where_it_is_folded():
    herb, creams = herb_to_creams(5)
    decide(lots=[creams[4]], status="held", why="a doubt")
    barred = [box.words for box in picture_of(traced(herb), most=3).boxes if box.barred]
    assert len(barred) == 1


def test_the_same_trace_gives_the_same_picture():
    herb, _ = herb_to_creams(4)
    assert picture_of(traced(herb)) == picture_of(traced(herb))


def test_words_stay_within_their_boxes_and_a_bar_has_a_line_of_its_own():
    herb = make_stock(make_item("CALENDULA-DRY-FLOWERS-WHOLE"), 1000 * G, number="WWWWWWWWWWWWWWWWWWWW-1").lot
    decide(lots=[herb], status="held", why="a doubt")
    (box,) = picture_of(traced(herb)).boxes
    assert all(width_of(words, size) <= ROOM for words, size in zip(box.words, SIZES, strict=True))
    assert box.words[1].startswith("CALENDULA-DRY")
    assert box.height == BARRED_HEIGHT
