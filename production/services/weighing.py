"""On the bench: what is weighed into a started batch, additions, corrections, steps signed and checks looked at.

Physical truth wins: what was weighed is recorded, with a reason where it is not what the sheet says. Only
unusable stock is refused (inventory checks lives in hours to the minute).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from django.db.models import Max, Q, Sum

from inventory import clock
from inventory.errors import BadInput, Fault, WrongState
from inventory.models import Item, Lot, Portion, Reservation, StockEvent
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.quantities import WHOLE, round_half_up, show_percent, show_quantity
from inventory.services import correcting, reserving, transforming
from inventory.services.ledger import check_quantity, check_text, moment_of
from inventory.transactions import lock_items, write
from production.models import (
    Batch,
    BatchLine,
    Check,
    CheckResult,
    FormulaVersion,
    LineSubstitute,
    Step,
    StepSignature,
    Weighing,
)
from production.services.batches import STARTED, expect_status, lock_batch, require_reason

if TYPE_CHECKING:
    from django.contrib.auth.models import User

MUCH_OVER = Fraction(105, 100)  # of the charge; an acid or base is far less than that (common practice, no source)


@dataclass(frozen=True, slots=True)
class Addition:
    """Something that went in outside the formula, and what to mind with it."""

    weighing: Weighing
    caution: str


@write
def weigh(
    *,
    line: BatchLine,
    portion: Portion,
    quantity: int,
    why: str = "",
    found: bool = False,
    done: bool | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
) -> Weighing:
    """Record one reading of a line: so much of this portion went in. A line may take several.

    ``done`` says whether the line needs nothing more; None: once its total is within tolerance.
    A reason is needed for another lot than set aside, a second lot on a single-lot line, a substitute, and for
    a total outside tolerance. What the book does not hold asks once: Shortage "not_on_hand" tells what it
    holds; with ``found`` it is counted and used.

    Raises WrongState, BadInput "reason_needed" with ``facts["reasons"]``, Unusable, Shortage.
    """
    batch = line.batch
    check_quantity(portion.lot.item, quantity)
    lock_batch(batch)
    lock_items([line.item_id, portion.lot.item_id])
    _expect_started(batch, happened_at)
    line.refresh_from_db()
    rest = _for_line(line, portion.lot.item, quantity)
    finished, reasons = _judge(line, rest, done)
    reasons = _reasons_of_lot(line, portion.lot) + reasons
    _require_reasons(reasons, why)
    event = transforming.use(
        transformation=batch.transformation,
        portion=portion,
        quantity=quantity,
        found=found,
        happened_at=happened_at,
        who=who,
        why=why,
    )
    return _record(line, event, portion.lot, quantity, why, finished)


@write
def draw_water(
    *,
    line: BatchLine,
    quantity: int,
    why: str = "",
    done: bool | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
) -> Weighing:
    """Record one reading of a line of a drawn item: it opens or continues the day's lot. Raises as ``weigh``."""
    batch = line.batch
    check_quantity(line.item, quantity)
    lock_batch(batch)
    lock_items([line.item_id])
    _expect_started(batch, happened_at)
    line.refresh_from_db()
    finished, reasons = _judge(line, Fraction(quantity), done)
    _require_reasons(reasons, why)
    event = transforming.draw(
        transformation=batch.transformation,
        item=line.item,
        quantity=quantity,
        happened_at=happened_at,
        who=who,
        why=why,
    )
    return _record(line, event, _lot_of(event), quantity, why, finished)


def _expect_started(batch: Batch, happened_at: datetime | None) -> None:
    """Raise WrongState unless the batch is under way, BadInput for a moment before it was started."""
    expect_status(batch, STARTED)
    if happened_at is not None and batch.started_at is not None and happened_at < clock.minute_of(batch.started_at):
        fault = Fault(
            "happened_at", clock.written(happened_at), f"from the start, {clock.written(batch.started_at)}, until now"
        )
        raise BadInput(fault.sentence(), code="before_the_start", faults=[fault])


