"""Last days and lives as the plan and the shelf see them."""

from datetime import date

import pytest

from inventory.models import Item, Lot, Portion
from inventory.usability import last_day_of, life_days_of, retest_day_of, unusable_reason

DAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("facts", "life"),
    [
        ({}, None),
        ({"shelf_life_days": 2}, 2),
        ({"shelf_life_days": 0}, 0),
        ({"shelf_life_hours": 48}, 1),
        ({"shelf_life_hours": 47}, 0),
        ({"shelf_life_hours": 12}, 0),
    ],
)
def test_a_life_in_hours_counts_as_its_whole_days_less_one(facts, life):
    assert life_days_of(Item(**facts)) == life


@pytest.mark.parametrize(
    ("item", "lot", "portion", "last_day"),
    [
        ({}, {}, {}, None),
        ({}, {"expires_on": date(2027, 1, 31)}, {}, date(2027, 1, 31)),
        ({"shelf_life_days": 30}, {"received_on": DAY}, {}, date(2026, 12, 25)),
        ({"shelf_life_days": 30}, {}, {}, None),
        ({"opened_life_days": 10}, {"expires_on": date(2027, 1, 31)}, {"opened_on": DAY}, date(2026, 12, 5)),
        ({"opened_life_days": 10}, {"expires_on": date(2026, 12, 1)}, {"opened_on": DAY}, date(2026, 12, 1)),
        ({"opened_life_days": 10}, {}, {"opened_on": DAY}, date(2026, 12, 5)),
        ({}, {}, {"opened_on": DAY}, None),
    ],
)
def test_the_last_day_is_the_earliest_of_expiry_and_opened_life(item, lot, portion, last_day):
    assert last_day_of(Lot(**lot), Portion(**portion), Item(**item)) == last_day


@pytest.mark.parametrize(
    ("lot", "portion", "reason"),
    [
        ({"status": "released"}, {}, ""),
        ({"status": "released", "expires_on": DAY}, {}, ""),
        ({"status": "released", "expires_on": date(2026, 11, 24)}, {}, "expired"),
        ({"status": "rejected", "expires_on": date(2026, 11, 24)}, {}, "rejected"),
        ({"status": "held"}, {"set_apart": True}, "held"),
        ({"status": "released"}, {"set_apart": True}, "set_apart"),
        ({"status": "quarantine"}, {}, "quarantine"),
        ({"status": "quarantine", "expires_on": date(2026, 11, 24)}, {}, "expired"),
        ({"status": "released", "retest_on": DAY}, {}, ""),
        ({"status": "released", "retest_on": date(2026, 11, 24)}, {}, "retest"),
        ({"status": "released", "available_on": DAY}, {}, ""),
        ({"status": "released", "available_on": date(2026, 11, 26)}, {}, "not_yet"),
        ({"status": "released", "received_on": date(2026, 11, 26)}, {}, "not_yet"),
    ],
)
def test_the_first_reason_that_applies_is_told(lot, portion, reason):
    assert unusable_reason(Lot(**lot), Portion(**portion), Item(), DAY) == reason


def test_a_blank_retest_day_is_the_received_day_and_the_items_retest_days():
    assert retest_day_of(Lot(received_on=DAY), Item(retest_days=30)) == date(2026, 12, 25)
    assert retest_day_of(Lot(), Item(retest_days=30)) is None
    assert retest_day_of(Lot(received_on=DAY), Item()) is None
