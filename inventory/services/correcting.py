"""Correcting: a mistake is undone by an opposite event that names it; the first stays readable."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from django.db.models import F

from inventory import clock
from inventory.errors import BadInput, Shortage, WrongState
from inventory.models import (
    Demand,
    DispatchLine,
    Lot,
    Movement,
    PurchaseOrderLine,
    RetainedSample,
    RetainedTaking,
    StockEvent,
    Transformation,
)
from inventory.services.ledger import Change, Posting, fresh_portion, post_all, take_condition
from inventory.transactions import lock_items, write

if TYPE_CHECKING:
    from django.contrib.auth.models import User

Kind = StockEvent.Kind


@write
def correct(
    *,
    event: StockEvent,
    why: str,
    happened_at: datetime | None = None,
    by_its_making: bool = False,
    who: User | None = None,
) -> StockEvent:
    """Undo one stock event by its opposite, once; answers the opposite.

    What a making used is taken back where the making is kept (a reading of a batch): that side says
    ``by_its_making``, so that its own books and the ledger never part.

    1. Lock the items of everything it moved (water drawn for a making counts as one with its use).
    2. Refuse what cannot be undone: a correction (record the act anew instead), what was corrected before,
       what an ended making used or made (open it again first), a dispatch of which something came back,
       a retained sample of which something was taken.
    3. Stock that was carried goes back in the condition it has now; what was opened is closed again while it is there.
    4. Post the opposite, at the moment of the event itself unless another is given, so that the stock of
       days between is right too.
    5. Bring the dispatch line, the demand and the order line along.

    Raises WrongState, also where the stock is no longer there to be taken back; BadInput without a reason.
    """
    if not why.strip():
        raise BadInput("say why this is corrected", code="why_needed")
    undone = _with_what_belongs_to_it(event)
    movements = list(Movement.objects.filter(event__in=undone).select_related("portion__lot__item").order_by("pk"))
    lock_items({movement.portion.lot.item_id for movement in movements})
    for one in undone:
        _check_correctable(one, by_its_making)
    _bring_condition_back(event, [movement for movement in movements if movement.event_id == event.pk])
    postings = [
        Posting(
            kind=Kind.CORRECTED,
            changes=[
                Change(movement.portion, -movement.quantity) for movement in movements if movement.event_id == one.pk
            ],
            happened_at=happened_at or one.happened_at,
            who=who,
            why=why,
            transformation=one.transformation,
            dispatch_line=one.dispatch_line,
            purchase_order_line=one.purchase_order_line,
            corrects=one,
            portion=one.portion,
        )
        for one in undone
    ]
    try:
        opposite = post_all(postings)[0]
    except Shortage as gone:
        raise WrongState(
            f"the stock is no longer there: {gone.message}; correct what was done with it first",
            code="stock_gone",
            **gone.facts,
        ) from gone
    _bring_along(event, sum(abs(movement.quantity) for movement in movements if movement.event_id == event.pk))
    return opposite


def _with_what_belongs_to_it(event: StockEvent) -> list[StockEvent]:
    """The event, and where it used drawn water, the drawing: water is drawn to be used and never lies in stock."""
    if event.kind != Kind.USED:
        return [event]
    used = Movement.objects.filter(event=event).select_related("lot").first()
    if used is None or used.lot.origin != Lot.Origin.DRAWN:
        return [event]
    drawn = (
        StockEvent.objects.filter(
            kind=Kind.RECEIVED,
            transformation=event.transformation,
            pk__lt=event.pk,
            movements__lot=used.lot,
            movements__quantity=-used.quantity,
            corrected_by=None,
        )
        .order_by("-pk")
        .first()
    )
    return [event] if drawn is None else [event, drawn]


def _check_correctable(event: StockEvent, by_its_making: bool) -> None:
    if event.kind == Kind.CORRECTED:
        raise WrongState("a correction is not corrected: record anew what really happened", code="is_correction")
    if StockEvent.objects.filter(corrects=event).exists():
        raise WrongState("this was corrected before", code="already_corrected")
    if event.kind in (Kind.USED, Kind.MADE) and event.transformation_id is not None:
        making = Transformation.objects.filter(pk=event.transformation_id, closed_at__isnull=False).first()
        if making is not None:
            raise WrongState(f"{making.code} has ended: open it again first, or count the lot", code="ended")
        if event.kind == Kind.USED and not by_its_making:
            raise WrongState("a making used this: take its reading back", code="of_a_making")
    if event.kind == Kind.SAMPLED and RetainedTaking.objects.filter(sample__event=event).exists():
        raise WrongState("some of this retained sample was taken: it cannot go back into stock", code="taken")
    if event.kind == Kind.DISPATCHED and event.dispatch_line_id is not None:
        line = DispatchLine.objects.get(pk=event.dispatch_line_id)
        if line.returned:
            raise WrongState("some of this came back: correct the return first", code="returned")


def _bring_condition_back(event: StockEvent, movements: Sequence[Movement]) -> None:
    """The opened day of what goes back, or of what is closed again where it stands.

    Raises WrongState "stock_gone" where what was opened is not there any more as it was, "other_condition" where
    stock in another condition stands by now where it would go back to.
    """
    if event.kind == Kind.OPENED and event.portion is not None:
        opened = fresh_portion(event.portion)
        if not opened.on_hand or opened.opened_on != clock.day_of(event.happened_at):
            raise WrongState("what was opened is not there any more: correct what came after first", code="stock_gone")
        opened.opened_on = None
        opened.save(update_fields=["opened_on"])
    elif event.kind in (Kind.MOVED, Kind.OPENED):
        from_portion = next(movement.portion for movement in movements if movement.quantity < 0)
        to_portion = next(movement.portion for movement in movements if movement.quantity > 0)
        take_condition(from_portion, None if event.kind == Kind.OPENED else to_portion.opened_on)


def _bring_along(event: StockEvent, quantity: int) -> None:
    if event.kind == Kind.DISPATCHED and event.dispatch_line is not None:
        line = event.dispatch_line
        DispatchLine.objects.filter(pk=line.pk).update(corrected=True)
        Demand.objects.filter(dispatch_lines=line).update(dispatched=F("dispatched") - quantity)
    elif event.kind == Kind.RETURNED and event.dispatch_line_id is not None:
        DispatchLine.objects.filter(pk=event.dispatch_line_id).update(returned=F("returned") - quantity)
    elif event.kind == Kind.RECEIVED and event.purchase_order_line_id is not None:
        _reopen_order_line(event.purchase_order_line_id, quantity)
    elif event.kind == Kind.SAMPLED:
        RetainedSample.objects.filter(event=event).update(left=0)  # it is in stock again


def _reopen_order_line(line_id: int, quantity: int) -> None:
    """What did not come is expected again, unless somebody closed the line with a reason."""
    line = PurchaseOrderLine.objects.get(pk=line_id)
    line.received -= quantity
    if line.received < line.quantity and not line.closed_why:
        line.closed_at = None
    line.save(update_fields=["received", "closed_at"])
