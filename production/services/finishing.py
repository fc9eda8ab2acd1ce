"""The end of a batch: finished into a lot, filled from the same pot in one go, or abandoned with a weight.

Weighed in = made + residue + evaporated + left in the vessel, to the milligram, wherever all is mass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import Item, Lot, Portion, Reservation, StockEvent
from inventory.quantities import MASS, round_down, round_half_up, show_quantity
from inventory.selectors import reservations_of
from inventory.services import correcting, lots, reserving, transforming
from inventory.services.ledger import check_quantity, check_steps
from inventory.services.reserving import Want
from inventory.transactions import lock_items, write
from production import lives, needs
from production.models import Batch, BatchLine, Check, CheckResult, FormulaVersion, Weighing
from production.services import batches, weighing
from production.services.batches import STARTED, expect_status, lock_batch, require_reason

if TYPE_CHECKING:
    from django.contrib.auth.models import User

PERCENT = FormulaVersion.Basis.PERCENT


@dataclass(frozen=True, slots=True)
class Filling:
    """How a bulk is filled from the pot: into how many units of which per_unit version.

    ``bulk_used`` is what the units took of the bulk (None: as the formula says), ``made`` the whole units that
    came out (None: as many as begun), ``check_values`` the filling's own checks by name.
    """

    version: FormulaVersion
    units: int
    made: int | None = None
    bulk_used: int | None = None
    code: str | None = None
    place: str = ""
    container: str = ""
    why: str = ""
    check_values: Mapping[str, str] = field(default_factory=dict)


@write
def finish(
    *,
    batch: Batch,
    made: int,
    residue_mg: int = 0,
    left_in_vessel_mg: int = 0,
    number: str | None = None,
    place: str = "",
    container: str = "",
    made_at: datetime | None = None,
    why: str = "",
    who: User | None = None,
) -> Lot:
    """Finish a batch: what came out becomes a lot, what did not is accounted for.

    1. Every line is done, or a reason says why not.
    2. What evaporated is what was weighed in less what came out, was strained off and stayed in the vessel. More out
       than in is refused; so are more units than the pieces weighed in make.
    3. The lot gets its last day (``lives``), its cost where every input has one, and its status: it is held where
       something in it is held or rejected by now; a trial and a lot without a life stay in quarantine; an item
       released by checks is released when every check passed; any other waits in quarantine for its decision.
    4. The books of the making are closed and what is still set aside is free.

    The lot bears the batch's number unless another is given. Raises WrongState, BadInput, Conflict.
    """
    item = batch.version.formula.item
    lock_batch(batch)
    lock_items({item.pk, *_items_held(batch), *_items_weighed(batch)})
    expect_status(batch, STARTED)
    item = batch.version.formula.item
    check_quantity(item, made, field="made")
    readings = _readings(batch)
    _check_lines_done(batch, why)
    moment = _moment_after(readings, made_at)
    evaporated_mg = _evaporated(batch, readings, made, residue_mg, left_in_vessel_mg)
    _check_pieces(batch, readings, made)
    made_on = clock.day_of(moment)
    expires_on = lives.last_day_of_making(item, batch.version.basis, made_on, [row.lot for row in readings])
    if expires_on is not None and expires_on < made_on:
        raise WrongState(
            f"what is made of these lots on {made_on} would have kept until {expires_on}: abandon the batch",
            code="past_its_life",
        )
    status, available_on = _status_of(batch, item, made_on, expires_on, readings)
    lot = transforming.make(
        transformation=batch.transformation,
        item=item,
        quantity=made,
        number=number or _number_for(batch),
        made_at=moment,
        expires_on=expires_on,
        status=status,
        available_on=available_on,
        unit_cost_e6=_unit_cost_e6(readings, made, item),
        trial=batch.trial,
        place=place,
        container=container,
        who=who,
        why=why,
    )
    _close(batch, Batch.Status.FINISHED, moment, why, residue_mg, evaporated_mg, left_in_vessel_mg, who)
    return lot


def _number_for(batch: Batch) -> str:
    """The batch's number; with -2 and so on once a lot of it was taken back."""
    before = Lot.objects.filter(transformation=batch.pk).count()
    code = batch.transformation.code
    return f"{code}-{before + 1}" if before else code


def _items_held(batch: Batch) -> set[int]:
    held = Reservation.objects.filter(transformation=batch.pk)
    return set(held.values_list("portion__lot__item_id", flat=True))


def _items_weighed(batch: Batch) -> set[int]:
    """The items of what went in: locked, so that none of it is held or rejected while the lot is made."""
    return set(Weighing.objects.filter(line__batch=batch, corrected=False).values_list("lot__item_id", flat=True))


