"""Each rule of planning, shown on the smallest workshop that shows it."""

from __future__ import annotations

import dataclasses
import random
from fractions import Fraction

import pytest

from planner.engine import Plan, PlanError, plan
from planner.engine.problem import (
    Batch,
    Demand,
    Item,
    Line,
    Lot,
    Order,
    Problem,
    Reservation,
    Substitute,
)
from planner.engine.result import BatchLine

from .build import MONDAY, day, mix, offer, pack_out, planned, released
from .random_problems import random_problem

OIL = Item("oil", "raw")
BALM = Item("balm", "product")


def requirements(answer: Plan, item: str) -> list[tuple[int, int, int, int]]:
    """(day from the first, gross, covered, short)."""
    rows = [row for row in answer.requirements if row.item == item]
    return [(row.day - day(0), row.gross, row.covered, row.short) for row in rows]


def unmet(answer: Plan) -> list[tuple[str, int, int, str]]:
    return [(row.item, row.day - day(0), row.quantity, row.reason) for row in answer.unmet]


def pegs(row) -> list[tuple[str, int]]:
    return [(peg.to, peg.quantity) for peg in row.pegged_to]


def first_line(answer: Plan) -> BatchLine:
    return answer.batches[0].lines[0]


def oil_batch(charge: int = 100, on: int = 5, **more) -> dict:
    """A firm batch of balm, all oil."""
    return {"formulas": (mix("balm", {"oil": 100}),), "batches": (Batch("B1", "F-balm", 1, charge, day(on), **more),)}


# ---- days and firm supply


def test_an_overdue_need_counts_as_of_the_first_day():
    answer = planned(OIL, demands=(Demand("oil", 5, day(-9)),))
    assert requirements(answer, "oil") == [(0, 5, 0, 5)]
    assert unmet(answer) == [("oil", 0, 5, "no_offer")]


def test_an_order_is_received_when_due_and_counts_after_release():
    item = Item("oil", "raw", release_days=3, life_days=10)
    order = Order("PO", "oil", 50, day(4))
    early = planned(item, orders=(order,), demands=(Demand("oil", 5, day(6)),))
    assert requirements(early, "oil") == [(6, 5, 0, 5)]
    # It lives from the day it is received, not from the day it is released.
    for on, short in ((7, 0), (14, 0), (15, 5)):
        assert requirements(planned(item, orders=(order,), demands=(Demand("oil", 5, day(on)),)), "oil")[0][3] == short


def test_a_firm_batch_gives_its_output_after_making_and_release():
    item = Item("balm", "product", lead_time_days=2, release_days=1)
    firm = oil_batch(charge=100, on=5)
    answer = planned(item, OIL, **firm, demands=(Demand("balm", 60, day(7)), Demand("balm", 60, day(8))))
    assert requirements(answer, "balm") == [(7, 60, 0, 60), (8, 60, 60, 0)]


def test_a_trial_gives_nothing_to_others():
    answer = planned(BALM, OIL, **oil_batch(trial=True), demands=(Demand("balm", 60, day(9)),))
    assert requirements(answer, "balm") == [(9, 60, 0, 60)]


def test_a_started_batch_needs_only_what_is_not_weighed():
    answer = planned(BALM, OIL, **oil_batch(status="started", weighed={1: 70}))
    assert requirements(answer, "oil") == [(5, 30, 0, 30)]


def test_firm_supply_that_comes_later_is_named_whole():
    order = Order("PO", "oil", 500, day(9))
    answer = planned(OIL, orders=(order,), offers=(offer("oil"),), demands=(Demand("oil", 5, day(8)),))
    assert [(row.source, row.quantity, row.day) for row in answer.buy[0].coming] == [("order:PO", 500, day(9))]


# ---- lots and reservations


@pytest.mark.parametrize(
    "lot",
    [
        Lot("oil", "L", 100, "rejected"),
        Lot("oil", "L", 100, "held"),
        Lot("oil", "L", 100, "quarantine"),
        Lot("oil", "L", 100, "quarantine", available_on=day(6)),
        Lot("oil", "L", 100, "released", last_day=day(4)),
        Lot("oil", "L", 100, "released", received_on=day(6)),
        Lot("oil", "L", 100, "released", retest_on=day(-1)),
        Lot("oil", "L", 100, "released", set_apart=True),
    ],
)
def test_stock_that_may_not_be_used_serves_nothing(lot):
    answer = planned(OIL, lots=(lot,), demands=(Demand("oil", 100, day(5)),))
    assert requirements(answer, "oil") == [(5, 100, 0, 100)]


