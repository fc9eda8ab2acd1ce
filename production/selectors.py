"""Reads of the bench across tables or in bulk: a fixed number of queries however many rows are asked for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Q, QuerySet

from inventory.columns import rows_of
from inventory.errors import Conflict, Fault, NotFound
from inventory.ledger import rows_among
from inventory.models import Reservation
from inventory.quantities import round_down, round_half_up
from inventory.selectors import reservations_of
from inventory.usability import last_day_of
from production import arithmetic, needs
from production.models import (
    Batch,
    BatchLine,
    Check,
    CheckResult,
    Formula,
    FormulaVersion,
    Line,
    LineSubstitute,
    Step,
    StepSignature,
    Weighing,
)


def find_formula(code: str) -> Formula:
    formula = Formula.objects.select_related("item").filter(code=code).first()
    if formula is None:
        raise NotFound(f"no formula {code!r}")
    return formula


def find_version(code: str, version: int | None = None) -> FormulaVersion:
    """A formula's version with formula and item; its approved one where no number is given."""
    rows = FormulaVersion.objects.select_related("formula__item").filter(formula__code=code)
    wanted = Q(status=FormulaVersion.Status.APPROVED) if version is None else Q(version=version)
    row = rows.filter(wanted).first()
    if row is None:
        raise NotFound(f"no approved version of formula {code!r}" if version is None else f"no {code!r} v{version}")
    return row


def find_batch(code: str) -> Batch:
    batch = (
        Batch.objects.select_related("transformation__item", "version__formula__item")
        .filter(transformation__code=code)
        .first()
    )
    if batch is None:
        raise NotFound(f"no batch {code!r}")
    return batch


def find_line(batch: Batch, position: int) -> BatchLine:
    line = BatchLine.objects.select_related("item", "batch").filter(batch=batch, position=position).first()
    if line is None:
        raise NotFound(f"batch {batch.transformation.code} has no line {position} on its sheet")
    return line


def find_step(batch: Batch, position: int) -> Step:
    step = Step.objects.filter(version=batch.version_id, position=position).first()
    if step is None:
        raise NotFound(f"the method of batch {batch.transformation.code} has no step {position}")
    return step


def find_check(batch: Batch, name: str, stage: str = "") -> Check:
    """A check that is looked at in this batch; the stage is needed where two stages have a check of this name.

    Raises NotFound, Conflict "which_stage" naming the stages.
    """
    checks = Check.objects.filter(version=batch.version_id, name=name).exclude(stage=Check.Stage.STABILITY)
    found = list(checks.filter(stage=stage) if stage else checks.order_by("pk"))
    if not found:
        raise NotFound(f"{name!r} is no check of batch {batch.transformation.code}")
    if len(found) > 1:
        stages = [check.stage for check in found]
        fault = Fault("stage", "", " or ".join(stages))
        raise Conflict(f"{name} is looked at in more than one stage", code="which_stage", faults=[fault], stages=stages)
    return found[0]


def find_weighing(batch: Batch, event: UUID) -> Weighing:
    """The reading of this batch that the stock event holds, with line, lot, item and event."""
    readings = Weighing.objects.select_related("line__batch__transformation", "lot__item", "event")
    weighing = readings.filter(line__batch=batch, event__uid=event).first()
    if weighing is None:
        raise NotFound(f"batch {batch.transformation.code} has no reading {event}")
    return weighing


# --- formulas in columns -----------------------------------------------------------------------------------

Row = dict[str, Any]
VERSION_COLUMNS = (
    "pk", "formula__code", "version", "basis", "yield_percent", "loss_mg", "status", "preferred", "min_batch",
    "batch_multiple", "max_batch", "approved_at", "approved_by__username",
)  # fmt: skip


_VERSIONS = FormulaVersion.objects.order_by("version").values(*VERSION_COLUMNS)


def version_rows(formula_codes: Iterable[str]) -> dict[str, list[Row]]:
    """The versions of these formulas by code, earliest first, as VERSION_COLUMNS. One query."""
    codes = list(formula_codes)
    found: dict[str, list[Row]] = {code: [] for code in codes}
    for row in rows_of(_VERSIONS.filter(formula__code__one_of=found.keys())):
        found[row["formula__code"]].append(row)
    return found


