"""Lots that wait for somebody's word: which are looked at again, and in what order they come up."""

from __future__ import annotations

import pytest

from production import waiting
from tests.inventory.builders import days, make_item, make_lot

pytestmark = pytest.mark.django_db


def shown() -> list[str]:
    return [one.lot.number for one in waiting.lots_to_retest()]


def test_a_lot_is_looked_at_again_by_its_own_day_or_by_its_items_days() -> None:
    """Within two weeks, the earliest first; a day of its own counts in place of its item's."""
    wax, oil = make_item("WAX", retest_days=100), make_item("OIL", retest_days=30)
    plain = make_item("CLAY")
    make_lot(wax, number="DUE-IN-10", received_on=days(-90))
    make_lot(wax, number="DUE-IN-20", received_on=days(-80))
    make_lot(oil, number="OVERDUE", received_on=days(-31))
    make_lot(oil, number="LATER-BY-ITS-OWN-DAY", received_on=days(-31), retest_on=days(40))
    make_lot(plain, number="BY-ITS-OWN-DAY", received_on=days(-5), retest_on=days(14))
    make_lot(plain, number="NEVER", received_on=days(-500))
    make_lot(oil, number="NOT-RELEASED", received_on=days(-31), status="quarantine")
    assert shown() == ["OVERDUE", "DUE-IN-10", "BY-ITS-OWN-DAY"]


def test_the_first_to_be_looked_at_come_up_however_many_came_before_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "MOST", 1)
    long, short = make_item("WAX", retest_days=400), make_item("OIL", retest_days=30)
    for number in range(12):
        make_lot(long, number=f"W{number}", received_on=days(-395))
    make_lot(short, number="FIRST", received_on=days(-30))
    assert shown() == ["FIRST"]


def test_who_decides_on_those_shown_sees_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "MOST", 2)
    item = make_item("OIL")
    for number in range(3):
        make_lot(item, number=f"L{number}", status="held", received_on=days(-9 + number))
    assert [one.lot.number for one in waiting.lots_waiting("held")] == ["L0", "L1"]
