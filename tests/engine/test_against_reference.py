"""The engine and the plain reference planner give the same plan, row by row."""

from __future__ import annotations

import dataclasses
from datetime import date
from fractions import Fraction

import pytest

from planner.engine import plan
from planner.engine.problem import NEVER, WHOLE, Demand, Formula, Item, Line, Lot, Offer, Order, Problem
from planner.engine.result import Plan

from .random_problems import limited_bulk_problem, random_problem
from .reference import reference_plan

SECTIONS = ["requirements", "make", "buy", "batches", "expiring", "unmet", "lots_left"]
CHUNK = 50


def comparable(answer: Plan) -> dict[str, list]:
    """The sections as plain rows; a peg names its parent by the place of the row, not by its id."""
    place = {row.id: f"make:row {n}" for n, row in enumerate(answer.make)}
    sections: dict[str, list] = {}
    for section in SECTIONS:
        rows = []
        for row in getattr(answer, section):
            if dataclasses.is_dataclass(row):
                row = dataclasses.asdict(row)
                row.pop("id", None)
                for peg in row.get("pegged_to", ()):
                    if peg["to"].startswith("make:"):
                        peg["to"] = place.get(peg["to"].removeprefix("make:"), "make:beyond the window")
            rows.append(row)
        sections[section] = rows
    return sections


def first_difference(problem: Problem) -> str | None:
    """The first section and row in which the two differ, as text."""
    got, wanted = plan(problem), reference_plan(problem)
    ids = [row.id for row in got.make + got.buy]
    if len(set(ids)) != len(ids):
        return f"ids are not unique: {sorted(ids)}"
    mine, theirs = comparable(got), comparable(wanted)
    for section in SECTIONS:
        a, b = mine[section], theirs[section]
        for n in range(max(len(a), len(b))):
            left = a[n] if n < len(a) else None
            right = b[n] if n < len(b) else None
            if left != right:
                return f"{section}[{n}]\n  engine:    {left}\n  reference: {right}"
    return None


def smaller(problem: Problem, differs) -> Problem:
    """Drop rows one by one for as long as the difference stays: what is left shows the rule."""
    changed = True
    while changed:
        changed = False
        for name in ("demands", "batches", "lots", "orders", "offers", "formulas"):
            n = 0
            while n < len(getattr(problem, name)):
                attempt = without(problem, name, n)
                if attempt is not None and differs(attempt):
                    problem, changed = attempt, True
                else:
                    n += 1
        for n in range(len(problem.reservations) - 1, -1, -1):
            kept = problem.reservations[:n] + problem.reservations[n + 1 :]
            attempt = dataclasses.replace(problem, reservations=kept)
            if differs(attempt):
                problem, changed = attempt, True
        plainer = dataclasses.replace(problem, open_weekdays=frozenset(range(7)))
        if plainer != problem and differs(plainer):
            problem, changed = plainer, True
        for n, item in enumerate(problem.items):
            for field, value in (
                ("safety_stock", 0),
                ("life_days", None),
                ("min_remaining_days", 0),
                ("release_days", 0),
                ("lead_time_days", 0),
            ):
                if getattr(item, field) != value:
                    items = list(problem.items)
                    items[n] = dataclasses.replace(item, **{field: value})
                    attempt = dataclasses.replace(problem, items=tuple(items))
                    if differs(attempt):
                        problem, item, changed = attempt, items[n], True
    used = {row.item for row in problem.lots + problem.orders + problem.offers + problem.demands}
    for formula in problem.formulas:
        used.add(formula.item)
        for line in formula.lines:
            used.add(line.item)
            used.update(substitute.item for substitute in line.substitutes)
    return dataclasses.replace(problem, items=tuple(i for i in problem.items if i.code in used or i.safety_stock))