def line_rows(version_id: int) -> list[Row]:
    """A version's lines by position in columns, each with its ``substitutes``. Two queries."""
    substitutes: dict[int, list[Row]] = defaultdict(list)
    named = LineSubstitute.objects.filter(line__version=version_id).order_by("line__position", "item__code")
    for row in named.values("line", "item__code", "item__caution", "ratio"):
        substitutes[row["line"]].append(dict(row))
    lines = Line.objects.filter(version=version_id).order_by("position")
    return [
        row | {"substitutes": substitutes[row["pk"]]}
        for row in lines.values(
            "pk", "position", "phase", "item__code", "item__caution", "amount_written",
            "tolerance_percent", "single_lot",
        )
    ]  # fmt: skip


def step_rows(version_id: int) -> list[Row]:
    """A version's steps by position in columns. One query."""
    steps = Step.objects.filter(version=version_id).order_by("position")
    return [dict(row) for row in steps.values("position", "phase", "text", "temperature_c", "minutes", "hands_on")]


def check_rows(version_id: int) -> list[Row]:
    """A version's checks in columns, in the order in which they were written. One query."""
    checks = Check.objects.filter(version=version_id).order_by("pk")
    return [dict(row) for row in checks.values("name", "stage", "unit", "low", "high", "expected")]


class BatchRow(NamedTuple):
    """A batch as a trace names it."""

    batch: str
    formula: str
    version: int
    state: str
    made_on: date | None


_BATCHES = """
    SELECT b.transformation_id, t.code, f.code, v.version, b.status, t.made_on
    FROM production_batch b
    JOIN inventory_transformation t ON t.id = b.transformation_id
    JOIN production_formulaversion v ON v.id = b.version_id
    JOIN production_formula f ON f.id = v.formula_id
    WHERE b.transformation_id IN ({ids})
"""


def batch_rows(transformation_ids: Collection[int]) -> dict[int, BatchRow]:
    """The batches of these makings, by id. Columns, one query."""
    return {row[0]: BatchRow(*row[1:]) for row in rows_among(_BATCHES, transformation_ids)}


def batches_affected(lot_ids: Iterable[int]) -> dict[int, BatchRow]:
    """The batches that lots went into or are set aside for, by id: what a doubt about them stops. Three queries."""
    lots = list(lot_ids)
    used = Weighing.objects.filter(lot__in=lots, corrected=False).values_list("line__batch_id", flat=True)
    held = Reservation.objects.filter(portion__lot__in=lots, transformation__isnull=False)
    return batch_rows({*used, *held.values_list("transformation_id", flat=True)})


@dataclass(frozen=True, slots=True)
class StartedSheets:
    """Of started batches, by batch id and line position: what the sheet asks for, and what went in so far."""

    required: Mapping[int, Mapping[int, int]]
    weighed: Mapping[int, Mapping[int, int]]


def started_sheets() -> StartedSheets:
    """The sheets of all started batches in columns, three queries. Additions are left out.

    What went in counts in the line's own item: a substitute by its ratio, rounded half up. A line that is done
    counts as weighed in full, for it needs nothing more.
    """
    required: dict[int, dict[int, int]] = defaultdict(dict)
    weighed: dict[int, dict[int, int]] = defaultdict(dict)
    lines = BatchLine.objects.filter(batch__status=Batch.Status.STARTED, is_addition=False)
    for batch, position, quantity, done in lines.values_list("batch_id", "position", "required", "done"):
        required[batch][position] = quantity
        if done:
            weighed[batch][position] = quantity
    totals = _totals_of(Weighing.objects.filter(line__in=lines.filter(done=False), corrected=False))
    for (batch, position), total in totals.items():
        weighed[batch][position] = round_half_up(total)
    return StartedSheets(required, weighed)


def stood_in(set_aside: Iterable[tuple[int, int, int, int]]) -> dict[int, dict[int, int]]:
    """By batch id and line position: how much of the line's item a reserved substitute stands in for.

    ``set_aside``: ids of batch, version and item, and how much of it is reserved for the batch, of items that no line
    of the version names: such a reservation is a substitute's. Rounded down by its ratio. One query, if there is any.
    """
    rows = list(set_aside)
    if not rows:
        return {}
    ratios: dict[tuple[int, int], list[tuple[int, Fraction]]] = defaultdict(list)
    named = LineSubstitute.objects.filter(line__version__in={version for _, version, _, _ in rows})
    for version, item, position, ratio in named.order_by("line__position").values_list(
        "line__version_id", "item_id", "line__position", "ratio"
    ):
        ratios[version, item].append((position, Fraction(ratio)))
    found: dict[int, dict[int, int]] = defaultdict(dict)
    for batch, version, item, total in rows:
        for position, share in ratios.get((version, item), ())[:1]:
            found[batch][position] = found[batch].get(position, 0) + round_down(total / share)
    return found


