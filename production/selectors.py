"""Reads of the bench across tables or in bulk: a fixed number of queries however many rows are asked for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from django.db.models import Exists, OuterRef, Q, QuerySet, Sum

from inventory.errors import NotFound
from inventory.ledger import among
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


class BatchRow(NamedTuple):
    """A batch as a trace names it."""

    batch: str
    formula: str
    version: int
    state: str
    made_on: date | None


def batch_rows(transformation_ids: Iterable[int]) -> dict[int, BatchRow]:
    """The batches of these makings, by id. Columns, one query."""
    rows = Batch.objects.filter(pk__in=among(transformation_ids)).values_list(
        "pk",
        "transformation__code",
        "version__formula__code",
        "version__version",
        "status",
        "transformation__made_on",
    )
    return {pk: BatchRow(code, formula, version, state, made_on) for pk, code, formula, version, state, made_on in rows}


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


def stood_in() -> dict[int, dict[int, int]]:
    """Of firm batches, by batch id and line position: how much of the line's item a reserved substitute stands in for.

    A reservation of an item that no line of the formula names is a substitute's. Rounded down by its ratio. One
    query, two where there is any.
    """
    own = Line.objects.filter(version=OuterRef("transformation__batch__version"), item=OuterRef("portion__lot__item"))
    firm = (Batch.Status.PLANNED, Batch.Status.RESERVED, Batch.Status.STARTED)
    rows = list(
        Reservation.objects.filter(~Exists(own), transformation__batch__status__in=firm)
        .values_list("transformation_id", "transformation__batch__version_id", "portion__lot__item_id")
        .annotate(total=Sum("quantity"))
        .order_by()
    )
    found: dict[int, dict[int, int]] = defaultdict(dict)
    ratios: dict[tuple[int, int], list[tuple[int, Fraction]]] = defaultdict(list)
    if rows:
        named = LineSubstitute.objects.filter(line__version__in={version for _, version, _, _ in rows})
        for version, item, position, ratio in named.order_by("line__position").values_list(
            "line__version_id", "item_id", "line__position", "ratio"
        ):
            ratios[version, item].append((position, Fraction(ratio)))
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
    """A portion set aside for the line's item: which lot, where it stands, how much, and its last day."""

    lot: str
    place: str
    container: str
    quantity: int
    last_day: date | None


@dataclass(frozen=True, slots=True)
class Reading:
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
    cautions: tuple[tuple[str, str], ...]  # item code and its caution, in the order of the lines


def batch_sheet(batch: Batch) -> BatchSheet:
    """The sheet of a batch, also before it is started (then as it would be written)."""
    version = FormulaVersion.objects.select_related("formula__item").get(pk=batch.version_id)
    making = batch.transformation
    lines = _sheet_lines(batch, version)
    cautions = {line.item.code: line.item.caution for line in lines if line.item.caution}
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
        lines=_sheet_rows(batch, lines),
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


def _sheet_rows(batch: Batch, lines: Sequence[BatchLine]) -> tuple[SheetRow, ...]:
    readings: dict[int, list[Reading]] = defaultdict(list)
    for row in (
        Weighing.objects.filter(line__batch=batch).select_related("lot__item", "event__who", "line").order_by("pk")
    ):
        who = row.event.who.get_username() if row.event.who else ""
        readings[row.line.position].append(
            Reading(row.lot.number, row.lot.item.code, row.quantity, row.event.happened_at, who, row.why, row.corrected)
        )
    totals = _totals_of(Weighing.objects.filter(line__batch=batch, corrected=False))
    take = _to_take(batch)
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
            take=() if line.is_addition or line.done else tuple(take.get(line.item_id, ())),
            readings=tuple(readings[line.position]),
        )
        for line in lines
    )


def _to_take(batch: Batch) -> dict[int, list[ToTake]]:
    """What is set aside for the batch, by item, first expiry first."""
    found: dict[int, list[ToTake]] = defaultdict(list)
    for row in reservations_of([batch.pk])[batch.pk]:
        portion, lot = row.portion, row.portion.lot
        last_day = last_day_of(lot, portion, lot.item)
        found[lot.item_id].append(ToTake(lot.number, portion.place, portion.container, row.quantity, last_day))
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
