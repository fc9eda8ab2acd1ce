"""What the engine answers: one plan as plain values, quantities in base steps, days as ordinals.

The standard library and numpy only. The rows and their fields are those of
``plan --json``; turning steps into "1250 g" and ordinals into ISO dates is the caller's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np


class PlanError(Exception):
    """The problem cannot be planned; ``code`` is stable, ``path`` names a loop's items where there is one."""

    def __init__(self, code: str, message: str, path: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.code = code
        self.path = path


@dataclass(slots=True)
class Requirement:
    item: str
    day: int
    gross: int
    covered: int
    short: int


class RequirementColumns(NamedTuple):
    """Requirements by day, then item code. ``item`` is a place in ``codes``; quantities in base steps."""

    codes: Sequence[str]
    item: np.ndarray
    day: np.ndarray
    gross: np.ndarray
    covered: np.ndarray
    short: np.ndarray


@dataclass(slots=True)
class Expected:
    source: str  # lot:L, order:PO, batch:B
    quantity: int
    day: int


@dataclass(slots=True)
class SubstituteFree:
    item: str
    ratio: str  # plain decimal
    free: int
    enough: bool


@dataclass(slots=True)
class BatchLine:
    position: int
    phase: str
    item: str
    required: int
    lots: list[tuple[str, int]]
    expected: list[Expected]
    short: int
    proposed: int
    substitutes: list[SubstituteFree]
    passed_over: list[tuple[str, str]]


class Cover(NamedTuple):
    """How many lines of a batch are short, and how many others wait for what is not here yet."""

    short: int
    expected: int

    @property
    def told(self) -> str:
        """In a word: covered, expected, short."""
        return "short" if self.short else "expected" if self.expected else "covered"


@dataclass(slots=True)
class BatchCoverage:
    batch: str
    item: str
    planned_for: int
    coverage: str  # covered, expected, short
    lines: list[BatchLine]


@dataclass(slots=True)
class Peg:
    to: str  # batch:B, demand:CUSTOMER/REFERENCE, make:ID, safety
    day: int
    quantity: int


@dataclass(slots=True)
class Make:
    id: str
    item: str
    formula: str
    version: int
    quantity: int
    charge: int
    start_on: int
    due_on: int
    late: bool
    coming: list[Expected]
    excess: int
    pegged_to: list[Peg]


@dataclass(slots=True)
class Pack:
    supplier: str
    pack: int
    count: int
    pack_text: str


@dataclass(slots=True)
class Buy:
    id: str
    item: str
    quantity: int
    packs: list[Pack]
    cost_e4: int | None  # ten-thousandths of the currency
    need_on: int
    order_by: int
    late: bool
    free: int
    coming: list[Expected]
    runs_out_on: int | None
    excess: int
    waste: int
    pegged_to: list[Peg]


@dataclass(slots=True)
class Expiring:
    lot: str
    item: str
    quantity: int
    expires_on: int


@dataclass(slots=True)
class Unmet:
    item: str
    day: int
    quantity: int
    reason: str  # no_formula, no_offer, late, life


@dataclass(slots=True)
class Plan:
    from_day: int
    to_day: int
    requirements: list[Requirement]
    batches: list[BatchCoverage]
    make: list[Make]
    buy: list[Buy]
    expiring: list[Expiring]
    unmet: list[Unmet]
    # What the whole plan leaves of each lot row (index as in Problem.lots), for free stock and alerts.
    lots_left: list[int]