def _totals_of(readings: QuerySet[Weighing]) -> dict[tuple[int, int], Fraction]:
    """What went into each line, by batch id and position, in the line's own item. Two queries."""
    rows = list(
        readings.values_list(
            "line__batch_id",
            "line__position",
            "line__item_id",
            "line__batch__version_id",
            "lot__item_id",
            "quantity",
        )
    )
    stand_ins = {(version, position) for _, position, own, version, item, _ in rows if item != own}
    ratios = {
        (version, position, item): Fraction(ratio)
        for version, position, item, ratio in LineSubstitute.objects.filter(
            line__version__in={version for version, _ in stand_ins}
        ).values_list("line__version_id", "line__position", "item_id", "ratio")
    }
    totals: dict[tuple[int, int], Fraction] = defaultdict(Fraction)
    for batch, position, _, version, item, quantity in rows:
        totals[batch, position] += quantity / ratios.get((version, position, item), Fraction(1))
    return totals


@dataclass(frozen=True, slots=True)
class ToTake:
    """A portion set aside for the line, of its item or of what stands in for it: where it is, and its last day."""

    item: str
    lot: str
    place: str
    container: str
    quantity: int
    last_day: date | None


@dataclass(frozen=True, slots=True)
class Reading:
    event: UUID  # of the stock event, which names the reading
    lot: str
    item: str
    quantity: int
    happened_at: datetime
    who: str
    why: str
    corrected: bool


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line of the batch sheet. Quantities are base steps of the item; low and high are the limits of its total."""

    position: int
    phase: str
    item: str
    name: str
    measure: str
    required: int
    low: int
    high: int
    scale: str
    flag: str
    single_lot: bool
    drawn: bool
    is_addition: bool
    done: bool
    weighed: int
    take: tuple[ToTake, ...]
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class SheetStep:
    position: int
    phase: str
    text: str
    temperature_c: Decimal | None
    minutes: int | None
    hands_on: bool
    signed_at: datetime | None
    signed_by: str


@dataclass(frozen=True, slots=True)
class SheetCheck:
    name: str
    stage: str
    unit: str
    low: Decimal | None
    high: Decimal | None
    expected: str
    value: str  # of the last look; blank: not looked at
    passed: bool | None


@dataclass(frozen=True, slots=True)
class BatchSheet:
    """What stands on the bench: no percentages and no costs, so that every helper may read it."""

    batch: str
    item: str
    name: str
    formula: str
    version: int
    basis: str
    state: str
    trial: bool
    planned_for: date
    charge: int
    expected_output: int
    lines: tuple[SheetRow, ...]
    steps: tuple[SheetStep, ...]
    checks: tuple[SheetCheck, ...]
    cautions: tuple[tuple[str, str], ...]  # item code and its caution, in the order of the lines; then stand-ins


def batch_sheet(batch: Batch) -> BatchSheet:
    """The sheet of a batch, also before it is started (then as it would be written)."""
    version = FormulaVersion.objects.select_related("formula__item").get(pk=batch.version_id)
    making = batch.transformation
    lines = _sheet_lines(batch, version)
    held = reservations_of([batch.pk])[batch.pk]
    readings = list(
        Weighing.objects.filter(line__batch=batch).select_related("lot__item", "event__who", "line").order_by("pk")
    )
    items = [line.item for line in lines]
    items += [row.portion.lot.item for row in held] + [row.lot.item for row in readings]
    cautions = {item.code: item.caution for item in items if item.caution}
    return BatchSheet(
        batch=making.code,
        item=version.formula.item.code,
        name=version.formula.item.name,
        formula=version.formula.code,
        version=version.version,
        basis=version.basis,
        state=batch.status,
        trial=batch.trial,
        planned_for=making.planned_for,
        charge=batch.charge,
        expected_output=arithmetic.output_of(
            batch.charge, yield_percent=version.yield_percent, loss_mg=version.loss_mg
        ),
        lines=_sheet_rows(batch, lines, held, readings),
        steps=_sheet_steps(batch),
        checks=_sheet_checks(batch),
        cautions=tuple(cautions.items()),
    )


def _sheet_lines(batch: Batch, version: FormulaVersion) -> list[BatchLine]:
    """The lines as written when it started; before that as they would be, unsaved."""
    written = list(BatchLine.objects.filter(batch=batch).select_related("item").order_by("position"))
    if written or batch.started_at:
        return written
    lines = needs.lines_of(version)
    return [
        BatchLine(
            batch=batch,
            position=line.position,
            phase=line.phase,
            item=line.item,
            required=row.required,
            tolerance=row.tolerance,
            scale=row.scale,
            flag=row.flag,
            single_lot=line.single_lot,
        )
        for line, row in zip(lines, needs.sheet_of(version, batch.charge, lines=lines), strict=True)
    ]


def _sheet_rows(
    batch: Batch, lines: Sequence[BatchLine], held: Iterable[Reservation], weighed: Iterable[Weighing]
) -> tuple[SheetRow, ...]:
    readings: dict[int, list[Reading]] = defaultdict(list)
    for row in weighed:
        event = row.event
        who = event.who.get_username() if event.who else ""
        readings[row.line.position].append(
            Reading(
                event.uid, row.lot.number, row.lot.item.code, row.quantity, event.happened_at, who, row.why,
                row.corrected,
            )
        )  # fmt: skip
    totals = _totals_of(Weighing.objects.filter(line__batch=batch, corrected=False))
    take = _to_take(batch, lines, held)
    return tuple(
        SheetRow(
            position=line.position,
            phase=line.phase,
            item=line.item.code,
            name=line.item.name,
            measure=line.item.measure,
            required=line.required,
            low=line.required - line.tolerance,
            high=line.required + line.tolerance,
            scale=line.scale,
            flag=line.flag,
            single_lot=line.single_lot,
            drawn=line.item.drawn,
            is_addition=line.is_addition,
            done=line.done,
            weighed=round_half_up(totals.get((batch.pk, line.position), Fraction(0))),
            take=() if line.is_addition or line.done else tuple(take.get(line.position, ())),
            readings=tuple(readings[line.position]),
        )
        for line in lines
    )


def _to_take(batch: Batch, lines: Sequence[BatchLine], held: Iterable[Reservation]) -> dict[int, list[ToTake]]:
    """What is set aside for the batch, by line position, first expiry first.

    What is set aside of an item that no line has stands in for a line: the first that names it as a substitute.
    """
    positions: dict[int, list[int]] = defaultdict(list)
    for line in lines:
        if not line.is_addition:
            positions[line.item_id].append(line.position)
    for position, item_id in needs.ratios_of(batch.version_id):
        if item_id not in positions:
            positions[item_id] = [position]
    found: dict[int, list[ToTake]] = defaultdict(list)
    for row in held:
        portion, lot = row.portion, row.portion.lot
        last_day = last_day_of(lot, portion, lot.item)
        one = ToTake(lot.item.code, lot.number, portion.place, portion.container, row.quantity, last_day)
        for position in positions.get(lot.item_id, ()):
            found[position].append(one)
    for rows in found.values():
        rows.sort(key=lambda row: (row.last_day or date.max, row.lot, row.place, row.container))
    return found


def _sheet_steps(batch: Batch) -> tuple[SheetStep, ...]:
    signed = {
        row.step_id: row for row in StepSignature.objects.filter(batch=batch).select_related("who").order_by("pk")
    }
    rows = []
    for step in Step.objects.filter(version=batch.version_id).order_by("position"):
        mark = signed.get(step.pk)
        rows.append(
            SheetStep(
                position=step.position,
                phase=step.phase,
                text=step.text,
                temperature_c=step.temperature_c,
                minutes=step.minutes,
                hands_on=step.hands_on,
                signed_at=mark.signed_at if mark else None,
                signed_by=mark.who.get_username() if mark and mark.who else "",
            )
        )
    return tuple(rows)


def _sheet_checks(batch: Batch) -> tuple[SheetCheck, ...]:
    last = {row.check_of_id: row for row in CheckResult.objects.filter(batch=batch).order_by("pk")}
    rows = []
    for check in (
        Check.objects.filter(version=batch.version_id).exclude(stage=Check.Stage.STABILITY).order_by("stage", "pk")
    ):
        result = last.get(check.pk)
        rows.append(
            SheetCheck(
                name=check.name,
                stage=check.stage,
                unit=check.unit,
                low=check.low,
                high=check.high,
                expected=check.expected,
                value=result.value if result else "",
                passed=result.passed if result else None,
            )
        )
    return tuple(rows)