def _readings(batch: Batch) -> list[Weighing]:
    """What went in and was not taken back, with line, lot, item and event."""
    return list(
        Weighing.objects.filter(line__batch=batch, corrected=False)
        .select_related("lot__item", "line", "event")
        .order_by("pk")
    )


def _check_lines_done(batch: Batch, why: str) -> None:
    waiting = list(BatchLine.objects.filter(batch=batch, done=False).select_related("item").order_by("position"))
    if waiting and not why.strip():
        lines = [f"{line.position} {line.item.code}" for line in waiting]
        raise WrongState(
            "not yet weighed: " + ", ".join(lines) + "; weigh them, or say why not", code="lines_open", lines=lines
        )


def _moment_after(readings: Sequence[Weighing], made_at: datetime | None) -> datetime:
    if not readings:
        raise WrongState("nothing was weighed: cancel the batch", code="nothing_weighed")
    moment = made_at or clock.now()
    last = max(row.event.happened_at for row in readings)
    if moment > clock.now() or moment < clock.minute_of(last):
        fault = Fault("made_at", clock.written(moment), f"from the last weighing, {clock.written(last)}, until now")
        raise BadInput(fault.sentence(), faults=[fault])
    return max(moment, last)  # of one minute: it was finished after what went in


def _evaporated(
    batch: Batch, readings: Sequence[Weighing], made_mg: int, residue_mg: int, left_in_vessel_mg: int
) -> int:
    """What evaporated, in mg: nothing where not all is mass. Raises Conflict when more came out than went in."""
    check_steps(residue_mg, MASS, of="residue", field="residue", minimum=0)
    check_steps(left_in_vessel_mg, MASS, of="what stays in the vessel", field="left_in_vessel", minimum=0)
    if batch.version.basis != PERCENT:
        return 0
    weighed_mg = sum(row.quantity for row in readings)
    evaporated_mg = weighed_mg - made_mg - residue_mg - left_in_vessel_mg
    if evaporated_mg < 0:
        out = show_quantity(weighed_mg - evaporated_mg, MASS)
        weighed = show_quantity(weighed_mg, MASS)
        raise Conflict(
            f"{out} came out, but only {weighed} went in: look at the readings again",
            code="more_out_than_in",
            weighed_in=weighed,
            came_out=out,
        )
    return evaporated_mg


def _check_pieces(batch: Batch, readings: Sequence[Weighing], made: int) -> None:
    """No more units than the counted lines make: sixty-one jars are not filled from sixty."""
    if batch.version.basis == PERCENT:
        return
    weighed = {row.line_id: 0 for row in readings}
    for row in readings:
        weighed[row.line_id] += row.quantity
    by_position = {row.line.position: row.line_id for row in readings if not row.line.is_addition}
    for line in needs.lines_of(batch.version):
        if line.item.measure != Item.Measure.COUNT or line.position not in by_position:
            continue
        had = weighed[by_position[line.position]]
        if round_down(made * needs.share_of(line).amount) > had:
            raise Conflict(
                f"{made} pc were made, but only {had} pc of {line.item.code} went in",
                code="more_out_than_in",
                item=line.item.code,
            )


def _status_of(
    batch: Batch, item: Item, made_on: date, expires_on: date | None, readings: Sequence[Weighing]
) -> tuple[str, date | None]:
    """The made lot's status and the day it counts from; a blank day where no release is to be expected."""
    of_inputs = {row.lot.status for row in readings}
    if of_inputs & {Lot.Status.HELD, Lot.Status.REJECTED}:  # a recall reaches what is made of it later too
        return Lot.Status.HELD, None
    if batch.trial or expires_on is None or of_inputs != {Lot.Status.RELEASED}:
        return Lot.Status.QUARANTINE, None
    outcome = checks_outcome(batch)
    if item.release_by == Item.ReleaseBy.CHECKS and outcome is True:
        return Lot.Status.RELEASED, made_on
    if outcome is False:
        return Lot.Status.QUARANTINE, None
    return Lot.Status.QUARANTINE, made_on + timedelta(days=item.release_days)


def checks_outcome(batch: Batch) -> bool | None:
    """Whether every check of the batch passed (the last look at each counts); None: some, or all, not looked at."""
    wanted = set(
        Check.objects.filter(version=batch.version_id).exclude(stage=Check.Stage.STABILITY).values_list("pk", flat=True)
    )
    last = dict(
        CheckResult.objects.filter(batch=batch, check_of__in=wanted).order_by("pk").values_list("check_of_id", "passed")
    )
    if not all(last.values()):
        return False
    return True if wanted and wanted == last.keys() else None


