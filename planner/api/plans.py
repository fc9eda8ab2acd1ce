"""The plan, its requirements alone, and the proposals that are made firm."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, reads, writes
from planner import services
from planner.api import plan_examples as examples
from planner.api.access import roles_of
from planner.api.rights.planning import ACCEPTS
from planner.collector import collector_paused

# "from" is a word of Python: forms and answers that have it are made from a dict.
SPAN = {"from": fields.Day(required=False), "weeks": fields.Whole(1, services.MOST_WEEKS, required=False)}
PlanSpan = type("PlanSpan", (Form,), dict(SPAN))
Acceptance = type("Acceptance", (Form,), {"proposals": fields.ListOf(fields.Code(), allow_empty=False)} | SPAN)


class RequirementAnswer(Answer):
    """What is needed of an item on a day; ``covered`` by what there is and what is on order, ``short`` by nothing."""

    item = fields.Code()
    day = fields.Day()
    gross = fields.Quantity()
    covered = fields.Quantity()
    short = fields.Quantity()


class LotTakenAnswer(Answer):
    lot = fields.Code()
    quantity = fields.Quantity()


class ExpectedAnswer(Answer):
    """What is not here yet, and the day on which it will be."""

    source = fields.Text()
    quantity = fields.Quantity()
    day = fields.Day()


class FreeSubstituteAnswer(Answer):
    item = fields.Code()
    ratio = fields.Number("0", "1000000", 6)
    free = fields.Quantity()
    enough = fields.Flag()


class PassedOverAnswer(Answer):
    lot = fields.Code()
    reason = fields.Text()


class PlannedLineAnswer(Answer):
    """``required`` is what is still to go in. ``proposed`` is the part of what is short that the plan proposes."""

    position = fields.Whole(1, 1_000_000)
    phase = fields.Text(blank=True)
    item = fields.Code()
    required = fields.Quantity()
    lots = LotTakenAnswer(many=True)
    expected = ExpectedAnswer(many=True)
    short = fields.Quantity()
    proposed = fields.Quantity()
    substitutes = FreeSubstituteAnswer(many=True)
    passed_over = PassedOverAnswer(many=True)


class PlannedBatchAnswer(Answer):
    batch = fields.Code()
    item = fields.Code()
    planned_for = fields.Day()
    coverage = fields.Choice("covered", "expected", "short")
    lines = PlannedLineAnswer(many=True)


class PegAnswer(Answer):
    """What a proposal is for: ``batch:B``, ``make:PROPOSAL``, ``demand:CUSTOMER/REFERENCE``, ``safety:ITEM``."""

    to = fields.Text()
    day = fields.Day()
    quantity = fields.Quantity()


class MakeAnswer(Answer):
    id = fields.Code()
    item = fields.Code()
    formula = fields.Code()
    version = fields.Whole(1, 1_000_000)
    quantity = fields.Quantity()
    charge = fields.Quantity()
    start_on = fields.Day()
    due_on = fields.Day()
    late = fields.Flag()
    coming = ExpectedAnswer(many=True)
    excess = fields.Quantity()
    pegged_to = PegAnswer(many=True)


class PacksAnswer(Answer):
    supplier = fields.Code()
    pack = fields.Quantity()
    count = fields.Whole(1, 1_000_000_000)


class BuyAnswer(Answer):
    id = fields.Code()
    item = fields.Code()
    quantity = fields.Quantity()
    packs = PacksAnswer(many=True)
    cost = fields.Money(allow_null=True)
    need_on = fields.Day()
    order_by = fields.Day()
    late = fields.Flag()
    free = fields.Quantity()
    coming = ExpectedAnswer(many=True)
    runs_out_on = fields.Day(allow_null=True)
    excess = fields.Quantity()
    waste = fields.Quantity()
    pegged_to = PegAnswer(many=True)


class ExpiringAnswer(Answer):
    lot = fields.Code()
    item = fields.Code()
    quantity = fields.Quantity()
    expires_on = fields.Day()


class UnmetAnswer(Answer):
    item = fields.Code()
    day = fields.Day()
    quantity = fields.Quantity()
    reason = fields.Choice("no_formula", "no_offer", "late", "life")


REQUIREMENTS = {"from": fields.Day(), "to": fields.Day(), "requirements": RequirementAnswer(many=True)}
RequirementsAnswer = type("RequirementsAnswer", (Answer,), dict(REQUIREMENTS))
PlanAnswer = type(
    "PlanAnswer",
    (Answer,),
    REQUIREMENTS
    | {
        "batches": PlannedBatchAnswer(many=True),
        "make": MakeAnswer(many=True),
        "buy": BuyAnswer(many=True),
        "expiring": ExpiringAnswer(many=True),
        "unmet": UnmetAnswer(many=True),
    },
)


class AcceptedProposalAnswer(Answer):
    """``result`` is the batch or the purchase order. ``again``: it had been accepted before."""

    proposal = fields.Code()
    kind = fields.Choice("make", "buy")
    result = fields.Code()
    again = fields.Flag()


class AcceptedAnswer(Answer):
    accepted = AcceptedProposalAnswer(many=True)


def span_of(asked: Json) -> dict[str, Any]:
    """The plan's days as services take them: from today and the usual weeks where nothing else was asked."""
    return {
        "from_day": asked["from"] if "from" in asked else clock.today(),
        "weeks": asked.get("weeks", services.DEFAULT_WEEKS),
    }


