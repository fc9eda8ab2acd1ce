"""A batch until it is weighed: planned, set aside for, started, or cancelled.

Weighing and what happens on the bench is in ``weighing``, the end of a batch in ``finishing``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from types import EllipsisType
from typing import TYPE_CHECKING

from inventory import clock, statements
from inventory.errors import BadInput, Fault, WrongState
from inventory.models import Item, Reservation, Transformation
from inventory.numbers import propose_batch_number, with_next_number
from inventory.quantities import COUNT, MASS, round_down, round_up, show_quantity
from inventory.selectors import reservations_of
from inventory.services import reserving, transforming
from inventory.services.ledger import check_priority, check_quantity, check_steps, check_why, moment_of
from inventory.services.reserving import Taken, Want
from inventory.transactions import lock_items, write
from inventory.usability import unusable_reason
from production import arithmetic, needs
from production.models import Batch, BatchLine, FormulaVersion, Weighing
from production.needs import LineNeed
from production.services import formulas

if TYPE_CHECKING:
    from django.contrib.auth.models import User

PLANNED, RESERVED, STARTED = Batch.Status.PLANNED, Batch.Status.RESERVED, Batch.Status.STARTED


@write
def plan(
    *,
    version: FormulaVersion,
    charge: int,
    planned_for: date,
    code: str | None = None,
    priority: int | None = None,
    trial: bool = False,
    who: User | None = None,
) -> Batch:
    """Plan a batch of an approved version, or a trial of a draft. Its number is proposed where none is given.

    Raises WrongState for a version that may not be made, BadInput for a charge of which nothing comes out,
    Conflict for a number that is taken.
    """
    _check_may_be_made(version, trial)
    _check_charge(version, charge)
    check_priority(priority)
    item = version.formula.item

    def open_books(code: str) -> Transformation:
        return transforming.open_transformation(code=code, item=item, planned_for=planned_for, who=who)

    if code:
        transformation = open_books(code)
    else:
        transformation = with_next_number(lambda: propose_batch_number(planned_for, item.code), open_books)
    return Batch.objects.create(
        transformation=transformation, version=version, charge=charge, priority=priority, trial=trial
    )


def _check_may_be_made(version: FormulaVersion, trial: bool) -> None:
    name = f"formula {version.formula.code} version {version.version}"
    if version.status == FormulaVersion.Status.RETIRED:
        raise WrongState(f"{name} is retired: plan from the approved version", code="version_retired")
    if version.status == FormulaVersion.Status.APPROVED:
        return
    if not trial:
        raise WrongState(f"{name} is a draft: approve it, or make a trial of it", code="version_not_approved")
    faults = formulas.check_version(version).faults
    if faults:
        raise WrongState(f"{name} cannot be made: " + "; ".join(faults), code="version_not_makeable", found=faults)


def _check_charge(version: FormulaVersion, charge: int) -> None:
    measure = MASS if version.basis == FormulaVersion.Basis.PERCENT else COUNT
    check_steps(charge, measure, of="a batch", field="size")
    output = arithmetic.output_of(charge, yield_percent=version.yield_percent, loss_mg=version.loss_mg)
    if output <= 0:
        least = arithmetic.charge_for(1, yield_percent=version.yield_percent, loss_mg=version.loss_mg)
        fault = Fault("size", show_quantity(charge, measure), f"at least {show_quantity(least, measure)}")
        raise BadInput("nothing would come out of this batch", code="no_output", faults=[fault])
    for need in needs.needs_of(version, charge):
        check_quantity(need.line.item, need.quantity, field="size", minimum=0)


def lock_batch(batch: Batch) -> None:
    """Lock the batch, then read it again with what it is made by: two statements, or the second would be old by the
    time that the first waited. It comes before the items: what is set aside for the batch stands still then.
    """
    list(Batch.objects.filter(pk=batch.pk).select_for_update(no_key=True).values_list("pk"))
    batch.refresh_from_db(from_queryset=Batch.objects.select_related("transformation__item", "version__formula__item"))


def expect_status(batch: Batch, *allowed: str) -> None:
    """Raise WrongState unless the batch is in one of these states."""
    if batch.status not in allowed:
        raise WrongState(
            f"batch {batch.transformation.code} is {batch.status}; this needs one that is {' or '.join(allowed)}",
            batch=batch.transformation.code,
            state=batch.status,
        )


@write
def change_plan(
    *,
    batch: Batch,
    charge: int | None = None,
    planned_for: date | None = None,
    priority: int | EllipsisType | None = ...,
    who: User | None = None,
) -> Batch:
    """Change size, day or priority of a batch that is not started; what is not given stays. Priority None: last.

    Another size or day frees what was set aside: the batch is planned again. Raises WrongState, BadInput.
    """
    if not isinstance(priority, EllipsisType):
        check_priority(priority)
    lock_batch(batch)
    lock_items(_held_items(batch))
    expect_status(batch, PLANNED, RESERVED)
    if charge is not None:
        _check_charge(batch.version, charge)
    moved = planned_for is not None and planned_for != batch.transformation.planned_for
    resized = charge is not None and charge != batch.charge
    if moved or resized:
        reserving.free(transformation=batch.transformation, who=who)
        batch.status = PLANNED
    if moved:
        assert planned_for is not None
        transforming.reschedule(transformation=batch.transformation, planned_for=planned_for, who=who)
    if charge is not None:
        batch.charge = charge
    if not isinstance(priority, EllipsisType):
        batch.priority = priority
    batch.save(update_fields=["status", "charge", "priority"])
    return batch


def _held_items(batch: Batch) -> list[int]:
    held = Reservation.objects.filter(transformation=batch.pk)
    return list(held.values_list("portion__lot__item_id", flat=True).distinct())


@write
def reserve(*, batch: Batch, substitutes: Mapping[int, Item] | None = None, who: User | None = None) -> list[Taken]:
    """Set stock aside for every line, all or none: released and usable on the planned day, first expiry first.

    A reserved batch is reserved anew. Drawn items need none. ``substitutes`` says, by line position, which of the
    formula's substitutes stands in for the whole line, by its ratio. Raises Shortage with every line that is
    short, BadInput for a substitute that the formula does not name.
    """
    stand_ins = dict(substitutes or {})
    _mark_reserved(batch)
    found = needs.needs_of_batch(batch.pk, batch.transformation.code, batch.charge)
    batch.transformation.planned_for = found.planned_for
    return _set_aside(
        batch, found.lines, found.planned_for, who, stand_ins=stand_ins, holds_nothing=found.holds_nothing
    )


_MARK_RESERVED = """
    UPDATE production_batch SET status = 'reserved'
    WHERE transformation_id = %s AND status IN ('planned', 'reserved') RETURNING charge
