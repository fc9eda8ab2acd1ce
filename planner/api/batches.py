"""What of a batch crosses the rooms: reserving it with a look at the others, and whose readings a helper corrects."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, named, refused, writes
from inventory.errors import Fault, NotAllowed
from inventory.models import Item
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.selectors import find_item
from planner import services
from planner.api.access import roles_of
from planner.api.roles import MAKER, OWNER
from production import selectors
from production.api.batches import B_2
from production.api.bench import BatchAnswer, SheetLineAnswer, read_batch, read_sheet_line
from production.api.formulas import POSITIONS
from production.api.places import told_at
from production.models import Weighing
from production.services import weighing


class StandIn(Form):
    """A substitute of the formula's that stands in for the whole line."""

    position = fields.Whole(*POSITIONS)
    substitute = fields.Code(refers_to="items")


class Reserving(Form):
    substitutes = Lines(child=StandIn(), most=200, allow_empty=True, required=False)


class TakenAnswer(Answer):
    position = fields.Whole(*POSITIONS)
    item = fields.Code()
    lot = fields.Code()
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    quantity = fields.Quantity()


class ReservedAnswer(BatchAnswer):
    """``taken`` is what was set aside, ``became_short`` the other batches that this leaves short."""

    taken = TakenAnswer(many=True)
    became_short = fields.ListOf(fields.Code())


class ReadingCorrection(Form):
    """``event`` is the uid of the reading's stock event."""

    event = fields.Uid()
    why = fields.Text(WHY_LENGTH)


class CorrectedAnswer(Answer):
    """``event`` is the uid of the opposite stock event."""

    event = fields.Uid()
    line = SheetLineAnswer()


def _taken_row(one: Any) -> Json:
    portion, lot = one.portion, one.portion.lot
    return {
        "position": one.position,
        "item": lot.item.code,
        "lot": lot.number,
        "place": portion.place,
        "container": portion.container,
        "quantity": show_quantity(one.quantity, lot.item.measure),
    }


def _stand_ins(asked: Json) -> dict[int, Item]:
    found: dict[int, Item] = {}
    for at, one in enumerate(asked.get("substitutes", [])):
        if one["position"] in found:
            raise refused(f"substitutes[{at}].position", one["position"], "each position once")
        found[one["position"]] = named(find_item, one["substitute"], f"substitutes[{at}].substitute")
    return found


def _places_in(asked: Json) -> Callable[[Fault], str]:
    """Where in the request a fault of the service stands: it tells the position or the code that it refuses."""
    places: dict[str, str] = {}
    for at, one in enumerate(asked.get("substitutes", [])):
        places.setdefault(one["substitute"], f"substitutes[{at}].substitute")
        places[str(one["position"])] = f"substitutes[{at}].position"
    return lambda fault: places.get(fault.value, fault.field) if fault.field == "substitutes" else fault.field


class Reserve(View):
    @writes(
        Reserving,
        ReservedAnswer,
        summary="Reserve a batch",
        path={"batch": "B-2"},
        asks={"substitutes": [{"position": 2, "substitute": "FIRM-WAX"}]},
        gives=B_2 | {
            "status": "reserved",
            "taken": [
                {"position": 1, "item": "OIL", "lot": "O1", "place": "", "container": "", "quantity": "800 g"},
                {"position": 2, "item": "FIRM-WAX", "lot": "F1", "place": "", "container": "", "quantity": "160 g"},
            ],
            "became_short": [],
        },
    )  # fmt: skip
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Set stock aside for every line, or for none where something is short: first expiry first, only what may be
        used on the planned day. Answers which other batches become short by it."""
        found = selectors.find_batch(batch)
        substitutes = _stand_ins(asked)
        with told_at(_places_in(asked)):
            reserved = services.reserve_batch(batch=found, substitutes=substitutes, who=request.user)
        return read_batch(found) | {
            "taken": [_taken_row(one) for one in reserved.taken],
            "became_short": reserved.became_short,
        }


class CorrectWeighing(View):
    @writes(
        ReadingCorrection,
        CorrectedAnswer,
        summary="Correct a weighing",
        path={"batch": "B-1"},
        asks={"event": "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10", "why": "the tare was left out"},
    )
    def post(self, request: Request, asked: Json, batch: str) -> Json:
        """Take a wrong reading back by an opposite event; the line is open again for the right one. A helper corrects
        readings of their own only."""
        found = selectors.find_batch(batch)
        uid = asked.pop("event")
        reading: Weighing = named(lambda text: selectors.find_weighing(found, uid), str(uid), "event")
        if reading.event.who_id != request.user.pk and not roles_of(request.user) & {MAKER, OWNER}:
            raise NotAllowed("a helper corrects readings of their own; the maker corrects any")
        event = weighing.correct_weighing(weighing=reading, who=request.user, **asked)
        return {"event": event.uid, "line": read_sheet_line(found, reading.line.position)}


ROUTES = [
    path("batches/<code:batch>/reserve", Reserve.as_view(), name="batch-reserve"),
    path("batches/<code:batch>/correct-weighing", CorrectWeighing.as_view(), name="batch-correct-weighing"),
]
