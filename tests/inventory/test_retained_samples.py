"""Retained samples: out of stock, kept through a day, and what was taken of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine

from inventory import ledger, retained
from inventory.errors import BadInput, Shortage, WrongState
from inventory.models import Portion, RetainedSample, RetainedTaking, StockEvent
from inventory.services import correcting, samples
from inventory.services.items import change_item
from tests.inventory.builders import G, books, make_item, make_lot, make_stock

pytestmark = pytest.mark.django_db

TODAY = date(2027, 3, 1)


@pytest.fixture(autouse=True)
def noon() -> Iterator[None]:
    with time_machine.travel(datetime(2027, 3, 1, 12, tzinfo=UTC), tick=False):
        yield


def everything() -> dict[str, list[tuple[Any, ...]]]:
    return books() | {
        table.__name__: list(table.objects.order_by("pk").values_list()) for table in (RetainedSample, RetainedTaking)
    }


def balm(**facts: Any) -> Portion:
    return make_stock(make_item(**facts), 500 * G, expires_on=date(2028, 3, 1))


def test_a_retained_sample_leaves_the_stock_and_is_kept_a_year_beyond_the_lots_last_day() -> None:
    """A shelf life plus a year: common practice, no source."""
    portion = balm()
    sample = samples.retain(portion=portion, quantity=50 * G, place="cupboard")
    portion.refresh_from_db()
    assert portion.on_hand == 450 * G
    assert sample.event.kind == StockEvent.Kind.SAMPLED
    assert (sample.left, sample.place, sample.keep_until) == (50 * G, "cupboard", date(2029, 3, 1))
    assert ledger.verify() == []


def test_an_item_may_keep_its_samples_for_other_days() -> None:
    portion = balm(keep_samples_days=30)
    assert samples.retain(portion=portion, quantity=G).keep_until == date(2028, 3, 31)
    change_item(code=portion.lot.item.code, changes={"keep_samples_days": 0})
    again = Portion.objects.select_related("lot__item").get(pk=portion.pk)
    assert samples.retain(portion=again, quantity=G).keep_until == date(2028, 3, 1)


def test_a_life_of_the_item_counts_where_the_lot_has_no_day_of_its_own() -> None:
    portion = make_stock(make_item(shelf_life_days=100), received_on=date(2027, 1, 1))
    assert samples.retain(portion=portion, quantity=G).keep_until == date(2027, 1, 1) + timedelta(days=100 + 365)


def test_what_never_spoils_needs_a_day_to_be_kept_until() -> None:
    portion = make_stock()
    before = everything()
    with pytest.raises(BadInput) as refusal:
        samples.retain(portion=portion, quantity=G)
    assert refusal.value.code == "no_keep_until"
    with pytest.raises(BadInput):
        samples.retain(portion=portion, quantity=G, keep_until=TODAY - timedelta(days=1))
    assert everything() == before
    assert samples.retain(portion=portion, quantity=G, keep_until=TODAY).keep_until == TODAY


def test_more_than_is_here_is_not_retained() -> None:
    portion = balm()
    before = everything()
    with pytest.raises(Shortage):
        samples.retain(portion=portion, quantity=501 * G)
    assert everything() == before


def test_it_is_taken_bit_by_bit_and_then_it_is_gone() -> None:
    portion = balm()
    sample = samples.retain(portion=portion, quantity=50 * G)
    stock = Portion.objects.get(pk=portion.pk).on_hand
    sample = samples.take_retained(sample=sample, quantity=20 * G, why="complaint of a customer")
    before = everything()
    with pytest.raises(Shortage, match="30 g is left"):
        samples.take_retained(sample=sample, quantity=31 * G, why="more")
    for taken_on in (TODAY - timedelta(days=1), TODAY + timedelta(days=1)):
        with pytest.raises(BadInput):
            samples.take_retained(sample=sample, taken_on=taken_on, why="another day")
    with pytest.raises(BadInput, match="what it was taken for"):
        samples.take_retained(sample=sample, why=" ")
    assert everything() == before
    sample = samples.take_retained(sample=sample, why="past its keeping")
    assert sample.left == 0
    with pytest.raises(WrongState, match="nothing is left"):
        samples.take_retained(sample=sample, why="again")
    takings = retained.takings_of([sample.pk])[sample.pk]
    assert [(row["quantity"], row["why"]) for row in takings] == [
        (20 * G, "complaint of a customer"),
        (30 * G, "past its keeping"),
    ]
    assert Portion.objects.get(pk=portion.pk).on_hand == stock  # it had left the stock already


def test_what_is_past_its_keeping_is_found_until_it_is_gone() -> None:
    portion = make_stock()
    sample = samples.retain(portion=portion, quantity=G, keep_until=TODAY)
    samples.retain(portion=portion, quantity=G, keep_until=TODAY + timedelta(days=9))
    assert list(retained.past_keeping(TODAY)) == []
    assert list(retained.past_keeping(TODAY + timedelta(days=1))) == [sample]
    samples.take_retained(sample=sample, why="thrown away")
    assert list(retained.past_keeping(TODAY + timedelta(days=1))) == []


def test_a_correction_puts_it_back_unless_some_of_it_was_taken() -> None:
    portion = balm()
    first = samples.retain(portion=portion, quantity=50 * G)
    second = samples.retain(portion=portion, quantity=50 * G)
    samples.take_retained(sample=second, quantity=G, why="looked at")
    correcting.correct(event=first.event, why="the other lot was meant")
    first.refresh_from_db()
    assert first.left == 0
    with pytest.raises(WrongState, match="some of this retained sample was taken"):
        correcting.correct(event=second.event, why="the other lot was meant")
    assert Portion.objects.get(pk=portion.pk).on_hand == 450 * G


def test_samples_of_a_lot_are_all_or_nothing() -> None:
    lot = make_lot(quantity=100 * G, place="shelf")
    with pytest.raises(Shortage, match="100 g of lot"):
        samples.take_samples(lot=lot, quantity=101 * G)
    event = samples.take_samples(lot=lot, quantity=100 * G)
    assert [row.quantity for row in event.movements.all()] == [-100 * G]