def _unit_cost_e6(readings: Sequence[Weighing], made: int, item: Item) -> int | None:
    """The cost of what went in per kilogram or piece of what came out; None where an input's is not known.

    Water drawn here costs nothing.
    """
    total = Fraction(0)
    for row in readings:
        if row.lot.origin == Lot.Origin.DRAWN:
            continue
        if row.lot.unit_cost_e6 is None:
            return None
        total += Fraction(row.quantity * row.lot.unit_cost_e6, _one_of(row.lot.item))
    return round_half_up(total * _one_of(item) / made)


def _one_of(item: Item) -> int:
    """Base steps in what a unit cost is of: a kilogram or a piece."""
    return 1_000_000 if item.measure == Item.Measure.MASS else 1


def _close(
    batch: Batch,
    status: str,
    moment: datetime,
    why: str,
    residue_mg: int,
    evaporated_mg: int,
    left_in_vessel_mg: int,
    who: User | None,
) -> None:
    transforming.close(
        transformation=batch.transformation,
        made_on=clock.day_of(moment),
        residue_mg=residue_mg,
        evaporated_mg=evaporated_mg,
        left_in_vessel_mg=left_in_vessel_mg,
        who=who,
    )
    batch.status, batch.finished_at, batch.ended_why = status, moment, why
    batch.save(update_fields=["status", "finished_at", "ended_why"])


@write
def abandon(
    *,
    batch: Batch,
    why: str,
    rejected: int = 0,
    waste_mg: int = 0,
    left_in_vessel_mg: int = 0,
    number: str | None = None,
    place: str = "",
    container: str = "",
    happened_at: datetime | None = None,
    who: User | None = None,
) -> Lot | None:
    """Give up a batch that was weighed into: what was weighed stays used, and the mix is kept or thrown away.

    ``rejected`` (base steps of what the batch makes) becomes a rejected lot, which is answered: it keeps no longer
    than a finished one would. ``waste_mg`` is waste with its weight. One of them is needed. What evaporated is the
    rest, where all is mass.

    Raises WrongState before the first weighing (cancel it), BadInput without a reason or a weight, Conflict when
    more came out than went in.
    """
    require_reason(why, "why the batch is abandoned")
    item = batch.version.formula.item
    lock_batch(batch)
    lock_items({item.pk, *_items_held(batch)})
    expect_status(batch, STARTED)
    readings = _readings(batch)
    moment = _moment_after(readings, happened_at)
    check_quantity(item, rejected, field="rejected", minimum=0)
    check_steps(waste_mg, MASS, of="waste", field="waste", minimum=0)
    if not rejected and not waste_mg:
        fault = Fault("waste", show_quantity(waste_mg, MASS), "what is left of the mix, as a rejected lot or as waste")
        raise BadInput("the mix has a weight: " + fault.sentence(), faults=[fault])
    evaporated_mg = _evaporated(batch, readings, rejected, waste_mg, left_in_vessel_mg)
    _check_pieces(batch, readings, rejected)
    lot = None
    if rejected:
        made_on = clock.day_of(moment)
        last_day = lives.last_day_of_making(item, batch.version.basis, made_on, [row.lot for row in readings])
        lot = transforming.make(
            transformation=batch.transformation,
            item=item,
            quantity=rejected,
            number=number or _number_for(batch),
            made_at=moment,
            expires_on=None if last_day is None else max(last_day, made_on),
            status=Lot.Status.REJECTED,
            trial=batch.trial,
            place=place,
            container=container,
            who=who,
            why=why,
        )
    _close(batch, Batch.Status.ABANDONED, moment, why, waste_mg, evaporated_mg, left_in_vessel_mg, who)
    return lot


@write
def reopen(*, batch: Batch, why: str, who: User | None = None) -> Batch:
    """Take the end of a batch back, so that its readings can be corrected and it is ended anew.

    The lot it became is taken back by an opposite event and rejected; what is made next gets a number of its own.

    Raises WrongState for a batch that has not ended, or whose lot was used or left already.
    """
    require_reason(why, "what was wrong")
    made = StockEvent.objects.filter(transformation=batch.pk, kind=StockEvent.Kind.MADE, corrected_by=None)
    lock_batch(batch)
    lock_items([batch.version.formula.item_id])
    expect_status(batch, Batch.Status.FINISHED, Batch.Status.ABANDONED)
    transforming.reopen(transformation=batch.transformation, who=who)
    for event in made:
        correcting.correct(event=event, why=why, who=who)
    taken_back = list(Lot.objects.filter(transformation=batch.pk).exclude(status=Lot.Status.REJECTED))
    if taken_back:
        lots.decide(lots=taken_back, status=Lot.Status.REJECTED, why=why, who=who)
    batch.status, batch.finished_at, batch.ended_why = STARTED, None, ""
    batch.save(update_fields=["status", "finished_at", "ended_why"])
    return batch