def _lot_of(event: StockEvent) -> Lot:
    return event.movements.select_related("lot__item").get().lot


def _record(line: BatchLine, event: StockEvent, lot: Lot, quantity: int, why: str, finished: bool) -> Weighing:
    weighing = Weighing.objects.create(line=line, event=event, lot=lot, quantity=quantity, why=why)
    line.done = finished
    line.save(update_fields=["done"])
    return weighing


def _for_line(line: BatchLine, item: Item, quantity: int) -> Fraction:
    """What a quantity of this item stands for in the line's own. Raises BadInput for an item not of the line."""
    ratios = ratios_of(line)
    if item.pk not in ratios:
        accepted = f"{line.item.code}, or a substitute that the formula names"
        fault = Fault("item", item.code, accepted)
        raise BadInput(f"line {line.position}: {fault.sentence()}", code="wrong_item", faults=[fault])
    return quantity / ratios[item.pk]


def ratios_of(line: BatchLine) -> dict[int, Fraction]:
    """How much of each item that may serve the line stands for one of the line's own, by item id."""
    ratios = {line.item_id: Fraction(1)}
    if not line.is_addition:
        substitutes = LineSubstitute.objects.filter(line__version=line.batch.version_id, line__position=line.position)
        ratios.update((item_id, Fraction(ratio)) for item_id, ratio in substitutes.values_list("item_id", "ratio"))
    return ratios


def weighed_into(line: BatchLine) -> Fraction:
    """The line's total so far in its own item's base steps; a substitute counts by its ratio."""
    ratios = ratios_of(line)
    readings = Weighing.objects.filter(line=line, corrected=False).values_list("lot__item_id", "quantity")
    return sum((quantity / ratios[item_id] for item_id, quantity in readings), Fraction(0))


def _judge(line: BatchLine, added: Fraction, done: bool | None) -> tuple[bool, list[str]]:
    """Whether the line is done with this reading, and what about its total needs a reason."""
    total = round_half_up(weighed_into(line) + added)
    low, high = line.required - line.tolerance, line.required + line.tolerance
    finished = total >= low if done is None else done
    if total > high or (finished and total < low):
        measure = line.item.measure
        return finished, [
            f"{show_quantity(total, measure)} is outside tolerance: {show_quantity(low, measure)}"
            f" to {show_quantity(high, measure)}"
        ]
    return finished, []


def _reasons_of_lot(line: BatchLine, lot: Lot) -> list[str]:
    """What about taking this lot needs a reason."""
    reasons = []
    if lot.item_id != line.item_id:
        reasons.append(f"{lot.item.code} stands in for {line.item.code}")
    weighed = set(Weighing.objects.filter(line=line, corrected=False).values_list("lot_id", flat=True))
    held = set(
        Reservation.objects.filter(transformation=line.batch_id, portion__lot__item=line.item_id).values_list(
            "portion__lot_id", flat=True
        )
    )
    if held and lot.pk not in held | weighed:
        reasons.append(f"lot {lot.number} is not the one set aside")
    if line.single_lot and weighed - {lot.pk}:
        reasons.append(f"line {line.position} is to come from a single lot")
    return reasons


def _require_reasons(reasons: list[str], why: str) -> None:
    if reasons and not why.strip():
        raise BadInput(
            "a reason is needed: " + "; ".join(reasons),
            code="reason_needed",
            faults=[Fault("why", why, reason) for reason in reasons],
            reasons=reasons,
        )