def joined(pieces: Iterable[str]) -> bytes:
    """JSON that is written already, as the body of an answer."""
    return "".join(pieces).encode()


class PlanOfDays(View):
    @reads(
        PlanAnswer,
        filters=PlanSpan,
        summary="Plan",
        refuses=[409],
        query={"from": "2027-03-01", "weeks": 1},
        gives=examples.PLAN,
    )
    def get(self, request: Request, asked: Json) -> bytes:
        """What to make and to buy, by when, and what batches find on the shelf: the document of ``plan --json``.

        From today and for four weeks unless asked otherwise. Changes nothing. A loop of formulas is a conflict.
        """
        with collector_paused():
            return joined(services.run_plan(**span_of(asked)).json())


class Requirements(View):
    @reads(
        RequirementsAnswer,
        filters=PlanSpan,
        summary="Read the plan's requirements alone",
        refuses=[409],
        query={"from": "2027-03-01", "weeks": 1},
        gives=examples.REQUIREMENTS,
    )
    def get(self, request: Request, asked: Json) -> bytes:
        """What is needed of each item on each day, covered and short: a part of the plan, in less time."""
        with collector_paused():
            return joined(services.run_requirements(**span_of(asked)).json())


class AcceptProposals(View):
    @writes(
        Acceptance,
        AcceptedAnswer,
        summary="Make proposals firm",
        asks={"proposals": ["c59295bb257e", "924cf636007b"], "from": "2027-03-01", "weeks": 4},
        gives={
            "accepted": [
                {"proposal": "c59295bb257e", "kind": "buy", "result": "P20270301-1", "again": False},
                {"proposal": "924cf636007b", "kind": "make", "result": "B20270319-1", "again": False},
            ]
        },
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A proposal to make becomes a planned batch, one to buy a purchase order; all of them or none.

        Each once: accepted twice, the answer is the first one again. ``from`` and ``weeks`` are those of the plan that
        proposed it. What the plan does not propose any more is a conflict, ``proposal_gone``.
        """
        roles = roles_of(request.user)
        kinds = [kind for kind, allowed in ACCEPTS.items() if roles & set(allowed)]
        found = services.accept(proposals=asked["proposals"], kinds=kinds, who=request.user, **span_of(asked))
        return {
            "accepted": [
                {"proposal": one.proposal, "kind": one.kind, "result": one.result, "again": one.again} for one in found
            ]
        }


ROUTES = [
    path("plan", PlanOfDays.as_view(), name="plan"),
    path("plan/requirements", Requirements.as_view(), name="plan-requirements"),
    path("proposals/accept", AcceptProposals.as_view(), name="proposal-accept"),
]
