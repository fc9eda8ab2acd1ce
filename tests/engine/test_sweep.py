"""The closed form and the netting need by need give one plan, and the closed form does what it is there for."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from planner.engine import level, plan
from planner.engine.plan import net
from planner.engine.problem import Order, Problem
from planner.engine.result import Plan
from planner.engine.sweep import Floors, NeedColumns, SupplyColumns, _nothing, sweep

from .medium_problem import medium_problem
from .random_problems import random_problem


@pytest.fixture
def plan_need_by_need(monkeypatch):
    def refuse(needs, supply, floors, from_day, to_day):
        return _nothing(needs, supply, len(floors.quantity))

    def planned(problem: Problem) -> Plan:
        with monkeypatch.context() as patched:
            patched.setattr(level, "sweep", refuse)
            return plan(problem)

    return planned


def share_served(problem: Problem) -> float:
    """The part of the needs of firm batches that the closed form serves."""
    netted = net(problem)
    return sum(len(each.lines) for each in netted._served) / len(netted._book.firm.item)


def small_workshop(**more) -> Problem:
    return medium_problem(items=200, batches=400, lots=2500, **more)


@pytest.mark.parametrize("first", range(0, 300, 50))
def test_small_and_wild_workshops_have_one_plan(first, plan_need_by_need):
    for seed in range(first, first + 50):
        problem = random_problem(seed, size=1 + seed % 3)
        assert plan(problem) == plan_need_by_need(problem), f"seed {seed}"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_workshop_of_hundreds_of_items_has_one_plan(seed, plan_need_by_need):
    problem = small_workshop(seed=seed)
    assert plan(problem) == plan_need_by_need(problem)


def test_where_stock_suffices_nearly_all_needs_are_served_in_closed_form():
    plenty = medium_problem(items=200, batches=400, lots=25_000)
    here = tuple(lot._replace(available_on=None) for lot in plenty.lots)
    raws = tuple(dataclasses.replace(item, safety_stock=0) for item in plenty.items)
    assert share_served(dataclasses.replace(plenty, lots=here, items=raws, orders=())) > 0.95


def test_orders_that_come_too_late_to_matter_do_not_stop_the_closed_form():
    """What keeps longer than all stock that is used changes nothing, whenever it comes."""
    problem = dataclasses.replace(small_workshop(), orders=())
    lasting = tuple(
        Order(f"L{n}", item.code, 1_000, problem.from_day + 30, problem.to_day + 3_000)
        for n, item in enumerate(problem.items)
        if item.kind == "raw"
    )
    with_orders = dataclasses.replace(problem, orders=lasting)
    assert share_served(with_orders) == pytest.approx(share_served(problem), abs=0.02)


def columns(rows, kind):
    return kind(*(np.array(column) for column in zip(*rows, strict=True)))


NO_FLOORS = Floors(np.zeros(1, dtype=np.int64), np.full(1, 10**7))


def test_each_need_takes_what_expires_first_among_what_lives_long_enough():
    # Two rows; the second need asks for more life than the first row has.
    supply = columns([(0, 5, 0, 10), (0, 9, 0, 10)], SupplyColumns)
    needs = columns([(0, 1, 4, 6, False), (0, 2, 6, 5, False), (0, 3, 7, 5, False)], NeedColumns)
    swept = sweep(needs, supply, NO_FLOORS, from_day=0, to_day=20)
    assert swept.served.all()
    (laid,) = swept.laid
    assert [column.tolist() for column in laid.pegs()] == [[0, 1, 2], [0, 1, 1], [6, 5, 5]]
    assert swept.rest.tolist() == [4, 0]


def test_a_need_may_live_less_long_than_one_before_it_until_something_was_passed_over():
    supply = columns([(0, 5, 0, 10), (0, 9, 0, 10)], SupplyColumns)
    # The first need uses the first row up, or leaves some of it that the second passes over.
    patient = columns([(0, 1, 4, 10, False), (0, 2, 8, 1, False), (0, 3, 3, 1, False)], NeedColumns)
    assert sweep(patient, supply, NO_FLOORS, from_day=0, to_day=20).served.tolist() == [True, True, True]
    passing = columns([(0, 1, 4, 9, False), (0, 2, 8, 1, False), (0, 3, 3, 1, False)], NeedColumns)
    swept = sweep(passing, supply, NO_FLOORS, from_day=0, to_day=20)
    assert (swept.served.tolist(), swept.rest.tolist()) == ([True, True, False], [1, 9])


def test_it_stops_at_the_day_that_may_leave_less_than_the_safety_stock():
    supply = columns([(0, 4, 0, 10), (0, 9, 0, 10)], SupplyColumns)
    needs = columns([(0, 1, 1, 2, False), (0, 3, 3, 2, False), (0, 5, 5, 1, False)], NeedColumns)
    floors = Floors(np.array([12]), np.array([2]))
    # On day 3 there are 16 left that live; what expires on day 4 leaves 9 on day 5.
    assert sweep(needs, supply, floors, from_day=0, to_day=20).served.tolist() == [True, True, False]
    later = Floors(np.array([12]), np.array([6]))
    assert sweep(needs, supply, later, from_day=0, to_day=20).served.tolist() == [True, True, True]


def test_it_stops_at_the_day_of_the_first_need_that_is_short():
    supply = columns([(0, 9, 0, 10)], SupplyColumns)
    needs = columns([(0, 1, 1, 6, False), (0, 2, 2, 3, False), (0, 2, 2, 2, False)], NeedColumns)
    swept = sweep(needs, supply, NO_FLOORS, from_day=0, to_day=20)
    assert swept.served.tolist() == [True, False, False]
    assert swept.unfinished.tolist() == [True]
    assert swept.rest.tolist() == [4]


def test_sums_beyond_64_bits_are_left_to_the_netting():
    supply = columns([(0, 9, 0, 1 << 61)], SupplyColumns)
    needs = columns([(0, 1, 1, 6, False)], NeedColumns)
    swept = sweep(needs, supply, NO_FLOORS, from_day=0, to_day=20)
    assert swept.unfinished.all()
    assert not swept.served.any()
