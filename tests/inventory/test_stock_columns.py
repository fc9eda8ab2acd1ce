"""What the database filters by is what the rules of usability say, row by row."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import product

import pytest

from inventory import clock, selectors
from inventory.models import Item, Lot, Portion, StockEvent
from inventory.services.counting import count
from inventory.services.lots import move
from inventory.usability import last_day_of, lot_last_day_of, unusable_reason
from tests.inventory.builders import make_item, make_lot, make_stock, portion_in

pytestmark = pytest.mark.django_db
DAY = date(2027, 3, 1)
LIVES = [
    {},
    {"shelf_life_days": 30},
    {"shelf_life_days": 0, "retest_days": 20},
    {"shelf_life_hours": 30, "opened_life_days": 5},
    {"shelf_life_hours": 100},
    {"retest_days": 10, "opened_life_days": 0},
]
DATES = [
    {},
    {"received_on": DAY - timedelta(days=20)},
    {"received_on": DAY, "available_on": DAY + timedelta(days=3)},
    {"received_on": DAY - timedelta(days=5), "expires_on": DAY, "retest_on": DAY + timedelta(days=1)},
    {"available_on": DAY + timedelta(days=1), "retest_on": DAY - timedelta(days=1)},
    {"expires_on": DAY + timedelta(days=40)},
]
STATUSES = ["released", "quarantine", "held", "rejected"]
CONDITIONS = [
    {},
    {"set_apart": True},
    {"opened_on": DAY - timedelta(days=5), "container": "jar"},
    {"opened_on": DAY, "container": "tin", "on_hand": 0},
]
DAYS = [DAY + timedelta(days=number) for number in (-30, -6, -1, 0, 1, 2, 3, 5, 10, 11, 30, 41, 400)]


@pytest.fixture
def portions() -> list[Portion]:
    """Every life of an item with all dates and statuses of a lot, in every condition of a portion."""
    items = [make_item(**facts) for facts in LIVES]
    lots = Lot.objects.bulk_create(
        Lot(item=item, number=f"L{at}", number_folded=f"l{at}", origin="received", status=status, **dates)
        for item in items
        for at, (dates, status) in enumerate(product(DATES, STATUSES))
    )
    return Portion.objects.bulk_create(
        Portion(**({"lot": lot, "on_hand": 5} | condition)) for lot in lots for condition in CONDITIONS
    )


def test_usable_on_a_day_is_what_no_reason_speaks_against(portions: list[Portion]) -> None:
    found = []
    for day in DAYS:
        usable = set(selectors.usable_on(Portion.objects.all(), day).values_list("pk", flat=True))
        assert usable == {row.pk for row in portions if not unusable_reason(row.lot, row, row.lot.item, day)}, day
        found.append(len(usable))
    assert min(found) > 0
    assert max(found) < len(portions)


def test_expiring_before_a_day_is_the_last_day_of_the_lot_or_of_what_was_opened_of_it(portions: list[Portion]) -> None:
    def before(row: Portion, item: Item, day: date) -> bool:
        days = [lot_last_day_of(row.lot, item), last_day_of(row.lot, row, item) if row.on_hand else None]
        return any(found is not None and found < day for found in days)

    for day in DAYS:
        found = set(selectors.expiring_before(Lot.objects.all(), day).values_list("pk", flat=True))
        assert found == {row.lot_id for row in portions if before(row, row.lot.item, day)}, day


def test_the_balances_of_lots_are_the_sums_of_their_portions() -> None:
    lot, empty = make_lot(quantity=900), Lot.objects.create(item=make_item(), number="E", number_folded="e")
    move(portion=portion_in(lot), place="bench", quantity=200)
    assert selectors.balances_of_lots([lot.pk, empty.pk]) == {lot.pk: (900, 0), empty.pk: (0, 0)}


def test_events_of_a_lot_are_those_that_moved_it_and_those_that_spoke_of_it() -> None:
    oil = make_item("OIL")
    portion, other, same_number = (
        make_stock(oil, number="L1"),
        make_stock(oil, number="L2"),
        make_stock(number="L1"),
    )
    count(portion=portion, counted=portion.on_hand)  # moves nothing
    move(portion=other, place="bench")
    everything = StockEvent.objects.all()

    def kinds(item: Item | None, number: str | None) -> list[str]:
        found = selectors.events_of_lots(everything, item=item, number=number)
        return list(found.order_by("pk").values_list("kind", flat=True))

    assert kinds(oil, "L1") == ["opening", "counted"]
    assert kinds(oil, None) == ["opening", "opening", "counted", "moved"]
    assert kinds(None, "L1") == ["opening", "opening", "counted"]
    assert kinds(same_number.lot.item, "L2") == []


def test_days_between_are_those_of_the_workshop_and_both_count() -> None:
    lot = make_lot()
    today = clock.today()
    first = clock.start_of(today - timedelta(days=1))
    for moment in (first - timedelta(seconds=1), first, clock.start_of(today) - timedelta(seconds=1)):
        count(portion=portion_in(lot), counted=1, happened_at=moment)
    yesterday = selectors.events_between(
        StockEvent.objects.filter(kind="counted"),
        from_day=today - timedelta(days=1),
        to_day=today - timedelta(days=1),
    )
    assert yesterday.count() == 2