@write
def add(
    *,
    batch: Batch,
    item: Item,
    quantity: int,
    why: str,
    portion: Portion | None = None,
    phase: str = "",
    found: bool = False,
    happened_at: datetime | None = None,
    who: User | None = None,
) -> Addition:
    """Record an addition outside the formula: acid or base for the pH, water made up to weight.

    A drawn item needs no portion. The addition is a line of its own. Raises BadInput without a reason, for a
    supply, and for pieces into a percent batch; else as ``weigh``.
    """
    require_reason(why, "why it is added")
    check_text("phase", phase, CODE_LENGTH)
    lock_batch(batch)
    lock_items([item.pk])
    _expect_started(batch, happened_at)
    _check_addition(batch, item, portion)
    last = batch.lines.aggregate(last=Max("position"))["last"] or 0
    line = BatchLine.objects.create(
        batch=batch, position=last + 1, phase=phase, item=item, required=0, is_addition=True, done=True
    )
    making = batch.transformation
    if portion is None:
        event = transforming.draw(
            transformation=making, item=item, quantity=quantity, why=why, happened_at=happened_at, who=who
        )
        lot = _lot_of(event)
    else:
        event = transforming.use(
            transformation=making,
            portion=portion,
            quantity=quantity,
            found=found,
            why=why,
            happened_at=happened_at,
            who=who,
        )
        lot = portion.lot
    reading = _record(line, event, lot, quantity, why, True)
    return Addition(reading, " ".join([item.caution, *_warnings(batch, item)]).strip())


