"""The measurements of a large store at tiny size: so that they cannot rot, and their answers are right."""

from __future__ import annotations

import pytest

from inventory.ledger import verify
from inventory.models import Lot, Movement, Portion, StockEvent
from tests.benchmarks import ledger_scale, trace_scale
from tests.benchmarks.scale_store import BLANK, Store, steps_of

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.sqlite,  # on PostgreSQL the bulk load takes constraints away: not inside a test's transaction
]


def test_traces_are_measured_and_reach_what_was_prepared() -> None:
    figures, faults = trace_scale.measure(lots=900, movements=9000)
    assert faults == []
    shown = [figure.what for figure in figures]
    assert "the 10 lots reached, of 300" in shown
    assert "the 10 lots reached, of 900, lying all through it" in shown
    assert "the 10 lots reached, of 900, lying close" in shown
    assert shown.count("- in a store 3 times larger") == 2
    assert shown.count("- the full answer") == 3
    assert (Lot.objects.count(), Movement.objects.count()) == (900, 9000)
    assert verify() == []


def test_the_ledger_is_measured_and_nothing_of_it_stays() -> None:
    figures, faults = ledger_scale.measure(movements=6000)
    assert faults == []
    shown = [figure.what for figure in figures]
    assert "verify 6,000 movements" in shown
    assert "post as many uses, one an event" in shown
    assert Movement.objects.count() == 6000


def test_a_wrong_answer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace_scale, "lots_reached", lambda lots, forward: set(lots))
    _, faults = trace_scale.measure(lots=600, movements=6000)
    assert "the origin of 10 lots reaches 0" in faults


def test_equal_seeds_give_equal_rows_and_what_happens_is_plausible() -> None:
    Store(lots=400, movements=4000, seed=3).grow(to_lots=400, reaches=[10])
    first = list(Movement.objects.order_by("pk").values_list())
    assert set(StockEvent.objects.values_list("kind", flat=True)) >= {
        *("opening", "received", "made", "used", "moved", "sampled", "dispatched", "corrected"),
    }
    assert not Portion.objects.filter(on_hand__lt=0).exists()
    again, other = Store(lots=400, movements=4000, seed=3), Store(lots=400, movements=4000, seed=4)
    for store in (again, other):
        store.written = rows_of(store)
    assert again.written == ["\t".join(map(as_written, row)) for row in first]
    assert other.written != again.written


def as_written(value: object) -> str:
    return BLANK if value is None else str(int(value) if isinstance(value, bool) else value)


def rows_of(store: Store) -> list[str]:
    """The movements that a store would write."""
    kept: list[str] = []
    store._write = lambda: kept.extend(store.waiting[Movement])  # type: ignore[method-assign]
    store._write_portions = lambda: None  # type: ignore[method-assign]
    store.grow(to_lots=400, reaches=[10])
    return kept


@pytest.mark.parametrize("reaches", [10, 1000, 50_000])
def test_an_origin_is_followed_by_so_many_makings_each_after_that_of_which_it_is_made(reaches: int) -> None:
    steps = steps_of(reaches)
    assert len(steps) == reaches
    assert steps[:2] == ["premix", "bulk"]
    assert steps.count("packed") > reaches / 2