"""


def _mark_reserved(batch: Batch) -> None:
    """Lock the batch, see that it may be reserved, and write that it is, in one statement: before the wait for items.

    What refuses afterwards undoes it. Raises WrongState.
    """
    marked = statements.rows(_MARK_RESERVED, batch.pk)
    if not marked:
        batch.refresh_from_db()
        expect_status(batch, PLANNED, RESERVED)
    ((batch.charge,),) = marked


def _set_aside(
    batch: Batch,
    wanted: Sequence[LineNeed],
    on: date,
    who: User | None,
    *,
    recorded_late: bool = False,
    stand_ins: Mapping[int, Item] | None = None,
    holds_nothing: bool = False,
) -> list[Taken]:
    """Set aside anew what the lines want. The batch is locked and marked as reserved."""
    items = {need.line.item_id: need.line.item for need in wanted} | {
        item.pk: item for item in (stand_ins or {}).values()
    }
    wants = _wants(batch, wanted, stand_ins or {})
    taken = reserving.reserve(
        wants=wants,
        on=on,
        recorded_late=recorded_late,
        transformation=batch.transformation,
        anew=True,
        holds_nothing=holds_nothing,
        known_open=True,
        items=items,
        who=who,
    )
    batch.status = RESERVED
    return taken


def _wants(batch: Batch, wanted: Sequence[LineNeed], stand_ins: Mapping[int, Item]) -> list[Want]:
    """What is set aside for each line: of its own item, or of the substitute chosen for it, rounded up by the ratio."""
    ratios = needs.ratios_of(batch.version_id) if stand_ins else {}
    for position in sorted(stand_ins.keys() - {need.line.position for need in wanted}):
        fault = Fault("substitutes", str(position), "the position of a line of the formula")
        raise BadInput(fault.sentence(), code="no_substitute", faults=[fault])
    wants = []
    for need in wanted:
        line, item_id, quantity = need.line, need.line.item_id, need.quantity
        if line.position in stand_ins:
            item_id = stand_ins[line.position].pk
            ratio = ratios.get((line.position, item_id))
            if ratio is None:
                raise BadInput(
                    f"line {line.position}: {stand_ins[line.position].code} is no substitute for {line.item.code}",
                    code="no_substitute",
                    faults=[Fault("substitutes", stand_ins[line.position].code, "a substitute that the formula names")],
                )
            quantity = round_up(quantity * ratio)
        if quantity and not line.item.drawn:
            wants.append(Want(item_id, quantity, single_lot=line.single_lot, position=line.position))
    return wants


def _items_of(wanted: Iterable[LineNeed]) -> set[int]:
    return {need.line.item_id for need in wanted}


@write
def unreserve(*, batch: Batch, who: User | None = None) -> Batch:
    """Free what was set aside: the batch is planned again. Raises WrongState unless it is reserved."""
    lock_batch(batch)
    lock_items(_held_items(batch))
    expect_status(batch, RESERVED)
    reserving.free(transformation=batch.transformation, who=who)
    batch.status = PLANNED
    batch.save(update_fields=["status"])
    return batch


@write
def start(*, batch: Batch, happened_at: datetime | None = None, who: User | None = None) -> Batch:
    """Start a batch: the check that all is here and released, and the batch sheet.

    1. Refuse a version that may not be made any more.
    2. Everything must be set aside, and usable at this moment; what is not is set aside anew, or Shortage.
    3. Write the sheet's lines, rounded to the workshop's scales, with their flags.

    Raises WrongState, Shortage with every line that is short; nothing is changed then.
    """
    moment = moment_of(happened_at)
    lock_batch(batch)
    expect_status(batch, PLANNED, RESERVED)
    _check_may_be_made(batch.version, batch.trial)
    wanted = needs.needs_of(batch.version, batch.charge)
    lock_items({*_items_of(wanted), *_held_items(batch)})
    if not _holds(batch, wanted, moment):
        _set_aside(batch, wanted, clock.day_of(moment), who, recorded_late=True)
    _write_sheet(batch, wanted)
    batch.status, batch.started_at = STARTED, moment
    batch.save(update_fields=["status", "started_at"])
    return batch


def _holds(batch: Batch, wanted: Sequence[LineNeed], moment: datetime) -> bool:
    """Whether what is set aside covers every item and may all be used at this moment."""
    on = clock.day_of(moment)
    missing: dict[int, int] = {}
    held: dict[int, int] = {}
    for need in wanted:
        if not need.line.item.drawn:
            missing[need.line.item_id] = missing.get(need.line.item_id, 0) + need.quantity
    for row in reservations_of([batch.pk])[batch.pk]:
        lot = row.portion.lot
        if unusable_reason(lot, row.portion, lot.item, on, moment):
            return False
        held[lot.item_id] = held.get(lot.item_id, 0) + row.quantity
    for item_id in missing.keys() & held.keys():
        missing[item_id] -= held.pop(item_id)
    for need in wanted if held else ():
        # What is set aside beside the lines' own items stands in for a line, by the formula's ratio.
        for (position, item_id), ratio in needs.ratios_of(batch.version_id).items():
            if position == need.line.position and item_id in held and missing.get(need.line.item_id, 0) > 0:
                missing[need.line.item_id] -= round_down(held.pop(item_id) / ratio)
    return all(quantity <= 0 for quantity in missing.values())


def _write_sheet(batch: Batch, wanted: Sequence[LineNeed]) -> None:
    sheet = needs.sheet_of(batch.version, batch.charge)
    BatchLine.objects.bulk_create(
        BatchLine(
            batch=batch,
            position=row.position,
            phase=need.line.phase,
            item=need.line.item,
            required=row.required,
            tolerance=row.tolerance,
            scale=row.scale,
            flag=row.flag,
            single_lot=need.line.single_lot,
            done=row.required == 0,
        )
        for need, row in zip(wanted, sheet, strict=True)
    )


@write
def cancel(*, batch: Batch, why: str, who: User | None = None) -> Batch:
    """Cancel a batch before its first weighing: what was set aside is free again.

    Raises WrongState once something was weighed: such a batch is abandoned.
    """
    require_reason(why, "why the batch is cancelled")
    lock_batch(batch)
    lock_items(_held_items(batch))
    expect_status(batch, PLANNED, RESERVED, STARTED)
    if Weighing.objects.filter(line__batch=batch, corrected=False).exists():
        raise WrongState(
            f"something was weighed for batch {batch.transformation.code}: abandon it, so that its weight is kept",
            code="already_weighed",
        )
    reserving.free(transformation=batch.transformation, who=who)
    transforming.close(transformation=batch.transformation, made_on=None, who=who)
    batch.status, batch.finished_at, batch.ended_why = Batch.Status.CANCELLED, clock.now(), why
    batch.save(update_fields=["status", "finished_at", "ended_why"])
    return batch


def require_reason(why: str, accepted: str) -> None:
    """Raise BadInput where a reason is needed and none is given, or it is too long."""
    check_why(why)
    if not why.strip():
        raise BadInput(f"a reason is needed: {accepted}", code="reason_needed", faults=[Fault("why", why, accepted)])
