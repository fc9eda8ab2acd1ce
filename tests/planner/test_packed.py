"""Columns read as one text each hold what the driver's rows hold, and are taken again where nothing was written."""

from __future__ import annotations

import itertools
from datetime import date
from typing import Any

import numpy as np
import pytest
from django.db.models import QuerySet

from inventory.models import Item, Lot, Portion
from planner.engine.columns import BLANK
from planner.packed import Reading
from tests.inventory.builders import make_item

pytestmark = pytest.mark.django_db

NUMBERS, FLAGS = ("pk", "lot__unit_cost_e6", "on_hand"), ("set_apart",)
DAYS, TEXTS = ("lot__received_on", "opened_on"), ("lot__number", "place", "lot__supplier__code")
AWKWARD = ("", "plain", 'a "quoted", word', "tab\tand\nline", "\x1f\x1e separators,1", "\\ back", "früh 桶", "%s ?")


def portions() -> QuerySet[Any]:
    return Portion.objects.filter(on_hand__gt=0)


def stock() -> None:
    item = make_item("OIL")
    days = (None, date(1, 1, 1), date(2027, 3, 31), date(9999, 12, 31))
    for number, (place, came, opened) in enumerate(itertools.product(AWKWARD, days, days)):
        lot = Lot.objects.create(
            item=item, number=f"L{number % 7}-{number}", origin="received", status="released", received_on=came,
            unit_cost_e6=None if number % 3 else number,
        )  # fmt: skip
        Portion.objects.create(
            lot=lot, place=place, opened_on=opened, set_apart=bool(number % 2), on_hand=10**12 + number
        )


def read(reading: Reading) -> list[Any]:
    return reading.columns(portions(), numbers=NUMBERS, flags=FLAGS, days=DAYS, texts=TEXTS)


def as_rows(columns: list[Any]) -> list[tuple[Any, ...]]:
    """With None for what is blank and days as dates, as the driver gives them."""
    days = slice(len(NUMBERS) + len(FLAGS), len(NUMBERS) + len(FLAGS) + len(DAYS))
    plain = [list(column) if isinstance(column, tuple) else column.tolist() for column in columns]
    for column in plain[: len(NUMBERS)]:
        column[:] = [None if each == BLANK else each for each in column]
    for column in plain[days]:
        column[:] = [None if each == BLANK else date.fromordinal(each) for each in column]
    return list(zip(*plain, strict=True))


def rows() -> list[tuple[Any, ...]]:
    return sorted(portions().values_list(*NUMBERS, *FLAGS, *DAYS, *TEXTS), key=lambda row: row[0])


def test_columns_hold_the_rows_of_the_query() -> None:
    stock()
    read_rows = as_rows(read(Reading()))
    assert sorted(read_rows, key=lambda row: row[0]) == rows()
    assert len(read_rows) == len(AWKWARD) * 16


def test_rows_come_in_the_same_order_while_they_stay() -> None:
    stock()
    first = Reading(Reading())
    before = read(first)
    for pk in before[0].tolist()[::3]:
        Portion.objects.filter(pk=pk).update(on_hand=7)  # PostgreSQL puts a changed row elsewhere
    assert read(Reading(first))[0] is before[0]


def test_no_rows_are_columns_of_nothing() -> None:
    columns = read(Reading())
    assert [len(column) for column in columns] == [0] * len(columns)


def test_one_row_with_nothing_in_it_is_a_row() -> None:
    Portion.objects.create(lot=Lot.objects.create(item=make_item("OIL"), number="L1", origin="received"), on_hand=1)
    assert as_rows(read(Reading())) == rows()


def test_what_is_unchanged_is_taken_again_and_what_is_changed_is_not() -> None:
    stock()
    first = Reading(Reading())
    before = read(first)
    Portion.objects.filter(place="plain").update(on_hand=5)
    second = Reading(first)
    after = read(second)
    of = [*NUMBERS, *FLAGS, *DAYS, *TEXTS]
    assert [name for name, one, other in zip(of, before, after, strict=True) if one is not other] == ["on_hand"]
    assert sorted(as_rows(after), key=lambda row: row[0]) == rows()


def test_nobody_can_change_a_column_that_others_share() -> None:
    stock()
    for column in read(Reading()):
        if isinstance(column, np.ndarray):
            with pytest.raises(ValueError, match="read-only"):
                column[0] = 1


def test_what_is_made_of_columns_is_made_again_only_of_other_columns() -> None:
    make_item("OIL")
    made: list[int] = []

    def count(*columns: Any) -> list[Any]:
        made.append(len(columns))
        return [*columns]

    def items(reading: Reading) -> list[Any]:
        return reading.made(count, *reading.columns(Item.objects.order_by("pk"), texts=("code", "name")))

    first = Reading()
    one = items(first)
    second = Reading(first)
    assert items(second) is one
    assert made == [2]
    Item.objects.update(name="Other")
    assert items(Reading(second))[1] == ("Other",)
    assert made == [2, 2]