@write
def make_and_fill(
    *,
    batch: Batch,
    made: int,
    filling: Filling,
    residue_mg: int = 0,
    left_in_vessel_mg: int = 0,
    made_at: datetime | None = None,
    why: str = "",
    who: User | None = None,
) -> tuple[Lot, Lot]:
    """Finish a bulk and fill it from the same pot in one act, all or nothing; answers the bulk's and the packed lot.

    1. Lock the bulk's batch, then the items of both, once.
    2. Finish the bulk. Only released stock is used: its checks must have passed.
    3. Plan the filling, set aside the bulk from this pot and the packaging, and start it at the same moment.
    4. Record what the units took, look at the filling's checks, and finish it: all at that moment.

    Raises Conflict "bulk_not_released" when the bulk waits for a decision or failed a check; else as the acts it
    is made of.
    """
    filled_from = {line.item_id for line in needs.lines_of(filling.version)}
    makes = {batch.version.formula.item_id, filling.version.formula.item_id}
    lock_batch(batch)
    lock_items(makes | filled_from | _items_held(batch) | _items_weighed(batch))
    bulk = finish(
        batch=batch,
        made=made,
        residue_mg=residue_mg,
        left_in_vessel_mg=left_in_vessel_mg,
        made_at=made_at,
        why=why,
        who=who,
    )
    if bulk.status != Lot.Status.RELEASED:
        raise Conflict(
            f"{bulk.item.code} {bulk.number} is not released by its checks: finish it, have it decided on, then fill",
            code="bulk_not_released",
        )
    moment = bulk.made_at
    assert moment is not None
    filled = _start_filling(bulk, filling, moment, who)
    _fill(filled, bulk, filling, moment, who)
    packed = finish(
        batch=filled,
        made=filling.units if filling.made is None else filling.made,
        place=filling.place,
        container=filling.container,
        made_at=moment,
        why=filling.why,
        who=who,
    )
    return bulk, packed


def _start_filling(bulk: Lot, filling: Filling, moment: datetime, who: User | None) -> Batch:
    filled = batches.plan(
        version=filling.version,
        charge=filling.units,
        planned_for=clock.day_of(moment),
        code=filling.code,
        who=who,
    )
    pot = Portion.objects.select_related("lot__item").get(lot=bulk)
    wanted = needs.needs_of(filling.version, filling.units)
    from_pot = sum(need.quantity for need in wanted if need.line.item_id == bulk.item_id)
    if not from_pot:
        raise BadInput(f"this filling takes no {bulk.item.code}", code="wrong_item")
    reserving.reserve_exact(rows=[(pot, filled.transformation, from_pot)], who=who)
    reserving.reserve(
        wants=[
            Want(need.line.item_id, need.quantity, single_lot=need.line.single_lot, position=need.line.position)
            for need in wanted
            if need.quantity and need.line.item_id != bulk.item_id and not need.line.item.drawn
        ],
        on=filled.transformation.planned_for,
        recorded_late=True,
        transformation=filled.transformation,
        who=who,
    )
    filled.status = batches.RESERVED
    filled.save(update_fields=["status"])
    return batches.start(batch=filled, happened_at=moment, who=who)


def _fill(filled: Batch, bulk: Lot, filling: Filling, moment: datetime, who: User | None) -> None:
    """Weigh every line from what is set aside for it, then look at the checks."""
    for line in filled.lines.select_related("item").order_by("position"):
        if line.item.drawn:
            weighing.draw_water(line=line, quantity=line.required, happened_at=moment, who=who)
            continue
        quantity = line.required
        if line.item_id == bulk.item_id and filling.bulk_used is not None:
            quantity = filling.bulk_used
        _weigh_from_set_aside(filled, line, quantity, filling.why, moment, who)
    checks = {check.name: check for check in Check.objects.filter(version=filled.version)}
    for name, value in filling.check_values.items():
        if name not in checks:
            fault = Fault(name, value, "a result of a check that the filling's formula has")
            raise BadInput(f"{name} is no check of this filling", code="wrong_check", faults=[fault])
        try:
            weighing.record_check(batch=filled, check=checks[name], value=value, looked_at=moment, who=who)
        except BadInput as error:  # of several checks the one is named
            error.faults = [replace(fault, field=name) for fault in error.faults]
            raise


def _weigh_from_set_aside(
    filled: Batch, line: BatchLine, quantity: int, why: str, moment: datetime, who: User | None
) -> None:
    held = [row for row in reservations_of([filled.pk])[filled.pk] if row.portion.lot.item_id == line.item_id]
    rest = quantity
    for index, row in enumerate(held):
        last = index == len(held) - 1
        part = rest if last else min(rest, row.quantity)
        if part:
            rest -= part
            weighing.weigh(
                line=line,
                portion=row.portion,
                quantity=part,
                why=why,
                done=True if last else None,
                happened_at=moment,
                who=who,
            )
