"""What the engine is given: one workshop's stock, promises and methods as plain values.

Imports nothing but the standard library. Every quantity is a whole number of the item's
base step (milligram for mass, piece for count); every day is a proleptic ordinal
(``datetime.date.toordinal``), ``NEVER`` for a day that does not come. Percentages are
whole ten-thousandths of a percent ("98.5 %" is 985000, 100 % is ``WHOLE``).
The snapshot fills these rows; tests write them by hand. Those that come by the ten thousand are named
tuples, which are made in a third of the time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import NamedTuple

NEVER = 9_999_999
NO_PRIORITY = 1 << 62  # of a batch or a demand: blank comes last
WHOLE = 1_000_000

MASS = "mass"
COUNT = "count"

NOTHING_BY_POSITION: Mapping[int, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Item:
    code: str
    kind: str  # raw, packaging, intermediate, product, supply
    measure: str = MASS
    drawn: bool = False
    # What is made or received on day D lives through D + life_days; None: no life known, never spoils
    # in the plan. The snapshot has already turned hours into days (rule: whole days of life less one).
    life_days: int | None = None
    min_remaining_days: int = 0
    safety_stock: int = 0
    lead_time_days: int = 0  # of making
    release_days: int = 0


class Lot(NamedTuple):
    """One portion of a lot on hand. Several rows may carry the same (item, lot)."""

    item: str
    lot: str
    quantity: int
    status: str  # quarantine, released, rejected, held
    received_on: int | None = None
    available_on: int | None = None
    last_day: int = NEVER  # resolved: earliest of the lot's expiry and opened day + opened life
    retest_on: int = NEVER  # resolved: given, or received day + retest_days
    set_apart: bool = False
    place: str = ""
    container: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """The open rest of one purchase order line."""

    order: str
    item: str
    quantity: int
    due_on: int
    expires_on: int | None = None  # blank: received day + the item's life


class Offer(NamedTuple):
    supplier: str
    item: str
    pack: int
    lead_time_days: int
    price_e4: int | None = None  # of one pack, in ten-thousandths of the currency; None: not known
    min_packs: int = 1
    pack_text: str = ""  # as the supplier writes it, shown in the plan's packs; blank: derived from pack


@dataclass(frozen=True, slots=True)
class Substitute:
    item: str
    ratio: Fraction  # of the substitute for one of the line's item


class Line(NamedTuple):
    position: int
    item: str
    # percent basis: ten-thousandths of a percent, `qs` already resolved; unused (0) on per_unit.
    percent: int = 0
    # per_unit basis: base steps (mg or pc) for one unit begun, exact (1 pc / 12 is Fraction(1, 12);
    # a volume is millilitres x density in mg); unused (0) on percent.
    per_unit: Fraction = Fraction(0)
    # per_unit lines written as a volume are rounded half up after multiplying; others are rounded up.
    is_volume: bool = False
    phase: str = ""
    single_lot: bool = False
    substitutes: tuple[Substitute, ...] = ()


@dataclass(frozen=True, slots=True)
class Formula:
    formula: str
    version: int
    item: str  # what it makes
    basis: str  # percent, per_unit
    lines: Sequence[Line]  # by position; a tuple, or ``formula_lines.LinesOf``
    yield_percent: int = WHOLE
    loss: int = 0  # mg, percent basis only
    approved: bool = True  # only approved ones are proposed; firm batches may use any
    preferred: bool = False
    min_batch: int = 0
    batch_multiple: int = 1  # 1: any size
    max_batch: int | None = None


class Batch(NamedTuple):
    """A firm batch: planned, reserved or started."""

    batch: str
    formula: str
    version: int
    charge: int
    planned_for: int
    status: str = "planned"  # planned, reserved, started
    priority: int | None = None
    trial: bool = False  # its lot is never released: no supply
    # started batches: what was already weighed, by line position; the rest is still needed
    weighed: Mapping[int, int] = NOTHING_BY_POSITION
    # lines as the batch carries them, where they differ from the formula's split: position -> quantity
    required: Mapping[int, int] = NOTHING_BY_POSITION


@dataclass(frozen=True, slots=True)
class Demand:
    item: str
    quantity: int  # still open
    due_on: int
    customer: str = ""
    reference: str = ""
    priority: int | None = None
    min_remaining_days: int | None = None  # the customer's own, in place of the item's


@dataclass(frozen=True, slots=True)
class Reservation:
    """Stock of one portion set aside for one firm batch or one demand."""

    lot: int  # index into Problem.lots
    quantity: int
    batch: str | None = None
    demand: int | None = None  # index into Problem.demands


@dataclass(frozen=True, slots=True)
class Problem:
    from_day: int
    to_day: int
    items: tuple[Item, ...]
    lots: Sequence[Lot] = ()  # a tuple, or ``portions.Portions``
    orders: tuple[Order, ...] = ()
    offers: tuple[Offer, ...] = ()
    formulas: tuple[Formula, ...] = ()
    batches: Sequence[Batch] = ()  # a tuple, or ``batches.BatchColumns``
    demands: tuple[Demand, ...] = ()
    reservations: Sequence[Reservation] = ()  # a tuple, or ``reservations.ReservationColumns``
    open_weekdays: frozenset[int] = frozenset(range(7))  # Monday is 0
