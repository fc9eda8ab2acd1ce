"""Stock events: everything that happened to stock, with what it moved; and correcting one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.urls import path
from rest_framework.request import Request

from inventory import selectors
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, named, reads, writes
from inventory.api.lots import MOMENT
from inventory.api.pages import Listing
from inventory.columns import rows_of
from inventory.errors import NotFound
from inventory.models import Movement, StockEvent
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services.correcting import correct

KINDS = tuple(StockEvent.Kind.values)
SPOT_COLUMNS = ("lot__item__code", "lot__number", "place", "container", "set_apart")
EVENT_COLUMNS = (
    "pk", "uid", "kind", "happened_at", "recorded_at", "who__username", "why", "corrects__uid", "corrected_by__uid",
    "transformation__code", "dispatch_line__dispatch__code", "purchase_order_line__order__code", "portion",
    *(f"portion__{name}" for name in SPOT_COLUMNS),
)  # fmt: skip
MOVEMENT_COLUMNS = (
    "event", "quantity", "portion__lot__item__measure", *(f"portion__{name}" for name in SPOT_COLUMNS)
)  # fmt: skip
EVENTS = StockEvent.objects.values(*EVENT_COLUMNS)
MOVEMENTS = Movement.objects.order_by("pk").values(*MOVEMENT_COLUMNS)


class Spot(Answer):
    """A portion as it is named. ``lot`` is our number."""

    item = fields.Code()
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    set_apart = fields.Flag()


class MovementAnswer(Spot):
    """``quantity`` is signed: what came, or with a minus what went."""

    quantity = fields.Text(40)


class StockEventAnswer(Answer):
    """``corrects`` is the event that this one undoes, ``corrected_by`` the one that undid this. ``batch``,
    ``dispatch`` and ``order`` are the codes of what it was part of. ``portion`` is the one that was spoken of, also
    where nothing moved: a count that agreed, a container opened where it stands."""

    uid = fields.Uid()
    kind = fields.Choice(*KINDS)
    happened_at = fields.Instant()
    recorded_at = fields.Instant()
    who = fields.Text(150, allow_null=True)
    why = fields.Text(WHY_LENGTH, blank=True)
    corrects = fields.Uid(allow_null=True)
    corrected_by = fields.Uid(allow_null=True)
    batch = fields.Code(allow_null=True)
    dispatch = fields.Code(allow_null=True)
    order = fields.Code(allow_null=True)
    portion = Spot(allow_null=True)
    movements = MovementAnswer(many=True)


# "from" is a word of Python, so that the form cannot be written as a class.
StockEventFilters = type(
    "StockEventFilters",
    (Form,),
    {
        "kind": fields.Choice(*KINDS, required=False),
        "item": fields.Code(required=False),
        "lot": fields.Code(required=False),
        "from": fields.Day(required=False),
        "to": fields.Day(required=False),
    },
)


class Correction(Form):
    why = fields.Text(WHY_LENGTH)
    happened_at = fields.Instant(required=False, allow_null=True)


def _spot(row: Mapping[str, Any]) -> Json:
    return {
        "item": row["portion__lot__item__code"],
        "lot": row["portion__lot__number"],
        "place": row["portion__place"],
        "container": row["portion__container"],
        "set_apart": row["portion__set_apart"],
    }


def event_row(row: Mapping[str, Any], movements: list[Json]) -> Json:
    """The answer's form of one row of EVENT_COLUMNS, with its movements. Pure."""
    return {
        "uid": str(row["uid"]),
        "kind": row["kind"],
        "happened_at": row["happened_at"],
        "recorded_at": row["recorded_at"],
        "who": row["who__username"],
        "why": row["why"],
        "corrects": row["corrects__uid"],
        "corrected_by": row["corrected_by__uid"],
        "batch": row["transformation__code"],
        "dispatch": row["dispatch_line__dispatch__code"],
        "order": row["purchase_order_line__order__code"],
        "portion": None if row["portion"] is None else _spot(row),
        "movements": movements,
    }


def event_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the movements of all of them in one query."""
    movements: dict[int, list[Json]] = {row["pk"]: [] for row in rows}
    for row in rows_of(MOVEMENTS.filter(event__one_of=movements.keys())):
        moved = _spot(row)
        moved["quantity"] = show_quantity(row["quantity"], row["portion__lot__item__measure"])
        movements[row["event"]].append(moved)
    return [event_row(row, movements[row["pk"]]) for row in rows]


def read_event(uid: UUID) -> Json:
    row = EVENTS.filter(uid=uid).first()
    if row is None:
        raise NotFound(f"no stock event {uid}")
    return event_rows([dict(row)])[0]


# --- examples ----------------------------------------------------------------------------------------------

UID = "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10"  # of the discard that the examples speak of
W1_SPOT: Json = {"item": "WAX", "lot": "W1", "place": "", "container": "", "set_apart": False}
DISCARD: Json = {
    "uid": UID, "kind": "discarded", "happened_at": MOMENT, "recorded_at": MOMENT, "who": "maker",
    "why": "fell on the floor", "corrects": None, "corrected_by": None, "batch": None, "dispatch": None,
    "order": None, "portion": W1_SPOT, "movements": [W1_SPOT | {"quantity": "-20 g"}],
}  # fmt: skip


class StockEvents(View):
    @lists(
        StockEventAnswer,
        filters=StockEventFilters,
        summary="List stock events",
        query={"item": "WAX", "kind": "discarded", "from": "2027-03-01"},
        gives=[DISCARD],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """What happened to stock, the last recorded first: of an item, of a lot (by our number), on days from one
        to another, both included."""
        events = EVENTS.filter(**{name: asked[name] for name in ("kind",) if name in asked})
        if "item" in asked or "lot" in asked:
            item = named(selectors.find_item, asked["item"], "item") if "item" in asked else None
            events = selectors.events_of_lots(events, item=item, number=asked.get("lot"))
        events = selectors.events_between(events, from_day=asked.get("from"), to_day=asked.get("to"))
        return Listing(events, "-pk", show_page=event_rows)


class OneStockEvent(View):
    @reads(StockEventAnswer, summary="Read a stock event", path={"uid": UID}, gives=DISCARD)
    def get(self, request: Request, asked: Json, uid: UUID) -> Json:
        """One thing that happened to stock, and what it moved."""
        return read_event(uid)


class Correct(View):
    @writes(
        Correction,
        StockEventAnswer,
        summary="Correct a stock event",
        path={"uid": UID},
        asks={"why": "it was the other lot"},
        gives=DISCARD
        | {
            "kind": "corrected",
            "who": "owner",
            "why": "it was the other lot",
            "corrects": UID,
            "movements": [W1_SPOT | {"quantity": "20 g"}],
        },
    )
    def post(self, request: Request, asked: Json, uid: UUID) -> Json:
        """Undo an event by its opposite, once, and answer the opposite; the first stays readable. What a batch used
        is taken back where the batch was weighed. A correction is not corrected: record anew what happened. It
        counts from the moment of the event itself, unless another is given."""
        opposite = correct(event=selectors.find_event(uid), who=request.user, **asked)
        return read_event(opposite.uid)


ROUTES = [
    path("stock-events", StockEvents.as_view(), name="stock-events"),
    path("stock-events/<uuid:uid>", OneStockEvent.as_view(), name="stock-event"),
    path("stock-events/<uuid:uid>/correct", Correct.as_view(), name="stock-event-correct"),
]
