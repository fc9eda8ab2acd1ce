"""Traces, holding or releasing all that they reach, and whether books and ledger agree."""

from __future__ import annotations

from django.urls import path
from rest_framework.request import Request

from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, Lines, View, reads, writes
from inventory.models import Item, Lot
from inventory.models.items import WHY_LENGTH
from inventory.quantities import show_quantity
from planner import selectors, services
from production.models import Batch

STATUSES = tuple(Lot.Status.values)


class NamedLots(Form):
    """``lot`` takes any number that a lot bears: ours, the supplier's, the maker's. Repeated, several lots are meant;
    then ``item`` is repeated as often, or left out."""

    lot = fields.ListOf(fields.Text(), most=100, allow_empty=False)
    item = fields.ListOf(fields.Code(refers_to="items"), most=100, required=False)


class TraceOf(NamedLots):
    direction = fields.Choice("forward", "backward", required=False)


class LotName(Form):
    item = fields.Code(refers_to="items")
    lot = fields.Code(refers_to="lots")


class AllAffected(Form):
    lots = Lines(child=LotName(), most=100)
    why = fields.Text(WHY_LENGTH)


# --- answers -----------------------------------------------------------------------------------------------

TracedLotAnswer = type(
    "TracedLotAnswer",
    (Answer,),
    {
        "__doc__": "A lot, how far it is from the nearest of those asked for, and its balance: opening + received "
        "+ made + returned + counted + corrected = used + dispatched + sent_back + sampled + discarded + on_hand. "
        "from_origin: how much of it is of the lots asked for, or went into them; null where nobody can tell.",
        "lot": fields.Code(),
        "item": fields.Code(),
        "kind": fields.Choice(*Item.Kind.values),
        "depth": fields.Whole(0, 1_000_000),
        "status": fields.Choice(*STATUSES),
        "expires_on": fields.Day(allow_null=True),
        "origin": fields.Choice(*Lot.Origin.values),
        "from_origin": fields.Quantity(0, allow_null=True),
        **{name: fields.Quantity(0) for name in selectors.BALANCE_COLUMNS},
        "accounted_percent": fields.Percent(allow_null=True),
    },
)


class TracedBatchAnswer(Answer):
    """Weighed in = made + packed + residue + evaporated + left in vessel + under way."""

    batch = fields.Code()
    formula = fields.Code()
    version = fields.Whole(1, 1_000_000)
    state = fields.Choice(*Batch.Status.values)
    made_on = fields.Day(allow_null=True)
    weighed_in = fields.Quantity(0)
    made = fields.Quantity(0)
    packed = fields.Quantity(0)
    residue = fields.Quantity(0)
    evaporated = fields.Quantity(0)
    left_in_vessel = fields.Quantity(0)
    under_way = fields.Quantity(0)


class LinkAnswer(Answer):
    """So much of one lot went into a batch; ``to_lot`` is null where nothing has come of it."""

    from_lot = fields.Code()
    batch = fields.Code()
    to_lot = fields.Code(allow_null=True)
    quantity = fields.Quantity(0)


class TracedDispatchAnswer(Answer):
    """To the public: no customer, and the place."""

    lot = fields.Code()
    customer = fields.Code(allow_null=True)
    public_place = fields.Text(blank=True)
    quantity = fields.Quantity(0)
    returned = fields.Quantity(0)
    on = fields.Day()
    reference = fields.Text(blank=True)


class HereAnswer(Answer):
    lot = fields.Code()
    item = fields.Code()
    place = fields.Text(blank=True)
    container = fields.Text(blank=True)
    set_apart = fields.Flag()
    quantity = fields.Quantity(0)


class TraceAnswer(Answer):
    """``lot`` and ``item`` are the first of the lots asked for; all of them have depth 0."""

    lot = fields.Code()
    item = fields.Code()
    direction = fields.Choice("forward", "backward")
    lots = TracedLotAnswer(many=True)
    batches = TracedBatchAnswer(many=True)
    links = LinkAnswer(many=True)
    dispatches = TracedDispatchAnswer(many=True)
    here = HereAnswer(many=True)


class AffectedLotAnswer(Answer):
    item = fields.Code()
    lot = fields.Code()
    status = fields.Choice(*STATUSES)
    on_hand = fields.Quantity(0)
    would_hold = fields.Flag()


class AffectedAnswer(Answer):
    lots = AffectedLotAnswer(many=True)


class LotDecidedAnswer(Answer):
    item = fields.Code()
    lot = fields.Code()
    from_status = fields.Choice(*STATUSES)
    to_status = fields.Choice(*STATUSES)


class AllDecidedAnswer(Answer):
    """What was decided in this one action. ``action_uid`` marks its decisions; null where nothing was to be decided."""

    action_uid = fields.Uid(allow_null=True)
    decisions = LotDecidedAnswer(many=True)


class DifferenceAnswer(Answer):
    what = fields.Text()
    item = fields.Code()
    number = fields.Text()
    place = fields.Text(blank=True)
    container = fields.Text(blank=True)
    books = fields.Text(blank=True)
    ledger = fields.Text(blank=True)
    sentence = fields.Text()