def without(problem: Problem, name: str, n: int) -> Problem | None:
    rows = getattr(problem, name)
    gone = rows[n]
    changes = {name: rows[:n] + rows[n + 1 :]}
    if name == "formulas" and any(
        (batch.formula, batch.version) == (gone.formula, gone.version) for batch in problem.batches
    ):
        return None
    kept = []
    for reservation in problem.reservations:
        if name == "lots":
            if reservation.lot == n:
                continue
            if reservation.lot > n:
                reservation = dataclasses.replace(reservation, lot=reservation.lot - 1)
        elif name == "demands" and reservation.demand is not None:
            if reservation.demand == n:
                continue
            if reservation.demand > n:
                reservation = dataclasses.replace(reservation, demand=reservation.demand - 1)
        elif name == "batches" and reservation.batch == gone.batch:
            continue
        kept.append(reservation)
    return dataclasses.replace(problem, reservations=tuple(kept), **changes)


def shown(problem: Problem) -> str:
    """A problem as text, one row a line, defaults left out."""
    parts = [f"from {problem.from_day} to {problem.to_day} open {sorted(problem.open_weekdays)}"]
    for name in ("items", "lots", "orders", "offers", "formulas", "batches", "demands", "reservations"):
        for row in getattr(problem, name):
            fields = []
            for f in dataclasses.fields(row):
                value = getattr(row, f.name)
                if value != f.default and value not in ({}, ()):
                    fields.append(f"{f.name}={value!r}")
            parts.append(f"{type(row).__name__}({', '.join(fields)})")
    return "\n".join(parts)


def compare(seeds, size: int = 1) -> None:
    for seed in seeds:
        problem = random_problem(seed, size)
        difference = first_difference(problem)
        if difference is not None:
            least = smaller(problem, lambda attempt: first_difference(attempt) is not None)
            pytest.fail(
                f"seed {seed} size {size}: {difference}\n\nthe same in small:\n"
                f"{shown(least)}\n\n{first_difference(least)}"
            )


@pytest.mark.parametrize("start", range(0, 400, CHUNK))
def test_the_engine_gives_the_reference_plan(start):
    compare(range(start, start + CHUNK))


def test_one_batch_of_a_bulk_fills_each_making_from_it():
    for seed in range(500):
        problem = limited_bulk_problem(seed)
        difference = first_difference(problem)
        assert difference is None, f"seed {seed}\n{shown(problem)}\n{difference}"


@pytest.mark.slow
@pytest.mark.parametrize("start", range(1000, 5000, 10 * CHUNK))
def test_the_engine_gives_the_reference_plan_for_thousands_of_problems(start):
    compare(range(start, start + 10 * CHUNK))


@pytest.mark.slow
@pytest.mark.parametrize("start", range(10_000, 10_300, CHUNK))
def test_the_engine_gives_the_reference_plan_for_larger_problems(start):
    compare(range(start, start + CHUNK), size=3)


# ---- the reference itself against published answers (weeks become days by 7)

WEEK = 7
START = 739_500


def week(n: int) -> int:
    return START + WEEK * n


def counted(code: str, kind: str, lead_weeks: int) -> Item:
    return Item(code, kind, "count", lead_time_days=lead_weeks * WEEK)


def per_unit(code: str, parts: dict[str, int], multiple: int = 1) -> Formula:
    lines = tuple(
        Line(position, item, per_unit=Fraction(amount))
        for position, (item, amount) in enumerate(parts.items(), start=1)
    )
    return Formula(code, 1, code, "per_unit", lines, batch_multiple=multiple)