def _warnings(batch: Batch, item: Item) -> list[str]:
    """What is written down and must not stay unseen: over the use limit, or far over the batch's weight."""
    if batch.version.basis != FormulaVersion.Basis.PERCENT:
        return []
    readings = Weighing.objects.filter(line__batch=batch, corrected=False, lot__item__measure=Item.Measure.MASS)
    sums = readings.aggregate(all=Sum("quantity"), of_item=Sum("quantity", filter=Q(lot__item=item)))
    warnings = []
    percent = -(-sums["of_item"] * WHOLE // batch.charge)  # rounded up: over a limit must not look like on it
    if item.max_percent is not None and percent > item.max_percent:
        warnings.append(
            f"{show_quantity(sums['of_item'], item.measure)} of {item.code} went in, {show_percent(percent)} % of the "
            f"batch: over its use limit of {show_percent(item.max_percent)} %. Ask a qualified safety assessor before "
            "it is released."
        )
    if sums["all"] > batch.charge * MUCH_OVER:
        warnings.append(
            f"{show_quantity(sums['all'], item.measure)} went in in all, and the batch's size is "
            f"{show_quantity(batch.charge, item.measure)}: take the reading back if its unit was wrong."
        )
    return warnings


def _check_addition(batch: Batch, item: Item, portion: Portion | None) -> None:
    if item.kind == Item.Kind.SUPPLY:
        raise BadInput(f"{item.code} is a supply, which never goes into a batch", code="wrong_item")
    if batch.version.basis == FormulaVersion.Basis.PERCENT and item.measure != Item.Measure.MASS:
        raise BadInput(f"{item.code} is counted: only a mass goes into this batch", code="wrong_item")
    if portion is None and not item.drawn:
        fault = Fault("lot", "", f"a lot of {item.code}")
        raise BadInput(fault.sentence(), faults=[fault])
    if portion is not None and portion.lot.item_id != item.pk:
        fault = Fault("lot", portion.lot.number, f"a lot of {item.code}")
        raise BadInput(fault.sentence(), faults=[fault])


@write
def correct_weighing(*, weighing: Weighing, why: str, who: User | None = None) -> StockEvent:
    """Take a wrong reading back by an opposite event; the line is open again for the right one.

    What came from a lot set aside for the batch is set aside for it again. Raises WrongState once the batch has
    ended or the reading was corrected before.
    """
    require_reason(why, "what was wrong with the reading")
    line, item = weighing.line, weighing.lot.item
    lock_batch(line.batch)
    lock_items([item.pk, line.item_id])
    expect_status(line.batch, STARTED)
    weighing.refresh_from_db()
    if weighing.corrected:
        raise WrongState("this reading was corrected before", code="corrected_before")
    found = _found_for(weighing)
    event = correcting.correct(event=weighing.event, why=why, by_its_making=True, who=who)
    if found is not None:
        correcting.correct(event=found, why=why, who=who)
    weighing.corrected = True
    weighing.save(update_fields=["corrected"])
    if line.is_addition:
        return event
    line.refresh_from_db()
    line.done = weighed_into(line) >= line.required - line.tolerance
    line.save(update_fields=["done"])
    _set_aside_again(line, weighing, who)
    return event


def _found_for(weighing: Weighing) -> StockEvent | None:
    """The count "found at weighing" posted only so that this reading could be: it was as wrong as the reading."""
    used = weighing.event.movements.get()
    before = (
        StockEvent.objects.filter(movements__portion=used.portion_id, pk__lt=weighing.event_id).order_by("-pk").first()
    )
    if before is None or before.kind != StockEvent.Kind.COUNTED or before.why != transforming.FOUND:
        return None
    if StockEvent.objects.filter(corrects=before).exists():
        return None
    return before if before.happened_at == weighing.event.happened_at else None


def _set_aside_again(line: BatchLine, weighing: Weighing, who: User | None) -> None:
    """A reading without a reason came from what was set aside: keep it for the batch, as far as it is free and needed.

    What is set aside for the item already counts, or the batch would hold more than it needs.
    """
    portion = Portion.objects.select_related("lot__item").get(movements__event=weighing.event)
    held = Reservation.objects.filter(transformation=line.batch_id, portion__lot__item=line.item_id)
    aside = sum(held.values_list("quantity", flat=True))
    still = line.required - round_half_up(weighed_into(line)) - aside
    quantity = min(still, weighing.quantity, portion.free)
    if not weighing.why and quantity > 0 and not line.item.drawn:
        reserving.reserve_exact(rows=[(portion, line.batch.transformation, quantity)], who=who)


@write
def sign_step(*, batch: Batch, step: Step, signed_at: datetime | None = None, who: User | None = None) -> StepSignature:
    """Sign that a step of the method was done. Raises WrongState when it was signed or is not this batch's."""
    lock_batch(batch)
    expect_status(batch, STARTED)
    if step.version_id != batch.version_id:
        raise WrongState(f"step {step.position} is not of this batch's method", code="wrong_step")
    if StepSignature.objects.filter(batch=batch, step=step).exists():
        raise WrongState(f"step {step.position} is signed already", code="signed_already")
    return StepSignature.objects.create(batch=batch, step=step, signed_at=moment_of(signed_at), who=who)


@write
def record_check(
    *,
    batch: Batch,
    check: Check,
    value: str,
    looked_at: datetime | None = None,
    who: User | None = None,
) -> CheckResult:
    """Record what a check of the batch showed. Looking again is a new result, and the last one counts.

    Raises BadInput for a value that the check cannot have, WrongState for a batch that is neither started nor
    finished, or a check that is not this batch's.
    """
    lock_batch(batch)
    expect_status(batch, STARTED, Batch.Status.FINISHED)
    if check.version_id != batch.version_id or check.stage == Check.Stage.STABILITY:
        raise WrongState(f"{check.name} is not a check of this batch", code="wrong_check")
    passed = passes(check, value)
    return CheckResult.objects.create(
        batch=batch, check_of=check, value=value.strip(), passed=passed, looked_at=moment_of(looked_at), who=who
    )


def passes(check: Check, value: str) -> bool:
    """Whether a value meets the check: within its limits, or the expected words (blank: yes). Raises BadInput."""
    value = value.strip()
    if check.low is not None or check.high is not None:
        number = _number(check, value)
        return (check.low is None or check.low <= number) and (check.high is None or number <= check.high)
    expected = (check.expected or "yes").strip().casefold()
    accepted = "yes or no" if expected in ("yes", "no") else f"what was seen, in at most {NAME_LENGTH} characters"
    fits = value.casefold() in ("yes", "no") if expected in ("yes", "no") else 0 < len(value) <= NAME_LENGTH
    if not fits:
        fault = Fault("value", value, accepted)
        raise BadInput(fault.sentence(), faults=[fault])
    return value.casefold() == expected


def _number(check: Check, value: str) -> Decimal:
    """A plain decimal, as people write one: no exponent, no other script's figures."""
    if re.fullmatch(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?", value) is None:
        fault = Fault("value", value[:80], f'a number such as "5.2" for {check.name}')
        raise BadInput(fault.sentence(), faults=[fault])
    return Decimal(value)