class VerificationAnswer(Answer):
    """``number`` is that of the lot, or the code of the dispatch, demand or order."""

    ok = fields.Flag()
    differences = DifferenceAnswer(many=True)


# --- examples ----------------------------------------------------------------------------------------------

NOTHING = dict.fromkeys(selectors.BALANCE_COLUMNS, "0 g")
W1: Json = {
    "lot": "W1", "item": "WAX", "kind": "raw", "depth": 0, "status": "released", "expires_on": "2028-06-30",
    "origin": "opening", "from_origin": "200 g", **NOTHING, "opening": "200 g", "on_hand": "200 g",
    "accounted_percent": "100.00",
}  # fmt: skip
TRACE_OF_W1: Json = {
    "lot": "W1", "item": "WAX", "direction": "forward", "lots": [W1], "batches": [], "links": [], "dispatches": [],
    "here": [{"lot": "W1", "item": "WAX", "place": "", "container": "", "set_apart": False, "quantity": "200 g"}],
}  # fmt: skip
UID = "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10"


# --- views -------------------------------------------------------------------------------------------------


class TraceLots(View):
    @reads(
        TraceAnswer,
        filters=TraceOf,
        summary="Trace lots",
        refuses=[404, 409],
        query={"lot": ["W1"], "item": ["WAX"], "direction": "forward"},
        gives=TRACE_OF_W1,
    )
    def get(self, request: Request, asked: Json) -> Json:
        """Forward (unless asked otherwise) to all that contains the lots and who received it; backward to what they
        were made from.

        A lot is named by any of its numbers, ours, the supplier's or the maker's; case, spaces and dashes do not count.
        A number that several lots bear is a conflict, ``ambiguous``, with the ``lots`` to choose from. Repeat ``lot``
        to trace several at once.
        """
        origins = selectors.find_each_lot(asked["lot"], asked.get("item", []))
        return selectors.trace_of(origins, forward=asked.get("direction") != "backward")


class Affected(View):
    @reads(
        AffectedAnswer,
        filters=NamedLots,
        summary="See what a hold of everything affected would hold",
        refuses=[404, 409],
        query={"lot": ["W1"]},
        gives={"lots": [{"item": "WAX", "lot": "W1", "status": "released", "on_hand": "200 g", "would_hold": True}]},
    )
    def get(self, request: Request, asked: Json) -> Json:
        """The lots asked for and every lot that contains them, nearest first. Changes nothing."""
        origins = selectors.find_each_lot(asked["lot"], asked.get("item", []))
        return {
            "lots": [
                {
                    "item": row.lot.item.code,
                    "lot": row.lot.number,
                    "status": row.lot.status,
                    "on_hand": show_quantity(row.on_hand, row.lot.item.measure),
                    "would_hold": row.would_hold,
                }
                for row in services.affected_lots(origins=origins)
            ]
        }


def decide(request: Request, asked: Json, status: str) -> Json:
    """Give everything affected a status, and tell what changed."""
    origins = selectors.get_lots([(row["item"], row["lot"]) for row in asked["lots"]])
    made = services.decide_affected(origins=origins, status=status, why=asked["why"], who=request.user)
    if not made:
        return {"action_uid": None, "decisions": []}
    action_uid = made[0].action_uid
    return {"action_uid": str(action_uid), "decisions": selectors.decisions_of(action_uid)}


class HoldAffected(View):
    @writes(
        AllAffected,
        AllDecidedAnswer,
        summary="Hold everything affected",
        asks={"lots": [{"item": "WAX", "lot": "W1"}], "why": "the supplier doubts its purity"},
        gives={
            "action_uid": UID,
            "decisions": [{"item": "WAX", "lot": "W1", "from_status": "released", "to_status": "held"}],
        },
    )
    def post(self, request: Request, asked: Json) -> Json:
        """The lots named and every lot that contains them are held, in one action.

        What is rejected stays so. Batches that had reserved of them are named by alerts.
        """
        return decide(request, asked, Lot.Status.HELD)


class ReleaseAffected(View):
    @writes(
        AllAffected,
        AllDecidedAnswer,
        summary="Release everything affected",
        asks={"lots": [{"item": "WAX", "lot": "W1"}], "why": "the supplier's second test is clean"},
        gives={
            "action_uid": UID,
            "decisions": [{"item": "WAX", "lot": "W1", "from_status": "held", "to_status": "released"}],
        },
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Of the lots named and all that contains them, those that are held are held no more, in one action.

        What contains the lots named and was not released before, or may not be released any more, goes to quarantine.
        """
        return decide(request, asked, Lot.Status.RELEASED)


class Verification(View):
    @reads(VerificationAnswer, summary="Verify the books", gives={"ok": True, "differences": []})
    def get(self, request: Request, asked: Json) -> Json:
        """Every balance and reservation added up anew from the ledger, and each difference."""
        return selectors.verification_document()


ROUTES = [
    path("trace", TraceLots.as_view(), name="trace"),
    path("trace/affected", Affected.as_view(), name="trace-affected"),
    path("trace/hold", HoldAffected.as_view(), name="trace-hold"),
    path("trace/release", ReleaseAffected.as_view(), name="trace-release"),
    path("verification", Verification.as_view(), name="verification"),
]
