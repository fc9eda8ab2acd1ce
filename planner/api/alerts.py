"""What needs a person's eye: alerts, the day's look at the plan, and how much the workshop holds."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Answer, Form, Json, View, lists, reads, writes
from inventory.api.pages import Listing
from inventory.models import Alert
from planner import selectors, services
from planner.api.plan_examples import PLAN
from planner.models import Review

KINDS = ("reorder", "reservation_freed", "reservation_broken", "reservation_expires")
ALERT_COLUMNS = ("pk", "kind", "subject", "message", "facts", "opened_at", "updated_at", "closed_at")
REVIEW_COLUMNS = ("reviewed_on", "started_at", "finished_at")


class AlertFilters(Form):
    """``open``: yes unless asked otherwise; no for those that are closed."""

    kind = fields.Choice(*KINDS, required=False)
    subject = fields.Text(required=False)
    open = fields.Flag(required=False)


class AlertAnswer(Answer):
    """A condition that holds until it is mended; then it closes by itself.

    ``subject`` is an item (reorder), else ``batch:B`` or ``demand:CUSTOMER/REFERENCE/ITEM/DAY``; ``facts`` differ by
    kind: of reorder they are the row of the plan's ``buy``.
    """

    kind = fields.Choice(*KINDS)
    subject = fields.Text()
    message = fields.Text(500)
    facts = fields.AnyJson()
    opened_at = fields.Instant()
    updated_at = fields.Instant()
    closed_at = fields.Instant(allow_null=True)


class AlertChangesAnswer(Answer):
    """How many alerts were opened, and how many closed."""

    opened = fields.Whole(0, 1_000_000)
    closed = fields.Whole(0, 1_000_000)


class ReviewAnswer(Answer):
    """``finished_at`` is null while the look is being taken."""

    reviewed_on = fields.Day()
    started_at = fields.Instant()
    finished_at = fields.Instant(allow_null=True)


class ReviewDoneAnswer(Answer):
    """``again``: the look had been taken before on this day, and nothing was done."""

    reviewed_on = fields.Day()
    opened = fields.Whole(0, 1_000_000)
    closed = fields.Whole(0, 1_000_000)
    again = fields.Flag()


COUNTED = ("items", "parties", "formulas", "lots", "batches", "dispatches", "stock_events")
CountsAnswer = type(
    "CountsAnswer",
    (Answer,),
    {"__doc__": "How many of each there are."} | {name: fields.Whole(0, 10**12) for name in COUNTED},
)

WAX: Json = {
    "kind": "reorder",
    "subject": "WAX",
    "message": "WAX: order 1 x 1000 g from HOLLOW by 2027-03-02; needed on 2027-03-05",
    "facts": PLAN["buy"][0],
    "opened_at": "2027-03-01T09:00:00+00:00",
    "updated_at": "2027-03-01T09:00:00+00:00",
    "closed_at": None,
}


def shown(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None


def alert_row(row: dict[str, Any]) -> Json:
    moments = {name: shown(row[name]) for name in ("opened_at", "updated_at", "closed_at")}
    return {name: row[name] for name in ("kind", "subject", "message", "facts")} | moments


def review_row(row: dict[str, Any]) -> Json:
    return {
        "reviewed_on": row["reviewed_on"].isoformat(),
        "started_at": shown(row["started_at"]),
        "finished_at": shown(row["finished_at"]),
    }


class Alerts(View):
    @lists(AlertAnswer, filters=AlertFilters, summary="List alerts", query={"subject": "WAX"}, gives=[WAX])
    def get(self, request: Request, asked: Json) -> Listing:
        """What is open, the latest first; with ``open=no`` what was closed."""
        is_open = asked.pop("open", True)
        rows = Alert.objects.filter(closed_at__isnull=is_open, **asked)
        return Listing(rows.values(*ALERT_COLUMNS), "-pk", alert_row)


class RefreshAlerts(View):
    @writes(
        None,
        AlertChangesAnswer,
        summary="Bring the reorder alerts up to date",
        gives={"opened": 3, "closed": 0},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Plan from today, and open or close the reorder alerts by it, also where the day's look was taken before."""
        changes = services.look_again(day=clock.today())
        return {"opened": changes.opened, "closed": changes.closed}


class Reviews(View):
    @lists(
        ReviewAnswer,
        summary="List the days on which the plan was looked at",
        gives=[
            {
                "reviewed_on": "2027-02-28",
                "started_at": "2027-02-28T06:00:00+00:00",
                "finished_at": "2027-02-28T06:00:04+00:00",
            }
        ],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """The daily looks at the plan, the latest first."""
        return Listing(Review.objects.values(*REVIEW_COLUMNS), "-reviewed_on", review_row)

    @writes(
        None,
        ReviewDoneAnswer,
        summary="Take the day's look at the plan",
        gives={"reviewed_on": "2027-03-01", "opened": 3, "closed": 0, "again": False},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """Once a day, however often it is asked for: reorder alerts follow the plan of the next eight weeks."""
        day = clock.today()
        changes = services.review(day=day)
        return {
            "reviewed_on": day.isoformat(),
            "opened": changes.opened if changes else 0,
            "closed": changes.closed if changes else 0,
            "again": changes is None,
        }


class Counts(View):
    @reads(
        CountsAnswer,
        summary="Count what the workshop holds",
        gives={
            "items": 5, "parties": 2, "formulas": 2, "lots": 3, "batches": 2, "dispatches": 0, "stock_events": 3,
        },
    )  # fmt: skip
    def get(self, request: Request, asked: Json) -> Json:
        """How many items, lots, batches and so on there are."""
        return {name.replace(" ", "_"): count for name, count in selectors.workshop_counts()}


ROUTES = [
    path("alerts", Alerts.as_view(), name="alerts"),
    path("alerts/refresh", RefreshAlerts.as_view(), name="alerts-refresh"),
    path("reviews", Reviews.as_view(), name="reviews"),
    path("counts", Counts.as_view(), name="counts"),
]
