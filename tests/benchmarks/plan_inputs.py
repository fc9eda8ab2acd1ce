"""The rows that a plan is made of, as statements for the driver alone: what planning is measured beside.

They come as the plan takes them: each with the codes that it names, days as whole numbers, each table in order of
its codes. The program itself has the database write columns, and finds codes and order on its own; these statements are
what that stands in for, and what the program itself gave before it did so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import F, Func, IntegerField, Q, QuerySet

from inventory.models import Demand, Item, Offer, Portion, PurchaseOrderLine, Reservation
from planner.snapshot import FIRM
from production.models import Batch, FormulaVersion, Line, LineSubstitute
from production.selectors import started_sheets
from tests.benchmarks.bare import Statement, statements_of


class Ordinal(Func):
    """A day as its ordinal, -1 where there is none."""

    output_field = IntegerField()
    template = "COALESCE(%(expressions)s - DATE '0001-01-01' + 1, -1)"

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        # Julian days begin at noon; that of the day before ordinal 1 is 1721424.5.
        template = "COALESCE(CAST(JULIANDAY(%(expressions)s) - 1721424.5 AS INTEGER), -1)"
        return self.as_sql(compiler, connection, template=template, **context)


def inputs(*, in_order: bool) -> list[Statement]:
    """Without the order of codes, if so asked."""
    wanted = Q(status="approved") | Q(pk__in=Batch.objects.filter(status__in=FIRM).values("version"))
    versions = FormulaVersion.objects.filter(wanted).values("pk")
    tables: list[tuple[QuerySet[Any], Sequence[str], Sequence[Any]]] = [
        (
            Item.objects.all(),
            ("code",),
            (
                "pk", "code", "kind", "measure", "drawn", "shelf_life_days", "shelf_life_hours", "opened_life_days",
                "min_remaining_days", "safety_stock", "lead_time_days", "release_days", "retest_days",
            ),
        ),
        (
            Portion.objects.filter(on_hand__gt=0, lot__item__drawn=False),
            ("lot__item__code", "lot__number", "place", "container", "set_apart"),
            (
                "pk", "lot__item_id", "lot__item__code", "lot__number", "on_hand", "lot__status",
                Ordinal("lot__received_on"), Ordinal("lot__available_on"), Ordinal("lot__expires_on"),
                Ordinal("lot__retest_on"), Ordinal("opened_on"), "set_apart", "place", "container",
            ),
        ),
        (
            Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity")),
            ("item__code", "due_on", "customer__code", "reference"),
            (
                "pk", "item__code", "quantity", "dispatched", Ordinal("due_on"), "customer__code", "reference",
                "priority", "customer__min_remaining_days",
            ),
        ),
        (
            LineSubstitute.objects.filter(line__version__in=versions),
            ("line_id", "item__code"),
            ("line_id", "item__code", "ratio"),
        ),
        (
            Line.objects.filter(version__in=versions),
            ("version_id", "position"),
            (
                "version_id", "pk", "position", "phase", "item_id", "item__code", "percent", "qs", "numerator",
                "denominator", "is_volume", "single_lot",
            ),
        ),
        (
            FormulaVersion.objects.filter(wanted),
            ("formula__code", "version"),
            (
                "pk", "formula__code", "version", "formula__item__code", "basis", "yield_percent", "loss_mg", "status",
                "preferred", "min_batch", "batch_multiple", "max_batch",
            ),
        ),
        (
            PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity")),
            ("order__code", "item__code", "due_on"),
            ("order__code", "item__code", "quantity", "received", Ordinal("due_on"), Ordinal("expires_on")),
        ),
        (
            Offer.objects.all(),
            ("supplier__code", "item__code", "pack"),
            ("supplier__code", "item__code", "pack", "lead_time_days", "price_e4", "min_packs"),
        ),
        (
            Batch.objects.filter(status__in=FIRM),
            ("transformation__code",),
            (
                "pk", "transformation__code", "version_id", "charge", Ordinal("transformation__planned_for"), "status",
                "priority", "trial",
            ),
        ),
        (
            Reservation.objects.all(),
            (),
            ("portion_id", "quantity", "transformation_id", "transformation__code", "demand_id"),
        ),
    ]  # fmt: skip
    statements = [
        rows.order_by(*(order if in_order else ())).values_list(*columns).query.sql_with_params()
        for rows, order, columns in tables
    ]
    return statements + statements_of(started_sheets)
