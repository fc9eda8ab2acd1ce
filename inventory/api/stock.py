"""Acts on one portion of a lot: count, discard, sample, move, open, set apart, put back, send back.

The portion is named in the body by place, container and whether it is set apart; what is left out is blank.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import selectors
from inventory.api import fields
from inventory.api.frame import Form, Json, View, named, quantity_of, writes
from inventory.api.lots import W2_PORTION, PortionAnswer, read_portion
from inventory.api.stock_events import DISCARD, StockEventAnswer, read_event
from inventory.models import Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.services import counting, lots
from inventory.services.buying import send_back


class Spot(Form):
    """A place and container of the lot; blank is a name like any other."""

    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)


class PortionNamed(Spot):
    set_apart = fields.Flag(required=False)


class Told(Form):
    why = fields.Text(WHY_LENGTH, required=False, blank=True)
    happened_at = fields.Instant(required=False, allow_null=True)


class Counted(PortionNamed, Told):
    counted = fields.Quantity(0)


class TakenOut(PortionNamed, Told):
    quantity = fields.Quantity()


class SentBack(TakenOut):
    why = fields.Text(WHY_LENGTH)


class Moved(PortionNamed, Told):
    """Without a quantity, all of it."""

    to_place = fields.Text(CODE_LENGTH, blank=True)
    to_container = fields.Text(CODE_LENGTH, required=False, blank=True)
    quantity = fields.Quantity(required=False, allow_null=True)


class Opened(PortionNamed, Told):
    """``to_container`` is where a part that is opened goes; without a quantity all of it opens where it stands."""

    quantity = fields.Quantity(required=False, allow_null=True)
    to_container = fields.Text(CODE_LENGTH, required=False, blank=True)
    opened_on = fields.Day(required=False, allow_null=True)


class Apart(Spot, Told):
    """Without ``to_place`` or ``to_container`` it stays where it is; without a quantity, all of it."""

    quantity = fields.Quantity(required=False, allow_null=True)
    to_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    to_container = fields.Text(CODE_LENGTH, required=False, blank=True)


def _portion(asked: Json, item: str, lot: str, set_apart: bool | None = None) -> Portion:
    """The portion that the body names, taken out of it. Raises NotFound for the lot, or naming the place."""
    found = selectors.get_lot(item, lot)
    container, apart = asked.pop("container", ""), asked.pop("set_apart", False) if set_apart is None else set_apart
    return named(lambda place: selectors.find_portion(found, place, container, apart), asked.pop("place", ""), "place")


def _steps(portion: Portion, asked: Json, name: str = "quantity", minimum: int = 1) -> int | None:
    """Base steps of a quantity that was asked, taken out of the body; None where none was."""
    text = asked.pop(name, None)
    return None if text is None else quantity_of(portion.lot.item, text, name, minimum=minimum).steps


def _renamed(asked: Json) -> Json:
    """What was asked, by the names of the services: ``to_place`` is their ``place``."""
    return {name.removeprefix("to_"): value for name, value in asked.items()}


def _take_out(act: Callable[..., Any], request: Request, asked: Json, item: str, lot: str) -> Json:
    portion = _portion(asked, item, lot)
    event = act(portion=portion, quantity=_steps(portion, asked), who=request.user, **asked)
    return read_event(event.uid)


def _carry(
    act: Callable[..., Portion], request: Request, asked: Json, item: str, lot: str, apart: bool | None = None
) -> Json:
    portion = _portion(asked, item, lot, apart)
    there = act(portion=portion, quantity=_steps(portion, asked), who=request.user, **_renamed(asked))
    return read_portion(there.pk)


OF_W1 = {"item": "WAX", "lot": "W1"}
W1_PORTION: Json = (
    {"item": "WAX", "lot": "W1", "status": "released"}
    | W2_PORTION
    | {"last_day": "2028-06-30", "on_hand": "200 g", "free": "200 g"}
)


class Count(View):
    @writes(
        Counted,
        StockEventAnswer,
        summary="Count a portion",
        path=OF_W1,
        asks={"counted": "0.18 kg"},
        gives=DISCARD | {"kind": "counted", "who": "owner", "why": ""},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """What is truly there wins over the books; what was set aside and is not there any more is freed, with an
        alert. A count that agrees is kept too. One of an earlier moment is compared with the books of then."""
        portion = _portion(asked, item, lot)
        counted = _steps(portion, asked, "counted", 0)
        event = counting.count(portion=portion, counted=counted or 0, who=request.user, **asked)
        return read_event(event.uid)


class Discard(View):
    @writes(
        TakenOut,
        StockEventAnswer,
        summary="Discard some of a portion",
        path=OF_W1,
        asks={"quantity": "20 g", "why": "fell on the floor"},
        gives=DISCARD | {"who": "owner"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """What was thrown away, whatever the lot's status."""
        return _take_out(counting.discard, request, asked, item, lot)


