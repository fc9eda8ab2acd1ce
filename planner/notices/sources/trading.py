"""What suppliers and customers ask for: what to order, deliveries that did not come, customers who wait."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date

from django.db.models import F

from inventory.ledger import among
from inventory.models import Alert, Demand, PurchaseOrderLine
from inventory.quantities import show_quantity
from planner.notices.models import Notice
from planner.notices.wanted import Look, Wanted, told

Causes = Collection[int] | None


def to_order(look: Look, causes: Causes) -> Iterator[Wanted]:
    """What the last look at the plan wants bought: the reorder alerts, due on the day to order by.

    A plan is made from its own day: what should have been ordered by yesterday it wants ordered by today. A day that
    has come stays the day on which it was due, or it would be due anew each morning and never overdue.
    """
    standing = dict(Notice.objects.filter(kind="reorder", gone_at=None).values_list("key", "due_on"))
    alerts = Alert.objects.filter(kind="reorder", closed_at=None)
    if causes is not None:
        alerts = alerts.filter(pk__in=among(causes))
    for pk, item, message, facts in alerts.order_by("pk").values_list("pk", "subject", "message", "facts"):
        key, order_by = f"reorder:{item}", date.fromisoformat(facts["order_by"])
        if order_by <= look.today:
            order_by = min(order_by, standing.get(key, order_by))
        yield Wanted(
            key=key,
            cause=pk,
            subject={"item": item},
            what=f"{item}: order by {told(order_by)}",
            why=message.removeprefix(f"{item}: "),
            due_on=order_by,
        )


def orders_late(look: Look, causes: Causes) -> Iterator[Wanted]:
    lines = PurchaseOrderLine.objects.filter(closed_at=None, received__lt=F("quantity"), due_on__lt=look.today)
    if causes is not None:
        lines = lines.filter(pk__in=among(causes))
    columns = ("pk", "order__code", "order__supplier__code", "item__code", "item__measure", "due_on", "rest")
    rows = lines.annotate(rest=F("quantity") - F("received")).order_by("pk").values_list(*columns)
    for pk, order, supplier, item, measure, due_on, rest in rows.iterator():
        yield Wanted(
            key=f"order_late:{order}/{item}/{due_on}",
            cause=pk,
            subject={"order": order, "item": item},
            what=f"{order}: {item} from {supplier} was due on {told(due_on)}",
            why=f"{show_quantity(rest, measure)} of it did not come.",
            due_on=due_on,
        )


def demands_late(look: Look, causes: Causes) -> Iterator[Wanted]:
    demands = Demand.objects.filter(closed_at=None, dispatched__lt=F("quantity"), due_on__lt=look.today)
    if causes is not None:
        demands = demands.filter(pk__in=among(causes))
    columns = ("pk", "item__code", "item__measure", "due_on", "customer__code", "reference", "rest")
    rows = demands.annotate(rest=F("quantity") - F("dispatched")).order_by("pk").values_list(*columns)
    for pk, item, measure, due_on, customer, reference, rest in rows.iterator():
        who = customer or "the public"
        yield Wanted(
            key=f"demand_late:{item}/{due_on}/{customer or ''}/{reference}",
            cause=pk,
            subject={"item": item, "customer": customer or "", "reference": reference},
            what=f"{who}{' ' + reference if reference else ''}: {item} was wanted on {told(due_on)}",
            why=f"{show_quantity(rest, measure)} did not leave yet.",
            due_on=due_on,
        )