def test_quarantine_with_a_day_in_the_past_counts_from_the_first_day_but_is_only_expected():
    lot = Lot("oil", "L", 100, "quarantine", available_on=day(-3))
    answer = planned(BALM, OIL, lots=(lot,), **oil_batch())
    assert answer.batches[0].coverage == "expected"
    assert [(row.source, row.quantity, row.day) for row in first_line(answer).expected] == [("lot:L", 100, day(0))]


def test_a_lot_is_used_through_its_last_day_less_what_must_remain():
    item = Item("oil", "raw", min_remaining_days=10)
    lot = released("oil", "L", 100, last_day=day(15))
    for on, short in ((5, 0), (6, 100)):
        answer = planned(item, lots=(lot,), demands=(Demand("oil", 100, day(on)),))
        assert requirements(answer, "oil")[0][3] == short
    customer = Demand("oil", 100, day(12), min_remaining_days=3)
    assert requirements(planned(item, lots=(lot,), demands=(customer,)), "oil")[0][3] == 0


def test_a_reservation_is_kept_before_all_needs():
    lots = (released("oil", "L", 100),)
    demand = Demand("oil", 80, day(1))
    kept = planned(
        BALM, OIL, lots=lots, demands=(demand,), reservations=(Reservation(0, 60, batch="B1"),), **oil_batch(60)
    )
    assert requirements(kept, "oil") == [(1, 80, 40, 40), (5, 60, 60, 0)]
    assert first_line(kept).lots == [("L", 60)]


def test_what_is_reserved_beyond_the_need_stays_withheld():
    answer = planned(
        BALM,
        OIL,
        lots=(released("oil", "L", 100),),
        reservations=(Reservation(0, 90, batch="B1"),),
        demands=(Demand("oil", 30, day(8)),),
        **oil_batch(60),
    )
    assert requirements(answer, "oil") == [(5, 60, 60, 0), (8, 30, 10, 20)]
    assert answer.lots_left == [0]


def test_a_drawn_item_is_never_short_and_has_no_lots():
    water = Item("water", "raw", drawn=True)
    batches = (Batch("B1", "F-balm", 1, 100, day(5)),)
    lots = (released("oil", "L", 50),)
    answer = planned(BALM, OIL, water, formulas=(mix("balm", {"oil": 50, "water": 50}),), batches=batches, lots=lots)
    assert requirements(answer, "water") == [(5, 50, 50, 0)]
    assert answer.batches[0].coverage == "covered"
    assert answer.batches[0].lines[1].lots == []


# ---- order of service


def test_service_goes_by_state_then_priority_then_code():
    batches = (
        Batch("A", "F-balm", 1, 10, day(5)),
        Batch("C", "F-balm", 1, 10, day(5), priority=2),
        Batch("D", "F-balm", 1, 10, day(5), priority=1),
        Batch("E", "F-balm", 1, 10, day(5), status="started"),
        Batch("F", "F-balm", 1, 10, day(5), status="reserved"),
    )
    formulas = (mix("balm", {"oil": 100}),)
    demand = Demand("oil", 10, day(5), "C", "1", priority=1)
    answer = planned(BALM, OIL, formulas=formulas, batches=batches, demands=(demand,), offers=(offer("oil", 60),))
    assert [to for to, _ in pegs(answer.buy[0])] == [
        "batch:F",
        "batch:E",
        "batch:D",
        "batch:C",
        "batch:A",
        "demand:C/1",
    ]


# ---- netting, surplus and lot sizes


def test_surplus_serves_later_days_until_it_expires():
    item = Item("balm", "product", life_days=10)
    formula = mix("balm", {"oil": 100}, min_batch=100)
    demands = tuple(Demand("balm", 30, day(on)) for on in (3, 8, 13, 14))
    answer = planned(item, OIL, formulas=(formula,), demands=demands)
    assert [(row.due_on - day(0), row.quantity, row.excess) for row in answer.make] == [(3, 100, 70), (14, 100, 70)]


