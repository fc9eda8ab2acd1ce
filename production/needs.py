"""What the lines of a making need: from a version's rows and a charge to whole base steps. Reads, never writes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple

from inventory import statements, workshop
from inventory.models import Item
from inventory.services.ledger import name_of_making
from production import arithmetic
from production.arithmetic import Portioned, SheetLine, UnitShare
from production.models import FormulaVersion, Line, LineSubstitute

PERCENT = FormulaVersion.Basis.PERCENT


@dataclass(frozen=True, slots=True)
class LineNeed:
    """One line of the version and the exact quantity it takes, in its item's base steps."""

    line: Line
    quantity: int


class FirmLine(NamedTuple):
    """A line of a batch's version, with what of its item says how much is to be set aside: one row for both."""

    position: int
    item_id: int
    percent: int | None
    qs: bool
    numerator: int | None
    denominator: int | None
    is_volume: bool
    single_lot: bool
    code: str
    measure: str
    drawn: bool
    density: Any  # SQLite gives a float, whose shortest text is what was written

    @property
    def item(self) -> FirmLine:
        return self

    @property
    def density_g_per_ml(self) -> Decimal | None:
        return None if self.density is None else Decimal(str(self.density))


_FIRM_LINES = """
    SELECT t.planned_for, v.basis,
        EXISTS (SELECT 1 FROM inventory_reservation r WHERE r.transformation_id = %s),
        EXISTS (SELECT 1 FROM inventory_alert a WHERE a.closed_at IS NULL AND a.subject = %s
            AND a.kind IN ('reservation_freed', 'reservation_broken')),
        l.position, l.item_id, l.percent, l.qs, l.numerator, l.denominator, l.is_volume,
        l.single_lot, i.code, i.measure, i.drawn, i.density_g_per_ml
    FROM production_batch b
    JOIN inventory_transformation t ON t.id = b.transformation_id
    JOIN production_formulaversion v ON v.id = b.version_id
    JOIN production_line l ON l.version_id = b.version_id
    JOIN inventory_item i ON i.id = l.item_id
    WHERE b.transformation_id = %s
    ORDER BY l.position
"""


class BatchNeeds(NamedTuple):
    """The planned day of a batch and its lines; ``holds_nothing``: nor does an alert say that something is missing."""

    planned_for: date
    holds_nothing: bool
    lines: list[LineNeed]


def needs_of_batch(batch_id: int, code: str, charge: int) -> BatchNeeds:
    """What the lines of a batch take of a charge, and what is set aside for it. One query."""
    rows = statements.rows(_FIRM_LINES, batch_id, name_of_making(code), batch_id)
    planned_for, basis, held, told = rows[0][:4]
    lines: Any = [FirmLine._make(row[4:]) for row in rows]
    return BatchNeeds(planned_for, not held and not told, _split(basis, charge, lines))


def lines_of(version: FormulaVersion) -> list[Line]:
    return list(Line.objects.filter(version=version).select_related("item").order_by("position"))


def ratios_of(version_id: int) -> dict[tuple[int, int], Fraction]:
    """The substitutes of a version: by line position and item id, how much of it stands in for one of the line's."""
    rows = LineSubstitute.objects.filter(line__version=version_id).order_by("line__position", "item__code")
    return {
        (position, item_id): Fraction(ratio)
        for position, item_id, ratio in rows.values_list("line__position", "item_id", "ratio")
    }


def needs_of(version: FormulaVersion, charge: int, lines: Sequence[Line] | None = None) -> list[LineNeed]:
    """What each line takes of a charge, by position: a percent charge split exactly, else units x amount."""
    return _split(version.basis, charge, lines_of(version) if lines is None else lines)


def _split(basis: str, charge: int, lines: Sequence[Line]) -> list[LineNeed]:
    if basis == PERCENT:
        percents = arithmetic.resolve_rest([line.percent for line in lines])
        quantities = arithmetic.split_charge(charge, percents)
    else:
        quantities = [arithmetic.unit_quantity(charge, share_of(line)) for line in lines]
    return [LineNeed(line, quantity) for line, quantity in zip(lines, quantities, strict=True)]


def share_of(line: Line) -> UnitShare:
    """What one unit begun takes of a per_unit line."""
    assert line.numerator is not None
    assert line.denominator is not None
    density = line.item.density_g_per_ml
    return UnitShare(
        Fraction(line.numerator, line.denominator), line.is_volume, None if density is None else Fraction(density)
    )


def sheet_of(version: FormulaVersion, charge: int, lines: Sequence[Line] | None = None) -> list[SheetLine]:
    """The batch sheet's lines by position: percent lines rounded to the workshop's scales, the others as they are.

    Fills are weighed unit by unit and pieces are counted: per_unit lines stay exact, pieces without tolerance.
    """
    scales = workshop.scales()
    needs = needs_of(version, charge, lines)
    if version.basis == PERCENT:
        return arithmetic.round_to_scales(_portioned(needs, charge), scales)
    return [_counted_or_filled(need, scales) for need in needs]


def _portioned(needs: Sequence[LineNeed], charge: int) -> list[Portioned]:
    """Every line with the room its use limits leave. The qs line takes the rest, else the (first) largest."""
    bounds = arithmetic.use_bounds(
        [need.quantity for need in needs],
        [need.line.item_id for need in needs],
        charge,
        {need.line.item_id: (need.line.item.min_percent, need.line.item.max_percent) for need in needs},
    )
    rest = max(needs, key=lambda need: (need.line.qs, need.quantity, -need.line.position))
    return [
        Portioned(need.line.position, need.quantity, low, high, need.line.tolerance_percent, need is rest)
        for need, (low, high) in zip(needs, bounds, strict=True)
    ]


def _counted_or_filled(need: LineNeed, scales: Sequence[workshop.Scale]) -> SheetLine:
    line = need.line
    if line.item.measure == Item.Measure.COUNT:
        return SheetLine(line.position, need.quantity, 0)
    tolerance = arithmetic.tolerance_of(need.quantity, line.tolerance_percent)
    return SheetLine(line.position, need.quantity, tolerance, arithmetic.smallest_scale(need.quantity, scales).name)
