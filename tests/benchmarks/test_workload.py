"""The workload itself: the same seed gives the same workshop, and its books are in order."""

from __future__ import annotations

import random

import pytest

from inventory import ledger
from inventory.models import Lot, Movement, Reservation
from production.models import Batch
from tests.benchmarks.sizes import SIZES
from tests.benchmarks.workload import Workload
from tests.benchmarks.writing import fill, rows_of_movements

TINY = SIZES["tiny"]


def test_the_same_seed_gives_the_same_rows_and_another_seed_others() -> None:
    first, again, other = (Workload(TINY, random.Random(seed)) for seed in (1, 1, 2))
    assert list(rows_of_movements(first)) == list(rows_of_movements(again))
    assert list(rows_of_movements(first)) != list(rows_of_movements(other))


@pytest.mark.django_db
def test_a_filled_workshop_has_what_the_size_says_and_clean_books() -> None:
    fill(TINY, seed=1)
    assert Lot.objects.count() == TINY.lots
    assert Batch.objects.exclude(status="finished").count() == TINY.batches
    assert set(Batch.objects.values_list("status", flat=True)) == {"planned", "reserved", "started", "finished"}
    assert Reservation.objects.exists()
    assert Movement.objects.count() > TINY.lots
    assert ledger.verify() == []