def by_week(answer: Plan) -> dict[str, dict[str, list[tuple[int, int]]]]:
    tables: dict[str, dict[str, list[tuple[int, int]]]] = {}

    def add(name: str, item: str, day: int, quantity: int) -> None:
        if quantity:
            rows = tables.setdefault(item, {}).setdefault(name, [])
            rows.append(((day - START) // WEEK, quantity))

    for row in sorted(answer.requirements, key=lambda row: row.day):
        add("gross", row.item, row.day, row.gross)
        add("net", row.item, row.day, row.short)
    for row in sorted(answer.make, key=lambda row: row.due_on):
        add("receipt", row.item, row.due_on, row.quantity)
        add("release", row.item, row.start_on, row.quantity)
    for row in sorted(answer.buy, key=lambda row: row.need_on):
        add("receipt", row.item, row.need_on, row.quantity)
        add("release", row.item, row.order_by, row.quantity)
    return tables


@pytest.mark.parametrize("planner", [plan, reference_plan])
def test_item_at_two_levels_with_multiples_and_scheduled_receipts(planner):
    # A textbook problem of operations management (Jacobs and Chase problem set), recomputed.
    answer = planner(
        Problem(
            from_day=START,
            to_day=week(11) - 1,
            items=(
                counted("A", "product", 2),
                counted("B", "intermediate", 2),
                counted("C", "intermediate", 1),
                counted("D", "intermediate", 3),
                counted("E", "raw", 0),
                counted("F", "raw", 0),
            ),
            formulas=(
                per_unit("A", {"B": 1, "C": 1}, 20),
                per_unit("B", {"D": 3, "F": 1}, 40),
                per_unit("C", {"B": 3, "D": 1, "E": 4}),
                per_unit("D", {"E": 1}, 160),
            ),
            offers=(Offer("S", "E", 1, 2 * WEEK, 1), Offer("S", "F", 1, 2 * WEEK, 1)),
            lots=(
                Lot("A", "1", 5, "released"),
                Lot("B", "1", 10, "released"),
                Lot("D", "1", 100, "released"),
                Lot("E", "1", 100, "released"),
                Lot("A", "2", 10, "quarantine", available_on=week(3)),
                Lot("B", "2", 20, "quarantine", available_on=week(7)),
            ),
            orders=(Order("1", "E", 60, week(2)), Order("2", "F", 40, week(5))),
            demands=(Demand("A", 20, week(10)),),
        )
    )
    assert by_week(answer) == {
        "A": {"gross": [(10, 20)], "net": [(10, 5)], "receipt": [(10, 20)], "release": [(8, 20)]},
        "C": {"gross": [(8, 20)], "net": [(8, 20)], "receipt": [(8, 20)], "release": [(7, 20)]},
        "B": {
            "gross": [(7, 60), (8, 20)],
            "net": [(7, 30), (8, 10)],
            "receipt": [(7, 40), (8, 40)],
            "release": [(5, 40), (6, 40)],
        },
        "D": {
            "gross": [(5, 120), (6, 120), (7, 20)],
            "net": [(5, 20)],
            "receipt": [(5, 160)],
            "release": [(2, 160)],
        },
        "F": {"gross": [(5, 40), (6, 40)], "net": [(6, 40)], "receipt": [(6, 40)], "release": [(4, 40)]},
        "E": {"gross": [(2, 160), (7, 80)], "net": [(7, 80)], "receipt": [(7, 80)], "release": [(5, 80)]},
    }
    assert sum(answer.lots_left) == 0
    assert answer.unmet == []


@pytest.mark.parametrize("planner", [plan, reference_plan])
def test_no_stock_at_all(planner):
    # A textbook problem, recomputed.
    answer = planner(
        Problem(
            from_day=START,
            to_day=week(11) - 1,
            items=(
                counted("Z", "product", 2),
                counted("A", "intermediate", 1),
                counted("B", "raw", 0),
                counted("C", "raw", 0),
                counted("D", "intermediate", 1),
                counted("E", "raw", 0),
            ),
            formulas=(
                per_unit("Z", {"A": 2, "B": 3}),
                per_unit("A", {"C": 4, "D": 4}),
                per_unit("D", {"E": 2}),
            ),
            offers=(
                Offer("S", "B", 1, WEEK, 1),
                Offer("S", "C", 1, WEEK, 1),
                Offer("S", "E", 1, 3 * WEEK, 1),
            ),
            demands=(Demand("Z", 59, week(10)),),
        )
    )
    assert {item: table["release"] for item, table in by_week(answer).items()} == {
        "Z": [(8, 59)],
        "A": [(7, 118)],
        "B": [(7, 177)],
        "C": [(6, 472)],
        "D": [(6, 472)],
        "E": [(3, 944)],
    }


@pytest.mark.parametrize("planner", [plan, reference_plan])
def test_time_phase_and_a_receipt(planner):
    # Nahmias, Production and Operations Analysis, the trumpet example (from memory, recomputed).
    casings = [42, 42, 32, 12, 26, 112, 45, 14, 76, 38]
    answer = planner(
        Problem(
            from_day=START,
            to_day=week(14) - 1,
            items=(counted("casing", "product", 0), counted("valve", "raw", 0)),
            formulas=(per_unit("casing", {"valve": 3}),),
            offers=(Offer("S", "valve", 1, 3 * WEEK, 1),),
            lots=(Lot("valve", "1", 186, "released"),),
            orders=(Order("1", "valve", 96, week(5)),),
            demands=tuple(Demand("casing", n, week(i)) for i, n in enumerate(casings, start=4)),
        )
    )
    valves = [66, 36, 78, 336, 135, 42, 228, 114]
    table = by_week(answer)["valve"]
    assert table["net"] == list(enumerate(valves, start=6))
    assert table["release"] == list(enumerate(valves, start=3))


def infusion_case(product_yield: int, stock: int) -> Problem:
    return Problem(
        from_day=START,
        to_day=week(2) - 1,
        items=(
            Item("oil", "raw"),
            Item("herb", "raw"),
            Item("infusion", "intermediate"),
            Item("balm", "product"),
        ),
        formulas=(
            Formula(
                "balm",
                1,
                "balm",
                "percent",
                (Line(1, "infusion", 300_000), Line(2, "oil", 700_000)),
                yield_percent=product_yield,
            ),
            Formula(
                "infusion",
                1,
                "infusion",
                "percent",
                (Line(1, "herb", 100_000), Line(2, "oil", 900_000)),
                yield_percent=800_000,
            ),
        ),
        lots=(Lot("infusion", "1", stock, "released", last_day=NEVER),) if stock else (),
        demands=(Demand("balm", 5_000_000, START + 5),),
    )


@pytest.mark.parametrize("planner", [plan, reference_plan])
@pytest.mark.parametrize(
    "product_yield, stock, charge, herb, oil",
    [
        (WHOLE, 0, 1_875_000, 187_500, 1_687_500),
        (980_000, 0, 1_913_265, 191_327, 1_721_938),  # a tie, which goes to position 1
        (WHOLE, 500_000, 1_250_000, 125_000, 1_125_000),
    ],
)
def test_percent_formula_with_straining_yield(planner, product_yield, stock, charge, herb, oil):
    answer = planner(infusion_case(product_yield, stock))
    assert [row.charge for row in answer.make if row.item == "infusion"] == [charge]
    assert [row.gross for row in answer.requirements if row.item == "herb"] == [herb]
    balm = next(row for row in answer.make if row.item == "balm")
    own_oil = balm.charge - next(row.gross for row in answer.requirements if row.item == "infusion")
    assert sum(row.gross for row in answer.requirements if row.item == "oil") == own_oil + oil


@pytest.mark.parametrize("planner", [plan, reference_plan])
def test_first_expiry_first_among_what_is_here(planner):
    # Own case: L1 is in quarantine, L4 expires before the need; L3, then L2.
    def day(*ymd):
        return date(*ymd).toordinal()

    answer = planner(
        Problem(
            from_day=day(2027, 1, 4),
            to_day=day(2027, 1, 31),
            items=(Item("oil", "raw"),),
            lots=(
                Lot("oil", "L1", 400, "quarantine", last_day=day(2027, 3, 31)),
                Lot("oil", "L2", 250, "released", last_day=day(2027, 5, 31)),
                Lot("oil", "L3", 500, "released", last_day=day(2027, 2, 28)),
                Lot("oil", "L4", 300, "released", last_day=day(2026, 12, 31)),
            ),
            demands=(Demand("oil", 600, day(2027, 1, 15)),),
        )
    )
    assert answer.lots_left == [400, 150, 0, 300]