class Sample(View):
    @writes(
        TakenOut,
        StockEventAnswer,
        summary="Take a sample of a portion",
        path=OF_W1,
        asks={"quantity": "20 g", "why": "kept for a year"},
        gives=DISCARD | {"kind": "sampled", "who": "owner", "why": "kept for a year"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """What was taken out to be looked at or kept, whatever the lot's status."""
        return _take_out(counting.sample, request, asked, item, lot)


class SendBack(View):
    @writes(
        SentBack,
        StockEventAnswer,
        summary="Send some of a portion back",
        path=OF_W1,
        asks={"quantity": "20 g", "why": "melted on the way"},
        gives=DISCARD | {"kind": "sent_back", "who": "owner", "why": "melted on the way"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """Goods go back to their supplier, whatever the lot's status. What was made here is not sent back."""
        return _take_out(send_back, request, asked, item, lot)


class Move(View):
    @writes(
        Moved,
        PortionAnswer,
        summary="Move a portion",
        path=OF_W1,
        asks={"to_place": "bench", "quantity": "50 g"},
        gives=W1_PORTION | {"place": "bench", "on_hand": "50 g", "free": "50 g"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """Carry a portion, or so much of it, to another place; the answer is the portion there. What is set aside of
        a whole portion moves along; of a part it stays on what stays, and what no longer fits is freed."""
        return _carry(lots.move, request, asked, item, lot)


class OpenContainer(View):
    @writes(
        Opened,
        PortionAnswer,
        summary="Open a container",
        path=OF_W1,
        asks={"opened_on": "2027-03-01"},
        gives=W1_PORTION | {"opened_on": "2027-03-01"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """From its day on the opened life counts. The answer is the portion that is open now: the whole one where it
        stands, or the part in the container named, else "opened"."""
        return _carry(lots.open_container, request, asked, item, lot)


class SetApart(View):
    @writes(
        Apart,
        PortionAnswer,
        summary="Set stock apart",
        path=OF_W1,
        asks={"quantity": "50 g", "why": "a cracked jar"},
        gives=W1_PORTION | {"set_apart": True, "on_hand": "50 g", "free": "50 g"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """Set stock apart until it is decided on: it may not be used, and what was set aside of it is freed. The
        answer is the portion that is apart."""
        return _carry(lots.set_apart, request, asked, item, lot, apart=False)


class PutBack(View):
    @writes(
        Apart,
        PortionAnswer,
        summary="Put back what was set apart",
        path=OF_W1,
        asks={"why": "sound after all"},
        gives=W1_PORTION,
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """What was set apart at this place was found fit and joins the stock again. The answer is the portion that
        it joined."""
        return _carry(lots.put_back, request, asked, item, lot, apart=True)


ROUTES = [
    path("lots/<code:item>/<code:lot>/count", Count.as_view(), name="lot-count"),
    path("lots/<code:item>/<code:lot>/discard", Discard.as_view(), name="lot-discard"),
    path("lots/<code:item>/<code:lot>/sample", Sample.as_view(), name="lot-sample"),
    path("lots/<code:item>/<code:lot>/move", Move.as_view(), name="lot-move"),
    path("lots/<code:item>/<code:lot>/open", OpenContainer.as_view(), name="lot-open"),
    path("lots/<code:item>/<code:lot>/set-apart", SetApart.as_view(), name="lot-set-apart"),
    path("lots/<code:item>/<code:lot>/put-back", PutBack.as_view(), name="lot-put-back"),
    path("lots/<code:item>/<code:lot>/send-back", SendBack.as_view(), name="lot-send-back"),
]
