"""Retained samples: taken out of a lot to be kept, until when, and what was taken of them since."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import path
from rest_framework.request import Request

from inventory import clock, retained, selectors
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, named, quantity_of, writes
from inventory.api.lots import MOMENT
from inventory.api.pages import Listing
from inventory.api.stock import TakenOut
from inventory.api.stock_events import UID
from inventory.errors import NotFound
from inventory.models import RetainedSample
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import show_quantity
from inventory.services import samples


class Retained(TakenOut):
    """Where the sample is kept, and through which day: the lot's last day and the item's ``keep_samples_days`` (365)
    where it is left out."""

    to_place = fields.Text(CODE_LENGTH, required=False, blank=True)
    to_container = fields.Text(CODE_LENGTH, required=False, blank=True)
    keep_until = fields.Day(required=False, allow_null=True)


class RetainedTaken(Form):
    """Without a quantity, all that is left; ``taken_on`` is today where it is left out."""

    quantity = fields.Quantity(required=False, allow_null=True)
    taken_on = fields.Day(required=False, allow_null=True)
    why = fields.Text(WHY_LENGTH)


class RetainedFilters(Form):
    """``lot`` is our number. ``kept``: whether something is left. ``keep_until_before`` finds what is past its keeping
    before that day."""

    item = fields.Code(required=False)
    lot = fields.Code(required=False)
    kept = fields.Flag(required=False)
    keep_until_before = fields.Day(required=False)


class TakingAnswer(Answer):
    quantity = fields.Quantity()
    taken_on = fields.Day()
    why = fields.Text(WHY_LENGTH)
    who = fields.Text(150, allow_null=True)
    recorded_at = fields.Instant()


class RetainedAnswer(Answer):
    """``event`` is the uid of the stock event that sampled it, and names it. ``put_back``: the event was corrected, and
    the sample joined the stock again."""

    event = fields.Uid()
    item = fields.Code()
    lot = fields.Code()
    quantity = fields.Quantity()
    left = fields.Quantity(0)
    place = fields.Text(CODE_LENGTH, blank=True)
    container = fields.Text(CODE_LENGTH, blank=True)
    keep_until = fields.Day()
    past_keeping = fields.Flag()
    put_back = fields.Flag()
    sampled_at = fields.Instant()
    who = fields.Text(150, allow_null=True)
    why = fields.Text(WHY_LENGTH, blank=True)
    takings = TakingAnswer(many=True)


def retained_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with what was taken of all of them in one query."""
    takings = retained.takings_of(row["pk"] for row in rows)
    today = clock.today()
    found = []
    for row in rows:
        measure = row["lot__item__measure"]
        found.append(
            {
                "event": row["event__uid"],
                "item": row["lot__item__code"],
                "lot": row["lot__number"],
                "quantity": show_quantity(row["quantity"], measure),
                "left": show_quantity(row["left"], measure),
                "place": row["place"],
                "container": row["container"],
                "keep_until": row["keep_until"],
                "past_keeping": row["left"] > 0 and row["keep_until"] < today,
                "put_back": row["event__corrected_by"] is not None,
                "sampled_at": row["event__happened_at"],
                "who": row["event__who__username"],
                "why": row["event__why"],
                "takings": [
                    {
                        "quantity": show_quantity(one["quantity"], measure),
                        "taken_on": one["taken_on"],
                        "why": one["why"],
                        "who": one["who__username"],
                        "recorded_at": one["recorded_at"],
                    }
                    for one in takings[row["pk"]]
                ],
            }
        )
    return found


def read_retained(event: UUID) -> Json:
    row = RetainedSample.objects.filter(event__uid=event).values(*retained.SAMPLE_COLUMNS).first()
    if row is None:
        raise NotFound(f"no retained sample {event}")
    return retained_rows([dict(row)])[0]


W1_KEPT: Json = {
    "event": UID, "item": "WAX", "lot": "W1", "quantity": "20 g", "left": "20 g", "place": "cupboard",
    "container": "", "keep_until": "2029-06-30", "past_keeping": False, "put_back": False, "sampled_at": MOMENT,
    "who": "maker", "why": "", "takings": [],
}  # fmt: skip


class RetainedSamples(View):
    @lists(
        RetainedAnswer,
        filters=RetainedFilters,
        summary="List retained samples",
        query={"item": "WAX", "kept": "yes"},
        gives=[W1_KEPT],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every retained sample in the order in which they were taken, those that are used up too."""
        item = named(selectors.find_item, asked["item"], "item") if "item" in asked else None
        found = retained.samples(
            item=item,
            number=asked.get("lot"),
            kept=asked.get("kept"),
            keep_until_before=asked.get("keep_until_before"),
        )
        return Listing(found.values(*retained.SAMPLE_COLUMNS), "pk", show_page=retained_rows)


class Retain(View):
    @writes(
        Retained,
        RetainedAnswer,
        status=201,
        summary="Retain a sample of a portion",
        path={"item": "WAX", "lot": "W1"},
        asks={"quantity": "20 g", "to_place": "cupboard"},
        gives=W1_KEPT | {"who": "owner", "keep_until": "2029-06-30"},
    )
    def post(self, request: Request, asked: Json, item: str, lot: str) -> Json:
        """Take a sample out and keep it. It leaves the stock (an event of kind sampled), whatever the lot's status, so
        that nobody plans with it or sells it; here stands where it is and until when."""
        found = selectors.get_lot(item, lot)
        container, apart = asked.pop("container", ""), asked.pop("set_apart", False)
        portion = named(
            lambda place: selectors.find_portion(found, place, container, apart), asked.pop("place", ""), "place"
        )
        sample = samples.retain(
            portion=portion,
            quantity=quantity_of(portion.lot.item, asked.pop("quantity")).steps,
            place=asked.pop("to_place", ""),
            container=asked.pop("to_container", ""),
            who=request.user,
            **asked,
        )
        return read_retained(sample.event.uid)


class TakeRetained(View):
    @writes(
        RetainedTaken,
        RetainedAnswer,
        summary="Take of a retained sample",
        path={"uid": UID},
        asks={"quantity": "5 g", "why": "complaint of a customer"},
        gives=W1_KEPT
        | {
            "left": "15 g",
            "takings": [
                {
                    "quantity": "5 g",
                    "taken_on": "2027-03-01",
                    "why": "complaint of a customer",
                    "who": "owner",
                    "recorded_at": MOMENT,
                }
            ],
        },
    )
    def post(self, request: Request, asked: Json, uid: UUID) -> Json:
        """So much of a retained sample was looked at, sent away or thrown away. No stock moves: it left the stock when
        it was sampled."""
        sample = retained.find_retained(uid)
        text = asked.pop("quantity", None)
        quantity = None if text is None else quantity_of(sample.lot.item, text).steps
        samples.take_retained(sample=sample, quantity=quantity, who=request.user, **asked)
        return read_retained(uid)


ROUTES = [
    path("retained-samples", RetainedSamples.as_view(), name="retained-samples"),
    path("retained-samples/<uuid:uid>/take", TakeRetained.as_view(), name="retained-sample-take"),
    path("lots/<code:item>/<code:lot>/retain", Retain.as_view(), name="lot-retain"),
]
