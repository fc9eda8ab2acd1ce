"""What is asked of a netting part by part says what the whole plan says."""

from __future__ import annotations

import dataclasses

import pytest

from planner.engine.plan import net
from planner.engine.result import BatchCoverage, Cover

from .random_problems import random_problem

SEEDS = range(60)


def counted(batch: BatchCoverage) -> Cover:
    """By the rows of its lines."""
    expected = sum(not line.short and bool(line.expected) for line in batch.lines)
    return Cover(sum(line.short > 0 for line in batch.lines), expected)


def test_batches_are_covered_as_their_lines_say() -> None:
    """Those after the plan's last day too: a plan of a longer time shows them."""
    told = set[str]()
    for seed in SEEDS:
        problem = random_problem(seed)
        netted = net(problem)
        plan = netted.plan()
        assert netted.covers == {batch.batch: counted(batch) for batch in plan.batches}
        told_alone = {batch.batch: netted.cover(batch.batch) for batch in problem.batches}
        assert {code: cover for code, cover in told_alone.items() if cover} == netted.covers
        for batch in plan.batches:
            cover = netted.covers[batch.batch]
            assert (cover, cover.told) == (counted(batch), batch.coverage)
            told.add(cover.told)
        rows = [netted.batch(batch.batch) for batch in problem.batches]
        assert netted.short_batches() == {row.batch for row in rows if row and counted(row).short}
    assert told == {"covered", "expected", "short"}


def test_one_batch_is_the_whole_plans() -> None:
    substitutes = 0
    for seed in SEEDS:
        netted = net(random_problem(seed))
        for batch in netted.plan().batches:
            assert netted.batch(batch.batch) == batch
            substitutes += sum(bool(line.substitutes) for line in batch.lines)
    assert substitutes > 10
    assert netted.batch("no such batch") is None
    assert "no such batch" not in netted.covers
    assert netted.cover("no such batch") is None


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_parts_asked_before_and_after_the_whole_are_the_same(seed: int) -> None:
    first, netted = net(random_problem(seed)), net(random_problem(seed))
    makes, buys, unmet, expiring = netted.makes, netted.buys, netted.unmet, netted.expiring
    plan = first.plan()
    assert (makes, buys, unmet, expiring) == (plan.make, plan.buy, plan.unmet, plan.expiring)
    assert netted.plan() == plan == dataclasses.replace(first.plan())
