"""What netting carries at the end of a textbook problem, and which lot serves which need."""

from __future__ import annotations

from datetime import date

from planner.engine.plan import plan
from planner.engine.problem import Demand, Item, Lot, Offer, Order, Problem

from .build import day, pack_out

WEEK = 7


def counted(code: str, kind: str, lead_weeks: int = 0) -> Item:
    return Item(code, kind, "count", lead_time_days=lead_weeks * WEEK)


def test_left_at_the_end_of_the_item_at_two_levels():
    # A textbook problem of operations management (Jacobs and Chase problem set), answers recomputed:
    # multiples A 20, B 40, D 160; 15 of A and 30 of B are left, nothing of the others.
    week = [day(WEEK * number) for number in range(12)]
    problem = Problem(
        week[0],
        week[11] - 1,
        (
            counted("A", "product", 2),
            counted("B", "intermediate", 2),
            counted("C", "intermediate", 1),
            counted("D", "intermediate", 3),
            counted("E", "raw"),
            counted("F", "raw"),
        ),
        formulas=(
            pack_out("A", {"B": 1, "C": 1}, batch_multiple=20),
            pack_out("B", {"D": 3, "F": 1}, batch_multiple=40),
            pack_out("C", {"B": 3, "D": 1, "E": 4}),
            pack_out("D", {"E": 1}, batch_multiple=160),
        ),
        offers=(Offer("S", "E", 1, 2 * WEEK), Offer("S", "F", 1, 2 * WEEK)),
        lots=(
            Lot("A", "L", 5, "released"),
            Lot("B", "L", 10, "released"),
            Lot("D", "L", 100, "released"),
            Lot("E", "L", 100, "released"),
            Lot("A", "M", 10, "quarantine", available_on=week[3]),
            Lot("B", "M", 20, "quarantine", available_on=week[7]),
        ),
        orders=(Order("1", "E", 60, week[2]), Order("2", "F", 40, week[5])),
        demands=(Demand("A", 20, week[10]),),
    )
    answer = plan(problem)
    left = dict.fromkeys("ABCDEF", 0)
    for lot in problem.lots + problem.orders:
        left[lot.item] += lot.quantity
    for row in answer.make + answer.buy:
        left[row.item] += row.quantity
    for row in answer.requirements:
        left[row.item] -= row.gross
    assert left == {"A": 15, "B": 30, "C": 0, "D": 0, "E": 0, "F": 0}
    # Nothing of it is stock: it is what the last making of each gives beyond its needs.
    assert set(answer.lots_left) == {0}
    last = {row.item: row.excess for row in answer.make}
    assert (last["A"], last["B"]) == (15, 30)
    assert answer.unmet == []


def test_the_lot_that_expires_first_among_those_that_may_be_used():
    # Own case. L1 is in quarantine and L4 has expired: 500 of L3, then 100 of L2.
    on = date(2027, 1, 15).toordinal()
    problem = Problem(
        date(2027, 1, 4).toordinal(),
        date(2027, 2, 21).toordinal(),
        (Item("oil", "raw"),),
        lots=(
            Lot("oil", "L1", 400, "quarantine", last_day=date(2027, 3, 31).toordinal()),
            Lot("oil", "L2", 250, "released", last_day=date(2027, 5, 31).toordinal()),
            Lot("oil", "L3", 500, "released", last_day=date(2027, 2, 28).toordinal()),
            Lot("oil", "L4", 300, "released", last_day=date(2026, 12, 31).toordinal()),
        ),
        demands=(Demand("oil", 600, on),),
    )
    assert plan(problem).lots_left == [400, 150, 0, 300]
