"""The snapshot reads the same rules from columns that services read from rows, in a fixed number of queries."""

from __future__ import annotations

import itertools
from datetime import date
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Portion
from inventory.services import lots
from inventory.usability import last_day_of, retest_day_of
from planner.engine.problem import NEVER
from planner.snapshot import take_snapshot
from tests.inventory.builders import make_item
from tests.planner.small_house import FROM, set_up

pytestmark = pytest.mark.django_db


def test_last_days_and_retest_days_are_those_of_the_services() -> None:
    received, expires = (None, date(2027, 1, 5)), (None, date(2027, 6, 30))
    opened, retest = (None, date(2027, 2, 1)), (None, date(2027, 3, 1))
    lives = ({}, {"shelf_life_days": 40}, {"shelf_life_hours": 30}, {"opened_life_days": 20, "retest_days": 10})
    rows = [
        lots.OpeningRow(
            item=make_item(f"ITEM-{number}", **life), number=f"L{number}", quantity=5, status="released",
            received_on=came, expires_on=ends, opened_on=open_day, retest_on=again,
        )
        for number, (life, came, ends, open_day, again) in enumerate(
            itertools.product(lives, received, expires, opened, retest)
        )
    ]  # fmt: skip
    lots.open_stock(rows=rows)
    read = {(lot.item, lot.lot): lot for lot in take_snapshot(from_day=date(2027, 1, 10), weeks=1).lots}
    assert len(read) == len(rows)
    for portion in Portion.objects.select_related("lot__item"):
        lot, item = portion.lot, portion.lot.item
        seen = read[item.code, lot.number]
        last_day, retest_on = last_day_of(lot, portion, item), retest_day_of(lot, item)
        assert seen.last_day == (NEVER if last_day is None else last_day.toordinal())
        assert seen.retest_on == (NEVER if retest_on is None else retest_on.toordinal())


def test_the_number_of_queries_does_not_grow_with_the_workshop(tmp_path: Path) -> None:
    with CaptureQueriesContext(connection) as empty:
        take_snapshot(from_day=FROM, weeks=4)
    set_up(tmp_path)
    with CaptureQueriesContext(connection) as full:
        take_snapshot(from_day=FROM, weeks=4)
    assert (
        len(full) <= len(empty) + 1
    )  # the ratios of substitutes that were weighed are asked for only where there are any
