"""A plan made after another takes from it what is unchanged, and is the plan that it would be without."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from planner.engine import netting, sweep
from planner.engine.plan import net
from planner.engine.problem import (
    NEVER,
    WHOLE,
    Batch,
    Demand,
    Formula,
    Item,
    Line,
    Lot,
    Offer,
    Order,
    Problem,
    Reservation,
)

from .random_problems import limited_bulk_problem, random_problem

STEPS = 5
FROM = 740_000


def with_less_of_a_lot(problem: Problem, rng: random.Random, number: int) -> Problem:
    if not problem.lots:
        return problem
    lots, at = list(problem.lots), rng.randrange(len(problem.lots))
    lots[at] = lots[at]._replace(quantity=max(1, lots[at].quantity - rng.choice([1, 50, 400])))
    return replace(problem, lots=tuple(lots))


def with_other_lot(problem: Problem, rng: random.Random, number: int) -> Problem:
    if not problem.lots:
        return problem
    lots, at = list(problem.lots), rng.randrange(len(problem.lots))
    lot = lots[at]
    lots[at] = rng.choice(
        [
            lot._replace(quantity=rng.choice([0, 1, lot.quantity // 2, lot.quantity + 7])),
            lot._replace(status=rng.choice(["released", "quarantine", "held", "rejected"])),
            lot._replace(last_day=rng.choice([NEVER, problem.from_day + rng.randint(-3, 40)])),
            lot._replace(set_apart=not lot.set_apart),
            lot._replace(lot=f"{lot.lot}-{number}"),
        ]
    )
    return replace(problem, lots=tuple(lots))


def with_delivery(problem: Problem, rng: random.Random, number: int) -> Problem:
    item = rng.choice([item for item in problem.items if not item.drawn])
    day = problem.from_day + rng.randint(-2, 3)
    lot = Lot(item.code, f"NEW{number}-{rng.random():.6f}", rng.randint(1, 5000), "released", day)
    # In the middle, so that others stand elsewhere.
    at = rng.randint(0, len(problem.lots))
    kept = [replace(each, lot=each.lot + (each.lot >= at)) for each in problem.reservations]
    lots = (*problem.lots[:at], lot, *problem.lots[at:])
    return replace(problem, lots=lots, reservations=tuple(kept))


def without_a_lot(problem: Problem, rng: random.Random, number: int) -> Problem:
    if not problem.lots:
        return problem
    at = rng.randrange(len(problem.lots))
    kept = [replace(each, lot=each.lot - (each.lot > at)) for each in problem.reservations if each.lot != at]
    return replace(problem, lots=(*problem.lots[:at], *problem.lots[at + 1 :]), reservations=tuple(kept))


def with_other_batch(problem: Problem, rng: random.Random, number: int) -> Problem:
    if not problem.batches:
        return problem
    batches, at = list(problem.batches), rng.randrange(len(problem.batches))
    batch = batches[at]
    batches[at] = rng.choice(
        [
            batch._replace(status=rng.choice(["planned", "reserved", "started"])),
            batch._replace(planned_for=batch.planned_for + rng.randint(-4, 9)),
            batch._replace(charge=batch.charge + rng.randint(1, 900)),
            batch._replace(priority=rng.choice([None, 1, 2])),
            batch._replace(status="started", weighed={1: rng.randint(1, batch.charge)}),
        ]
    )
    return replace(problem, batches=tuple(batches))


def with_batch_by_another_formula(problem: Problem, rng: random.Random, number: int) -> Problem:
    """Which formulas are in use decides the order in which items are netted."""
    if not problem.batches or not problem.formulas:
        return problem
    batches, at = list(problem.batches), rng.randrange(len(problem.batches))
    other = rng.choice(problem.formulas)
    batches[at] = batches[at]._replace(formula=other.formula, version=other.version, weighed={}, required={})
    return replace(problem, batches=tuple(batches))


def with_new_batch(problem: Problem, rng: random.Random, number: int) -> Problem:
    made = [formula for formula in problem.formulas if formula.approved]
    if not made:
        return problem
    formula = rng.choice(made)
    code = f"A{number}-{rng.random():.6f}"
    day = problem.from_day + rng.randint(-1, 12)
    batch = Batch(code, formula.formula, formula.version, rng.randint(1, 50) * 20, day)
    return replace(problem, batches=(batch, *problem.batches))


def without_a_batch(problem: Problem, rng: random.Random, number: int) -> Problem:
    if not problem.batches:
        return problem
    gone = rng.choice(problem.batches)
    return replace(
        problem,
        batches=tuple(each for each in problem.batches if each.batch != gone.batch),
        reservations=tuple(each for each in problem.reservations if each.batch != gone.batch),
    )


def with_new_demand(problem: Problem, rng: random.Random, number: int) -> Problem:
    item = rng.choice(problem.items)
    day = problem.from_day + rng.randint(-2, 20)
    demand = Demand(item.code, rng.randint(1, 400), day, "NEW", f"R{number}-{rng.random():.6f}")
    return replace(problem, demands=(*problem.demands, demand))


def with_other_order(problem: Problem, rng: random.Random, number: int) -> Problem:
    if problem.orders and rng.random() < 0.6:
        first, *others = problem.orders
        named = replace(first, order=f"{first.order}-{number}")
        return replace(problem, orders=tuple(rng.choice([others, [named, *others]])))
    item = rng.choice([item for item in problem.items if not item.drawn])
    order = Order(f"P{number}", item.code, rng.randint(1, 3000), problem.from_day + rng.randint(-3, 15))
    return replace(problem, orders=(*problem.orders, order))


def with_other_reservations(problem: Problem, rng: random.Random, number: int) -> Problem:
    kept = list(problem.reservations)
    if kept and rng.random() < 0.5:
        kept.pop(rng.randrange(len(kept)))
    elif problem.lots and problem.batches:
        at = rng.randrange(len(problem.lots))
        batch = rng.choice(problem.batches)
        if problem.lots[at].quantity:
            kept.append(Reservation(at, rng.randint(1, problem.lots[at].quantity), batch.batch))
    return replace(problem, reservations=tuple(kept))


Act = Callable[[Problem, random.Random, int], Problem]
ACTS: Sequence[Act] = (
    with_other_lot,
    with_delivery,
    without_a_lot,
    with_other_batch,
    with_batch_by_another_formula,
    with_new_batch,
    without_a_batch,
    with_new_demand,
    with_other_order,
    with_other_reservations,
)


def plans_after_another(problem: Problem, seed: int, steps: int = STEPS, acts: Sequence[Act] = ACTS) -> None:
    """Of a workshop some acts later each time: the same items, formulas and offers, other stock and promises."""
    rng = random.Random(seed)
    before = net(problem)
    for step in range(steps):
        as_told = copy.deepcopy(before.plan()) if rng.random() < 0.7 else None
        for _ in range(rng.randint(1, 3)):
            problem = rng.choice(acts)(problem, rng, step)
        after = net(problem, before=before)
        assert after.plan() == net(problem).plan(), (seed, step)
        if as_told is not None:
            assert before.plan() == as_told, "a plan made before is as it was"
        before = after


@pytest.mark.parametrize("part", range(4))
def test_a_plan_after_another_is_the_plan_without_it(part: int) -> None:
    for seed in range(part * 40, part * 40 + 40):
        plans_after_another(random_problem(seed), seed)
        plans_after_another(limited_bulk_problem(seed), seed)


def test_many_plans_one_after_another_are_the_plans_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sweeps are pieced together of so many, and go on so far, that each kind of plan comes after each."""
    monkeypatch.setattr(sweep, "MOST_LAID", 3)
    monkeypatch.setattr(sweep, "WORTH_A_SWEEP", 12)
    for seed in range(40):
        plans_after_another(random_problem(seed, 3), seed, steps=12, acts=[with_less_of_a_lot])