def test_days_are_never_merged():
    answer = planned(OIL, offers=(offer("oil"),), demands=(Demand("oil", 3, day(4)), Demand("oil", 4, day(5))))
    assert [(row.need_on - day(0), row.quantity) for row in answer.buy] == [(4, 3), (5, 4)]


def test_pegs_fill_the_cuts_in_order_of_service():
    formula = mix("balm", {"oil": 100}, max_batch=50)
    demands = (Demand("balm", 40, day(5), "A", "1"), Demand("balm", 40, day(5), "B", ""))
    answer = planned(BALM, OIL, formulas=(formula,), demands=demands)
    assert [pegs(row) for row in answer.make] == [[("demand:A/1", 40), ("demand:B/", 10)], [("demand:B/", 30)]]


def test_a_line_pegs_to_the_making_above_it():
    answer = planned(
        BALM,
        OIL,
        formulas=(mix("balm", {"oil": 100}),),
        offers=(offer("oil", 7),),
        demands=(Demand("balm", 40, day(5)),),
    )
    assert pegs(answer.buy[0]) == [(f"make:{answer.make[0].id}", 40)]
    assert (answer.buy[0].quantity, answer.buy[0].excess) == (42, 2)


def test_one_lot_line_is_proposed_as_a_batch_of_its_own():
    bulk = Item("bulk", "intermediate")
    jars = [Item(code, "product", "count") for code in ("jar", "tin")]
    formulas = (
        pack_out("jar", {"bulk": 10}, single_lot=("bulk",)),
        pack_out("tin", {"bulk": 10}, single_lot=("bulk",)),
        mix("bulk", {"oil": 100}),
    )
    demands = (Demand("jar", 5, day(5)), Demand("tin", 5, day(5)), Demand("bulk", 7, day(5)), Demand("bulk", 8, day(5)))
    answer = planned(bulk, OIL, *jars, formulas=formulas, demands=demands)
    assert [row.quantity for row in answer.make if row.item == "bulk"] == [50, 50, 15]


def test_one_lot_line_is_served_from_one_lot_or_not_at_all():
    formulas = (pack_out("jar", {"bulk": 10}, single_lot=("bulk",)),)
    lots = (
        released("bulk", "A", 30, last_day=day(90)),
        released("bulk", "B", 60),
        released("bulk", "C", 30, last_day=day(80), place="left"),
        released("bulk", "C", 30, last_day=day(95), place="right"),
    )
    answer = planned(
        Item("bulk", "intermediate"),
        Item("jar", "product", "count"),
        formulas=formulas,
        lots=lots,
        batches=(
            Batch("B1", "F-jar", 1, 5, day(5)),
            Batch("B2", "F-jar", 1, 6, day(6)),
            Batch("B3", "F-jar", 1, 5, day(7)),
        ),
    )
    lines = [batch.lines[0] for batch in answer.batches]
    assert [line.lots for line in lines] == [[("C", 50)], [("B", 60)], []]
    assert [line.passed_over for line in lines] == [
        [("A", "not_enough")],
        [("C", "not_enough"), ("A", "not_enough")],
        [("C", "not_enough"), ("A", "not_enough")],
    ]


# ---- safety stock


def test_safety_stock_is_a_floor_from_the_first_day_something_can_be_here():
    item = Item("oil", "raw", safety_stock=50, release_days=1)
    answer = planned(item, offers=(offer("oil", 1, 4),))
    assert [(row.need_on - day(0), row.quantity, row.late, pegs(row)) for row in answer.buy] == [
        (5, 50, False, [("safety", 50)])
    ]
    assert requirements(answer, "oil") == [(5, 0, 0, 50)]


def test_safety_stock_is_refilled_on_the_day_of_a_need_and_after_an_expiry():
    item = Item("oil", "raw", safety_stock=50)
    lots = (released("oil", "L", 60, last_day=day(20)),)
    answer = planned(item, lots=lots, offers=(offer("oil"),), demands=(Demand("oil", 30, day(9)),))
    assert [(row.need_on - day(0), row.quantity) for row in answer.buy] == [(9, 20), (21, 30)]


def test_a_need_may_take_the_safety_stock_and_is_pegged_before_it():
    item = Item("oil", "raw", safety_stock=50)
    answer = planned(item, offers=(offer("oil", 100),), demands=(Demand("oil", 30, day(0), "A", "1"),))
    assert pegs(answer.buy[0]) == [("demand:A/1", 30), ("safety", 50)]
    assert (answer.buy[0].excess, requirements(answer, "oil")) == (20, [(0, 30, 0, 80)])


