"""What things cost: an item by its latest lots or its cheapest offer, a formula by its lines. Reads only.

Costs are ten-thousandths of the currency for a kilogram or a piece, None where nobody wrote one down.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from inventory.models import Lot, Offer
from inventory.quantities import COUNT
from production.models import FormulaVersion, Line

KILOGRAM_MG = 1_000_000


def costs_of(item_ids: Collection[int]) -> dict[int, int | None]:
    """Of each item what its latest lot with a cost came at; else what its cheapest offer asks. Two queries."""
    found: dict[int, int | None] = dict.fromkeys(item_ids)
    lots = Lot.objects.filter(item__in=item_ids, unit_cost_e6__isnull=False).exclude(status=Lot.Status.REJECTED)
    for item, cost_e6 in lots.order_by("received_on", "pk").values_list("item_id", "unit_cost_e6"):
        assert cost_e6 is not None  # as was asked for
        found[item] = cost_e6 // 100
    offers = Offer.objects.filter(item__in=item_ids, price_e4__isnull=False)
    cheapest: dict[int, Decimal] = {}
    for item, measure, price_e4, pack in offers.values_list("item_id", "item__measure", "price_e4", "pack"):
        each = Decimal(price_e4 or 0) / pack * (1 if measure == COUNT else KILOGRAM_MG)
        cheapest[item] = min(each, cheapest.get(item, each))
    for item, cost in found.items():
        if cost is None and item in cheapest:
            found[item] = int(cheapest[item].quantize(Decimal(1), ROUND_HALF_UP))
    return found


@dataclass(frozen=True, slots=True)
class LineCost:
    position: int
    item: str
    share: str  # as written: a percentage, or a quantity for one unit
    each: int | None  # of a kilogram or a piece of the item
    cost: int | None  # in one kilogram, or in one unit, of what comes out


@dataclass(frozen=True, slots=True)
class VersionCost:
    """``total`` of one kilogram or one unit that comes out, loss in the vessel aside; ``unknown``: without a cost."""

    lines: tuple[LineCost, ...]
    total: int
    unknown: tuple[str, ...]
    measure: str  # of what comes out


def cost_of(version: FormulaVersion) -> VersionCost:
    """What one kilogram or one unit costs in materials, by its yield. Work and vessels are not in it."""
    lines: Sequence[Line] = list(Line.objects.filter(version=version).select_related("item").order_by("position"))
    each = costs_of({line.item_id for line in lines})
    by_percent = version.basis == FormulaVersion.Basis.PERCENT
    rest = _rest_percent(lines) if by_percent else Decimal(0)
    whole = Decimal(version.yield_percent) / 1_000_000
    rows = []
    for line in lines:
        cost = each[line.item_id]
        quantity = _kilograms(line, rest) if by_percent else _of_one_unit(line)
        in_one = None if cost is None else int((cost * quantity / whole).quantize(Decimal(1), ROUND_HALF_UP))
        rows.append(LineCost(line.position, line.item.code, line.amount_written, cost, in_one))
    return VersionCost(
        lines=tuple(rows),
        total=sum(row.cost or 0 for row in rows),
        unknown=tuple(dict.fromkeys(row.item for row in rows if row.cost is None)),
        measure="mass" if by_percent else version.formula.item.measure,
    )


def _rest_percent(lines: Sequence[Line]) -> Decimal:
    """What the line written ``qs`` takes."""
    return Decimal(100) - sum(
        (Decimal(line.percent) / 10_000 for line in lines if line.percent is not None), Decimal(0)
    )


def _kilograms(line: Line, rest: Decimal) -> Decimal:
    """In one kilogram that goes in."""
    return (rest if line.percent is None else Decimal(line.percent) / 10_000) / 100


def _of_one_unit(line: Line) -> Decimal:
    """Kilograms or pieces for one unit begun."""
    assert line.numerator is not None
    assert line.denominator is not None
    amount = Decimal(line.numerator) / line.denominator  # pieces, mg, or microlitres
    if line.item.measure == COUNT:
        return amount
    return amount * (line.item.density_g_per_ml or 1 if line.is_volume else 1) / KILOGRAM_MG