@pytest.mark.parametrize(
    ("kept", "first", "second"), [("C", "G", "H"), ("D", "H", "G"), ("C", "H", "G"), ("D", "G", "H")]
)
def test_an_item_that_stands_where_another_stood_is_not_taken_for_it(kept: str, first: str, second: str) -> None:
    """Another formula puts C and D in each other's places; one of them is kept in stock and has no need at all."""
    items = tuple(Item(code, "raw", safety_stock=500 * (code == kept)) for code in "BCD")
    formulas = tuple(
        Formula(name, 1, "A", "percent", tuple(Line(at, code, WHOLE // len(parts)) for at, code in enumerate(parts)))
        for name, parts in (("F", "B"), ("G", "BC"), ("H", "BD"))
    )
    problem = Problem(
        FROM, FROM + 55, (Item("A", "product"), *items), formulas=formulas,
        offers=tuple(Offer("SHOP", code, 100, 3) for code in "BCD"),
        batches=(Batch("X1", first, 1, 1000, FROM + 10),),
    )  # fmt: skip
    other = replace(problem, batches=(problem.batches[0]._replace(formula=second),))
    after = net(other, before=net(problem)).plan()
    assert after == net(other).plan()
    assert kept in {row.item for row in after.buy}


def test_an_item_that_is_swept_further_than_before_is_netted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Alone an item has too few needs left for another sweep, together with others it has enough."""
    monkeypatch.setattr(sweep, "MOST_LAID", 2)
    monkeypatch.setattr(sweep, "WORTH_A_SWEEP", 4)
    items = tuple(Item(code, "raw") for code in "ABC")
    demands = tuple(
        Demand(code, 60, FROM + day, "SHOP", f"{code}{day}") for code in "AB" for day in (1, 6, 7, 8)
    )  # the last one is short
    lots = tuple(
        Lot(code, f"{code}{day}", 100, "released", FROM + day) for code in "ABC" for day in (0, 5)
    )  # half of it comes later
    problem = Problem(FROM, FROM + 13, items, lots=lots, demands=demands)
    before, served = net(problem), []
    for at in (0, 4, 4, 4):
        lots = tuple(lot._replace(quantity=lot.quantity - (place == at)) for place, lot in enumerate(problem.lots))
        problem = replace(problem, lots=lots)
        after = net(problem, before=before)
        assert after.plan() == net(problem).plan()
        served.append(sum(int(level.served.sum()) for level in after._served))
        before = after
    assert len(set(served)) > 1, "no item was swept further than before"


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_a_plan_after_another_is_the_plan_without_it_many_times(part: int) -> None:
    for seed in range(10_000 + part * 60, 10_000 + part * 60 + 60):
        plans_after_another(random_problem(seed, 1 + seed % 3), seed)


def test_only_what_changed_is_netted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    netted: list[str] = []
    run = netting.Netting.run

    def noted(self: netting.Netting) -> object:
        netted.append(self.item.code)
        return run(self)

    monkeypatch.setattr(netting.Netting, "run", noted)
    problem = random_problem(11, 3)
    before = net(problem)
    at_first = len(netted)
    assert at_first > 3
    net(problem, before=before)
    assert len(netted) == at_first
    net(replace(problem, demands=(*problem.demands, Demand(netted[0], 10**6, problem.from_day))), before=before)
    assert at_first < len(netted) < 2 * at_first


@pytest.mark.parametrize(
    "other",
    [
        lambda problem: replace(problem, from_day=problem.from_day + 1),
        lambda problem: replace(problem, to_day=problem.to_day + 7),
        lambda problem: replace(problem, open_weekdays=frozenset({1, 4})),
        lambda problem: replace(
            problem, items=tuple(replace(item, lead_time_days=item.lead_time_days + 1) for item in problem.items)
        ),
        lambda problem: replace(problem, offers=problem.offers[1:]),
        lambda problem: replace(
            problem, formulas=tuple(replace(each, batch_multiple=1, max_batch=None) for each in problem.formulas)
        ),
    ],
)
def test_in_other_terms_everything_is_netted_anew(other) -> None:
    for seed in range(8):
        problem = random_problem(seed)
        changed_terms = other(problem)
        assert net(changed_terms, before=net(problem)).plan() == net(changed_terms).plan()