def test_what_only_refills_safety_stock_is_never_late():
    balm = Item("balm", "product", safety_stock=50, lead_time_days=2)
    answer = planned(
        balm,
        OIL,
        formulas=(mix("balm", {"oil": 100}),),
        offers=(offer("oil", 1, 9),),
        demands=(Demand("balm", 1, day(0)),),
    )
    late = [(row.item, row.due_on - day(0), row.late) for row in answer.make]
    assert late == [("balm", 0, True), ("balm", 2, False)]
    # The oil for both is needed at once; only the part for the customer is late.
    assert [(row.late, row.quantity) for row in answer.buy] == [(True, 51)]
    assert unmet(answer) == [("balm", 0, 1, "late"), ("oil", 0, 1, "late")]
    assert answer.buy[0].runs_out_on == day(0)


# ---- late, life, open days


def test_a_late_making_starts_on_the_first_day_and_its_lines_too():
    balm = Item("balm", "product", lead_time_days=5)
    answer = planned(balm, OIL, formulas=(mix("balm", {"oil": 100}),), demands=(Demand("balm", 10, day(2)),))
    assert [(row.start_on - day(0), row.late) for row in answer.make] == [(-3, True)]
    assert requirements(answer, "oil") == [(0, 10, 0, 10)]
    assert unmet(answer) == [("oil", 0, 10, "no_offer"), ("balm", 2, 10, "late")]


def test_late_surplus_covers_a_need_before_it_is_here_and_says_so():
    item = Item("oil", "raw")
    demands = (Demand("oil", 3, day(1)), Demand("oil", 4, day(2)), Demand("oil", 2, day(6)))
    answer = planned(item, offers=(offer("oil", 10, 5),), demands=demands)
    assert len(answer.buy) == 1
    assert requirements(answer, "oil") == [(1, 3, 0, 3), (2, 4, 4, 0), (6, 2, 2, 0)]
    assert unmet(answer) == [("oil", 1, 3, "late"), ("oil", 2, 4, "late")]


def test_what_does_not_live_to_its_need_is_not_proposed():
    balm = Item("balm", "product", lead_time_days=1, life_days=2, min_remaining_days=1)
    formulas = (mix("balm", {"oil": 100}),)
    fits = Demand("balm", 10, day(9), "A")
    too_long = Demand("balm", 10, day(9), "B", min_remaining_days=3)
    answer = planned(balm, OIL, formulas=formulas, demands=(fits, too_long))
    assert [pegs(row) for row in answer.make] == [[("demand:A/", 10)]]
    assert unmet(answer) == [("oil", 8, 10, "no_offer"), ("balm", 9, 10, "life")]
    assert requirements(answer, "balm") == [(9, 20, 0, 20)]


def test_starts_and_arrivals_fall_on_the_last_open_day():
    weekdays = frozenset({0, 3})  # Monday, Thursday
    balm = Item("balm", "product", life_days=3)
    problem = {
        "formulas": (mix("balm", {"oil": 100}),),
        "offers": (offer("oil", 1, 2),),
        "open_weekdays": weekdays,
    }
    answer = planned(balm, OIL, demands=(Demand("balm", 10, day(13)),), **problem)
    assert [row.start_on - day(0) for row in answer.make] == [10]
    # The order itself may be written on any day.
    assert [(row.need_on - day(0), row.order_by - day(0)) for row in answer.buy] == [(10, 8)]
    short_lived = dataclasses.replace(balm, life_days=2)
    answer = planned(short_lived, OIL, demands=(Demand("balm", 10, day(13)),), **problem)
    assert unmet(answer) == [("balm", 13, 10, "life")]


def test_an_item_that_is_neither_made_nor_bought_is_unmet_by_its_kind():
    answer = planned(BALM, OIL, demands=(Demand("balm", 1, day(1)), Demand("oil", 2, day(1))))
    assert unmet(answer) == [("balm", 1, 1, "no_formula"), ("oil", 1, 2, "no_offer")]


# ---- buying


