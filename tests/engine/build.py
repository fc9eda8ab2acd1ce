"""Short ways to write a problem by hand: one day to count from, and items, formulas, lines with defaults."""

from __future__ import annotations

from fractions import Fraction

from planner.engine import Plan, plan
from planner.engine.problem import Formula, Item, Line, Lot, Offer, Problem

MONDAY = 739_500 - (739_500 + 6) % 7


def day(number: int) -> int:
    """The day ``number`` days after the plan's first, a Monday."""
    return MONDAY + number


def planned(*items: Item, weeks: int = 7, **rows: object) -> Plan:
    """The plan of a problem that begins on ``day(0)``."""
    return plan(Problem(day(0), day(0) + 7 * weeks - 1, items, **rows))  # type: ignore[arg-type]


def mix(item: str, parts: dict[str, int], **more: object) -> Formula:
    """A percent formula; ``parts`` in whole percent."""
    lines = tuple(Line(n, part, percent=share * 10_000) for n, (part, share) in enumerate(parts.items(), 1))
    return Formula(f"F-{item}", 1, item, "percent", lines, **more)  # type: ignore[arg-type]


def pack_out(item: str, parts: dict[str, int], single_lot: tuple[str, ...] = (), **more: object) -> Formula:
    """A per-unit formula; ``parts`` in steps for one unit."""
    lines = tuple(
        Line(n, part, per_unit=Fraction(steps), single_lot=part in single_lot)
        for n, (part, steps) in enumerate(parts.items(), 1)
    )
    return Formula(f"F-{item}", 1, item, "per_unit", lines, **more)  # type: ignore[arg-type]


def released(item: str, lot: str, quantity: int, **more: object) -> Lot:
    return Lot(item, lot, quantity, "released", **more)  # type: ignore[arg-type]


def offer(item: str, pack: int = 1, lead_time_days: int = 0, price_e4: int | None = 10, **more: object) -> Offer:
    return Offer(more.pop("supplier", "S"), item, pack, lead_time_days, price_e4, **more)  # type: ignore[arg-type]
