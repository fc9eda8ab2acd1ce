"""A seeded problem of the medium size: thousands of items, a quarter of a million needs."""

from __future__ import annotations

import random
from datetime import date
from fractions import Fraction

from planner.engine.problem import WHOLE, Batch, Demand, Formula, Item, Line, Lot, Offer, Order, Problem

FROM_DAY = date(2026, 11, 2).toordinal()
WEEKS = 26


def medium_problem(
    seed: int = 1, items: int = 3000, batches: int = 10_000, lots: int = 50_000, lines: int = 25
) -> Problem:
    """Raw materials, premixes, bulks and products; most needs covered by lots, some bought, some made."""
    rng = random.Random(seed)
    raws = [f"R{n:05}" for n in range(items * 7 // 10)]
    premixes = [f"M{n:05}" for n in range(items // 10)]
    bulks = [f"K{n:05}" for n in range(items // 10)]
    products = [f"X{n:05}" for n in range(items - len(raws) - len(premixes) - len(bulks))]
    formulas = [_mix(rng, code, raws, lines) for code in premixes]
    formulas += [_mix(rng, code, raws, lines - 2, premixes) for code in bulks]
    formulas += [_pack(rng, code, raws, bulks) for code in products]
    mixes = formulas[: len(premixes) + len(bulks)]
    rows = (
        [Item(code, "raw", life_days=365, lead_time_days=0, safety_stock=rng.choice([0, 0, 500_000])) for code in raws]
        + [Item(code, "intermediate", life_days=60, lead_time_days=2) for code in premixes]
        + [Item(code, "intermediate", life_days=90, lead_time_days=1, release_days=2) for code in bulks]
        + [Item(code, "product", "count", life_days=700, lead_time_days=1) for code in products]
    )
    return Problem(
        from_day=FROM_DAY,
        to_day=FROM_DAY + 7 * WEEKS - 1,
        items=tuple(rows),
        lots=tuple(_lot(rng, raws, premixes, number) for number in range(lots)),
        orders=tuple(
            Order(f"PO{n:05}", rng.choice(raws), rng.randrange(500_000, 9_000_000), FROM_DAY + rng.randrange(150))
            for n in range(items)
        ),
        offers=tuple(
            Offer(f"S{rng.randrange(9)}-{size}", code, size * 1000, rng.randrange(2, 20), size * rng.randrange(8, 12))
            for code in raws
            for size in (1000, 5000, 25000)
        ),
        formulas=tuple(formulas),
        batches=tuple(_batch(rng, mixes, number) for number in range(batches)),
        demands=tuple(
            Demand(rng.choice(products), rng.randrange(12, 240), FROM_DAY + rng.randrange(7 * WEEKS), f"C{n}")
            for n in range(len(products) * 2)
        ),
    )


def _mix(rng: random.Random, code: str, raws: list[str], lines: int, premixes: list[str] | None = None) -> Formula:
    parts = rng.sample(raws, lines) + (rng.sample(premixes, 2) if premixes else [])
    cuts = sorted(rng.sample(range(1, 10_000), len(parts) - 1))
    shares = [(b - a) * WHOLE // 10_000 for a, b in zip([0, *cuts], [*cuts, 10_000], strict=True)]
    rows = [Line(n, item, share) for n, (item, share) in enumerate(zip(parts, shares, strict=True), start=1)]
    return Formula(f"F-{code}", 1, code, "percent", tuple(rows), 980_000, 20_000, batch_multiple=1000)


def _pack(rng: random.Random, code: str, raws: list[str], bulks: list[str]) -> Formula:
    rows = [Line(1, rng.choice(bulks), per_unit=Fraction(50_000), single_lot=True)]
    rows += [Line(n, item, per_unit=Fraction(1)) for n, item in enumerate(rng.sample(raws, 3), start=2)]
    return Formula(f"F-{code}", 1, code, "per_unit", tuple(rows), 990_000, batch_multiple=12)


def _lot(rng: random.Random, raws: list[str], premixes: list[str], number: int) -> Lot:
    return Lot(
        rng.choice(raws) if number % 10 else rng.choice(premixes),
        f"L{number:06}",
        rng.randrange(200_000, 5_000_000),
        rng.choices(["released", "quarantine", "held", "rejected"], [90, 6, 2, 2])[0],
        received_on=FROM_DAY - rng.randrange(200),
        available_on=rng.choice([None, None, FROM_DAY + rng.randrange(60)]),
        last_day=FROM_DAY + rng.randrange(-20, 500),
    )


def _batch(rng: random.Random, mixes: list[Formula], number: int) -> Batch:
    status = rng.choices(["planned", "reserved"], [4, 1])[0]
    charge = rng.randrange(1000, 12_000) * 1000
    return Batch(f"B{number:05}", rng.choice(mixes).formula, 1, charge, FROM_DAY + rng.randrange(7 * WEEKS), status)