def test_waste_counts_only_what_known_needs_leave_to_spoil():
    item = Item("oil", "raw", life_days=10)
    offers = (offer("oil", 100, price_e4=100), offer("oil", 10, price_e4=500))
    alone = planned(item, offers=offers, demands=(Demand("oil", 10, day(5)),))
    assert [(row.quantity, row.waste) for row in alone.buy] == [(10, 0)]
    later = (Demand("oil", 10, day(5)), Demand("oil", 85, day(15)))
    together = planned(item, offers=offers, demands=later)
    # Of a large pack 5 would spoil; of small ones nothing now, and less than of a large one later.
    assert [(row.quantity, row.waste) for row in together.buy] == [(10, 0), (90, 5)]
    large_only = planned(item, offers=offers[:1], demands=later)
    assert [(row.quantity, row.excess, row.waste) for row in large_only.buy] == [(100, 90, 5)]


def test_what_lives_beyond_the_plan_is_no_waste():
    item = Item("oil", "raw", life_days=60)
    answer = planned(item, offers=(offer("oil", 100),), demands=(Demand("oil", 10, day(5)),))
    assert [(row.excess, row.waste) for row in answer.buy] == [(90, 0)]


def test_min_packs_are_bought_or_none():
    answer = planned(
        OIL,
        offers=(offer("oil", 10, min_packs=3), offer("oil", 25, price_e4=40)),
        demands=(Demand("oil", 20, day(5)),),
    )
    assert [(pack.pack, pack.count) for pack in answer.buy[0].packs] == [(10, 3)]
    assert answer.buy[0].cost_e4 == 30


def test_free_is_what_the_whole_plan_leaves():
    lots = (released("oil", "A", 50, last_day=day(20)), released("oil", "B", 40))
    demands = (Demand("oil", 10, day(5)), Demand("oil", 30, day(4), min_remaining_days=30), Demand("oil", 99, day(30)))
    answer = planned(OIL, lots=lots, demands=demands, offers=(offer("oil"),))
    assert answer.lots_left == [40, 0]
    assert (answer.buy[0].free, answer.buy[0].runs_out_on) == (40, day(30))


# ---- coverage


def test_each_passed_over_lot_has_its_first_reason():
    lots = (
        released("oil", "USED", 10, last_day=day(30)),
        Lot("oil", "BAD", 9, "rejected", last_day=day(-3)),
        Lot("oil", "DOUBT", 9, "held"),
        released("oil", "OLD", 9, last_day=day(-1)),
        Lot("oil", "NEW", 9, "quarantine"),
        released("oil", "LOOK", 9, retest_on=day(-1)),
        released("oil", "SOON", 9, received_on=day(9)),
        released("oil", "ENDING", 9, last_day=day(3)),
        released("oil", "OTHERS", 9),
        released("oil", "UNNEEDED", 9),
    )
    kept = (Reservation(8, 9, demand=0),)
    answer = planned(
        BALM, OIL, lots=lots, reservations=kept, demands=(Demand("oil", 9, day(40), "Z"),), **oil_batch(10)
    )
    reasons = dict(first_line(answer).passed_over)
    assert first_line(answer).lots == [("USED", 10)]
    assert reasons == {
        "BAD": "rejected",
        "DOUBT": "held",
        "OLD": "expired",
        "NEW": "quarantine",
        "LOOK": "quarantine",
        "SOON": "not_yet",
        "ENDING": "too_short",
        "OTHERS": "reserved",
    }


def test_short_and_proposed_are_told_apart():
    answer = planned(BALM, OIL, lots=(released("oil", "L", 30),), offers=(offer("oil", 50),), **oil_batch(100))
    line = first_line(answer)
    assert (line.lots, line.short, line.proposed) == ([("L", 30)], 70, 70)
    assert answer.batches[0].coverage == "short"
    assert first_line(planned(BALM, OIL, **oil_batch(100))).proposed == 0


def test_a_substitute_is_named_with_what_the_plan_leaves_of_it():
    other = Item("other", "raw", min_remaining_days=20)
    line = Line(1, "oil", 1_000_000, substitutes=(Substitute("other", Fraction(3, 2)),))
    formula = dataclasses.replace(mix("balm", {"oil": 100}), lines=(line,))
    lots = (released("other", "A", 149, last_day=day(25)), released("other", "B", 500, last_day=day(24)))
    answer = planned(BALM, OIL, other, formulas=(formula,), batches=oil_batch()["batches"], lots=lots)
    (row,) = first_line(answer).substitutes
    assert (row.item, row.ratio, row.free, row.enough) == ("other", "1.5", 149, False)


