"""Best-fit allocation against a maximum flow, and a first-expiry rule that fails the same check."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

from planner.engine.allocate import LOT, Shelf, Supply, surplus_row

# (here_on, last_day, quantity) of a supply; (day, valid_through, quantity) of a need, in order of days.
Rows = list[tuple[int, int, int]]
CASES = 2_500


def random_case(seed: int) -> tuple[Rows, Rows]:
    """Release days, expiries, and a validity that differs per need."""
    rng = random.Random(seed)
    supplies = []
    for _ in range(rng.randint(1, 8)):
        here_on = rng.randint(0, 8)
        supplies.append((here_on, here_on + rng.randint(0, 14), rng.randint(1, 12)))
    needs = []
    for _ in range(rng.randint(1, 10)):
        day = rng.randint(0, 14)
        needs.append((day, day + rng.choice([0, 0, 1, 3, 7]), rng.randint(1, 10)))
    return supplies, sorted(needs)


def best_fit(supplies: Rows, needs: Rows) -> int:
    """What the engine's shelf serves."""
    shelf = Shelf(
        Supply(last_day, here_on, LOT, quantity, n, f"L{n}") for n, (here_on, last_day, quantity) in enumerate(supplies)
    )
    served = 0
    for day, valid_through, quantity in needs:
        shelf.advance(day)
        takes, _ = shelf.take(valid_through, quantity)
        served += sum(part for _, part in takes)
    return served


def moving_pointer(supplies: Rows, needs: Rows) -> int:
    """First expiry first with a pointer that never goes back: the rule that does not serve."""
    rows = [list(row) for row in sorted(supplies, key=lambda row: (row[1], row[0]))]
    at = served = 0
    for day, valid_through, quantity in needs:
        while quantity and at < len(rows):
            here_on, last_day, rest = rows[at]
            if rest == 0 or here_on > day or last_day < valid_through:
                at += 1
                continue
            part = min(rest, quantity)
            rows[at][2] -= part
            quantity -= part
            served += part
    return served


def most_that_can_be_served(supplies: Rows, needs: Rows) -> int:
    """The maximum flow from supplies to the needs each of them can serve (scipy)."""
    count = len(supplies) + len(needs) + 2
    sink = count - 1
    capacity = np.zeros((count, count), dtype=np.int32)
    for s, (here_on, last_day, quantity) in enumerate(supplies, 1):
        capacity[0, s] = quantity
        for n, (day, valid_through, _) in enumerate(needs, 1 + len(supplies)):
            if here_on <= day and last_day >= valid_through:
                capacity[s, n] = quantity
    for n, (_, _, quantity) in enumerate(needs, 1 + len(supplies)):
        capacity[n, sink] = quantity
    return maximum_flow(csr_array(capacity), 0, sink).flow_value


def short_cases(allocate: Callable[[Rows, Rows], int]) -> list[int]:
    """The seeds on which a rule serves less than could be served."""
    cases = ((seed, random_case(seed)) for seed in range(CASES))
    return [seed for seed, case in cases if allocate(*case) != most_that_can_be_served(*case)]


def test_best_fit_serves_all_that_a_maximum_flow_could():
    assert short_cases(best_fit) == []


def test_a_moving_pointer_is_short_where_best_fit_is_not():
    assert len(short_cases(moving_pointer)) > CASES // 10


def test_a_need_takes_from_one_source_or_from_none():
    shelf = Shelf(
        [
            Supply(last_day=5, here_on=0, kind=LOT, rest=4, place=0, lot="A"),
            Supply(last_day=9, here_on=0, kind=LOT, rest=9, place=2, lot="B"),
            Supply(last_day=7, here_on=0, kind=LOT, rest=3, place=1, lot="A"),
        ]
    )
    shelf.advance(0)
    takes, rest, too_small = shelf.take_single(0, 8)
    assert ([(row.lot, part) for row, part in takes], rest, too_small) == ([("B", 8)], 0, ["A"])
    takes, rest, _ = shelf.take_single(0, 7)  # two portions are one lot
    assert ([(row.lot, part) for row, part in takes], rest) == ([("A", 4), ("A", 3)], 0)
    assert shelf.take_single(0, 2) == ([], 2, ["B"])


def test_late_surplus_is_not_taken_as_if_it_were_here():
    shelf = Shelf()
    shelf.add_surplus(surplus_row(20, 5, 10, order=1))
    shelf.advance(4)
    assert shelf.take(4, 3) == ([], 3)
    takes, rest = shelf.take_late(4, 3, single=False)
    assert (sum(part for _, part in takes), rest) == (3, 0)
    shelf.advance(5)
    assert shelf.take(5, 8)[1] == 1


@pytest.mark.parametrize("floor, missing", [(10, 0), (12, 0), (15, 3)])
def test_the_floor_counts_what_lives_and_late_surplus(floor, missing):
    shelf = Shelf(
        [
            Supply(last_day=2, here_on=0, kind=LOT, rest=100, place=0, lot="A"),
            Supply(last_day=9, here_on=0, kind=LOT, rest=7, place=1, lot="B"),
        ]
    )
    shelf.add_surplus(surplus_row(20, 15, 5, order=1))
    shelf.advance(3)
    assert shelf.missing_from(floor, 3) == missing
