"""The batch sheet as people fill it: several devices at one sheet, and one filled by pen and typed in afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from inventory.errors import BadInput, Conflict, DomainError, Fault
from inventory.models import Portion
from inventory.quantities import show_quantity
from inventory.transactions import write
from production.models import Batch, BatchLine, Check, Step, Weighing
from production.services import weighing
from production.services.batches import lock_batch

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@write
def weigh_seen(
    *,
    line: BatchLine,
    portion: Portion | None,
    quantity: int,
    seen: int | None = None,
    why: str = "",
    found: bool = False,
    done: bool | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
) -> Weighing:
    """A reading by somebody who saw so many readings of the line: of a lot's portion, or None for drawn water.

    Raises Conflict "seen_before" where somebody else weighed into the line since, so that nothing goes in twice
    without a look; else as ``weigh``.
    """
    lock_batch(line.batch)
    _expect_seen(line, seen)
    if portion is None:
        return weighing.draw_water(line=line, quantity=quantity, why=why, done=done, happened_at=happened_at, who=who)
    return weighing.weigh(
        line=line, portion=portion, quantity=quantity, why=why, found=found, done=done, happened_at=happened_at, who=who
    )


def _expect_seen(line: BatchLine, seen: int | None) -> None:
    if seen is None:
        return
    rows = list(Weighing.objects.filter(line=line).select_related("lot__item", "event__who").order_by("pk"))
    if len(rows) <= seen:
        return
    last = rows[-1]
    by = last.event.who.get_username() if last.event.who else "somebody"
    amount = show_quantity(last.quantity, last.lot.item.measure)
    raise Conflict(
        f"{by} weighed {amount} of lot {last.lot.number} into this line meanwhile; look at the line again",
        code="seen_before",
    )


@dataclass(frozen=True, slots=True)
class PaperReading:
    """One reading as it stands on paper; ``portion`` None is drawn water. ``at`` is where it stands in the form."""

    line: BatchLine
    portion: Portion | None
    quantity: int
    happened_at: datetime | None
    why: str
    at: str


@dataclass(frozen=True, slots=True)
class PaperSignature:
    step: Step
    signed_at: datetime | None
    at: str


@dataclass(frozen=True, slots=True)
class PaperLook:
    check: Check
    value: str
    looked_at: datetime | None
    at: str


@write
def take_in_paper(
    *,
    batch: Batch,
    readings: Sequence[PaperReading] = (),
    signatures: Sequence[PaperSignature] = (),
    looks: Sequence[PaperLook] = (),
    who: User | None = None,
) -> int:
    """Everything that was written on paper, in the order in which it happened: all of it or nothing.

    Answers how much was taken in. What is refused is named by its place in the form. Raises as ``weigh``,
    ``sign_step`` and ``record_check``; BadInput where nothing was written.
    """
    if not (readings or signatures or looks):
        raise BadInput("nothing is written on the sheet", code="empty")
    lock_batch(batch)
    for reading in sorted(readings, key=lambda one: (one.happened_at is None, one.happened_at)):
        with _at(reading.at):
            weigh_seen(
                line=reading.line,
                portion=reading.portion,
                quantity=reading.quantity,
                why=reading.why,
                happened_at=reading.happened_at,
                who=who,
            )
    for signature in signatures:
        with _at(signature.at):
            weighing.sign_step(batch=batch, step=signature.step, signed_at=signature.signed_at, who=who)
    for look in looks:
        with _at(look.at):
            weighing.record_check(batch=batch, check=look.check, value=look.value, looked_at=look.looked_at, who=who)
    return len(readings) + len(signatures) + len(looks)


class _at:
    """Inside, a refusal names the place of the form that it is about."""

    def __init__(self, place: str) -> None:
        self.place = place

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, traceback: object) -> None:
        if isinstance(error, DomainError):
            told = error.faults or [Fault("", "", error.message)]
            error.faults = [
                Fault(f"{self.place}.{one.field}" if one.field else self.place, one.value, one.accepted) for one in told
            ]