def test_expiring_lots_show_what_no_need_uses_before():
    lots = (
        released("oil", "A", 50, last_day=day(20), place="left"),
        released("oil", "A", 5, last_day=day(20), place="right"),
        Lot("oil", "B", 7, "held", last_day=day(-5)),
        released("oil", "C", 9, last_day=day(49)),
    )
    answer = planned(OIL, lots=lots, demands=(Demand("oil", 30, day(5)),))
    assert [(row.lot, row.quantity, row.expires_on - day(0)) for row in answer.expiring] == [
        ("B", 7, -5),
        ("A", 25, 20),
    ]


# ---- formulas and references


def test_the_preferred_formula_is_used_then_the_first_code():
    formulas = [dataclasses.replace(mix("balm", {"oil": 100}), formula=code) for code in ("A", "B", "C")]
    formulas[2] = dataclasses.replace(formulas[2], preferred=True)
    demands = (Demand("balm", 10, day(5)),)
    assert planned(BALM, OIL, formulas=tuple(formulas), demands=demands).make[0].formula == "C"
    assert planned(BALM, OIL, formulas=tuple(formulas[:2]), demands=demands).make[0].formula == "A"
    draft = dataclasses.replace(formulas[0], approved=False)
    assert planned(BALM, OIL, formulas=(draft,), demands=demands).make == []


@pytest.mark.parametrize(
    "rows, code",
    [
        ({"demands": (Demand("none", 1, day(1)),)}, "unknown_item"),
        ({"batches": (Batch("B", "none", 1, 5, day(1)),)}, "unknown_formula"),
        ({"formulas": (mix("oil", {"balm": 100}), mix("balm", {"oil": 100}))}, "loop"),
        ({"formulas": (mix("balm", {"oil": 99}),)}, "percent_sum"),
        ({"formulas": (mix("balm", {"oil": 100}, batch_multiple=10, max_batch=9),)}, "formula_size"),
        ({"open_weekdays": frozenset()}, "no_open_days"),
        (
            {"formulas": (mix("balm", {"oil": 100}, max_batch=1),), "demands": (Demand("balm", 10**9, day(1)),)},
            "too_many_cuts",
        ),
    ],
)
def test_a_problem_that_cannot_be_planned_is_refused_by_code(rows, code):
    with pytest.raises(PlanError) as refused:
        planned(BALM, OIL, **rows)
    assert refused.value.code == code


# ---- the plan is a function


def shuffled(problem: Problem, seed: int) -> tuple[Problem, list[int]]:
    """The same problem with its rows in another order, and where each lot went."""
    rng = random.Random(seed)
    lots = rng.sample(range(len(problem.lots)), len(problem.lots))
    demands = rng.sample(range(len(problem.demands)), len(problem.demands))
    kept = [
        dataclasses.replace(
            each,
            lot=lots.index(each.lot),
            demand=None if each.demand is None else demands.index(each.demand),
        )
        for each in problem.reservations
    ]
    other = {
        name: tuple(rng.sample(rows, len(rows)))
        for name in ("items", "orders", "offers", "formulas", "batches")
        if (rows := getattr(problem, name))
    }
    other["lots"] = tuple(problem.lots[place] for place in lots)
    other["demands"] = tuple(problem.demands[place] for place in demands)
    return dataclasses.replace(problem, reservations=tuple(rng.sample(kept, len(kept))), **other), lots


def test_the_same_problem_gives_the_same_plan_in_whatever_order_its_rows_come():
    for seed in range(60):
        problem = random_problem(seed, 1)
        once, again = plan(problem), plan(problem)
        assert once == again
        mixed, lots = shuffled(problem, seed)
        other = plan(mixed)
        assert other.lots_left == [once.lots_left[place] for place in lots]
        assert dataclasses.replace(other, lots_left=once.lots_left) == once


def test_a_workshop_with_nothing_in_it_has_a_plan_of_nothing():
    answer = plan(Problem(from_day=MONDAY, to_day=MONDAY + 6, items=()))
    assert [answer.requirements, answer.batches, answer.make, answer.buy, answer.expiring, answer.unmet] == [[]] * 6
