"""What the shelf asks for: lots that expire, that must be looked at again, that wait, that customers will not take.

Each source reads its rows in a fixed number of queries; ``causes`` limits them to some primary keys.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, timedelta
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery, Sum

from inventory.ledger import among
from inventory.models import Demand, DispatchLine, Item, Lot, LotDecision, Portion, RetainedSample
from inventory.quantities import show_quantity
from inventory.selectors import expiring_before
from inventory.usability import last_day_from, plan_days_of_life, retest_day_from
from planner.notices.wanted import Look, Wanted, horizon, told

Causes = Collection[int] | None
LOT_COLUMNS = (
    "pk", "number", "status", "received_on", "available_on", "expires_on", "retest_on", "item__code", "item__measure",
    "item__kind", "item__shelf_life_days", "item__shelf_life_hours", "item__retest_days", "item__release_days",
    "item__notice_days", "item__min_remaining_days", "item_id",
)  # fmt: skip
REMEMBERED_DAYS = 365  # so long ago a customer's last delivery still says that it wants more


def _here(causes: Causes) -> QuerySet[Lot]:
    """Lots of which something is here; a day's tap water is no lot that anybody looks after."""
    lots = Lot.objects.filter(Exists(Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0)), item__drawn=False)
    return lots if causes is None else lots.filter(pk__in=among(causes))


def _rows(lots: QuerySet[Lot], *more: str) -> Iterator[dict[str, Any]]:
    here = lots.annotate(on_hand=Sum("portions__on_hand"))
    return here.order_by("pk").values(*LOT_COLUMNS, "on_hand", *more).iterator()


def _last_day(row: dict[str, Any]) -> date | None:
    life = plan_days_of_life(row["item__shelf_life_days"], row["item__shelf_life_hours"])
    return last_day_from(row["expires_on"], row["received_on"], life)


def _amount(row: dict[str, Any]) -> str:
    return show_quantity(row["on_hand"], row["item__measure"])


def _of_lot(row: dict[str, Any]) -> dict[str, str]:
    return {"item": row["item__code"], "lot": row["number"]}


def _name(row: dict[str, Any]) -> str:
    return f"{row['item__code']} lot {row['number']}"


def lots_expiring(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Lots whose last day comes, told on the days that the item names before it; past it they should go."""
    usual = look.kinds["lot_expiring"].soon_days
    named = Item.objects.exclude(notice_days=None).values_list("notice_days", flat=True)
    furthest = max([*usual, *(day for days in named for day in days or ())], default=0) + 7
    lots = expiring_before(_here(causes), look.today + timedelta(days=furthest + 1))
    for row in _rows(lots.exclude(status=Lot.Status.REJECTED)):
        last_day, days = _last_day(row), row["item__notice_days"]
        soon = usual if days is None else tuple(days)
        if last_day is None or (last_day > look.today + timedelta(days=max(soon, default=0) + 7)):
            continue
        if days == []:  # the item says: never a word
            continue
        yield Wanted(
            key=f"lot_expiring:{row['item__code']}/{row['number']}",
            cause=row["pk"],
            subject=_of_lot(row),
            what=f"{_name(row)}: last day {told(last_day)}",
            why=f"{_amount(row)} is here, {row['status']}. After its last day it may not be used.",
            due_on=last_day,
            soon_days=soon,
        )


def retests_due(look: Look, causes: Causes) -> Iterator[Wanted]:
    return _retests(look, causes, "retest_due")


def bulk_past_storage(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Bulk that waits to be filled: the item's retest days are its longest storage, then it is looked at again."""
    return _retests(look, causes, "bulk_storage")


def _retests(look: Look, causes: Causes, kind: str) -> Iterator[Wanted]:
    last = horizon(look, kind)
    is_bulk = Q(item__kind=Item.Kind.INTERMEDIATE, item__measure=Item.Measure.MASS)
    lots = _here(causes).filter(is_bulk if kind == "bulk_storage" else ~is_bulk, status=Lot.Status.RELEASED)
    lots = lots.filter(
        Q(retest_on__lte=last) | Q(retest_on=None, item__retest_days__isnull=False, received_on__isnull=False)
    )
    for row in _rows(lots):
        day = retest_day_from(row["retest_on"], row["received_on"], row["item__retest_days"])
        if day is None or day > last:
            continue
        bulk = "has been stored as long as bulk may be" if kind == "bulk_storage" else "is to be looked at again"
        yield Wanted(
            key=f"{kind}:{row['item__code']}/{row['number']}",
            cause=row["pk"],
            subject=_of_lot(row),
            what=f"{_name(row)}: look at it again by {told(day)}",
            why=f"{_amount(row)} {bulk}; after {told(day)} it may not be used until it was.",
            due_on=day,
        )


def containers_running_out(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Opened containers whose time ends before the lot's own."""
    last = horizon(look, "container_running_out")
    portions = Portion.objects.filter(
        on_hand__gt=0, opened_on__isnull=False, lot__item__opened_life_days__isnull=False
    ).exclude(lot__status=Lot.Status.REJECTED)
    if causes is not None:
        portions = portions.filter(pk__in=among(causes))
    columns = (
        "pk", "place", "container", "set_apart", "on_hand", "opened_on", "lot__number", "lot__received_on",
        "lot__expires_on", "lot__item__code", "lot__item__measure", "lot__item__shelf_life_days",
        "lot__item__shelf_life_hours", "lot__item__opened_life_days",
    )  # fmt: skip
    for row in portions.order_by("pk").values(*columns).iterator():
        life = plan_days_of_life(row["lot__item__shelf_life_days"], row["lot__item__shelf_life_hours"])
        of_lot = last_day_from(row["lot__expires_on"], row["lot__received_on"], life)
        until = row["opened_on"] + timedelta(days=row["lot__item__opened_life_days"])
        if until > last or (of_lot is not None and of_lot <= until):
            continue
        item, lot = row["lot__item__code"], row["lot__number"]
        stands = " ".join(part for part in (row["place"], row["container"]) if part)
        apart = "/apart" if row["set_apart"] else ""
        yield Wanted(
            key=f"container_running_out:{item}/{lot}/{row['place']}/{row['container']}{apart}",
            cause=row["pk"],
            subject={"item": item, "lot": lot, "place": row["place"], "container": row["container"]},
            what=f"{item} lot {lot}, opened: last day {told(until)}",
            why=f"{show_quantity(row['on_hand'], row['lot__item__measure'])}{' in ' + stands if stands else ''}, "
            f"opened on {told(row['opened_on'])}.",
            due_on=until,
        )


def samples_past_keeping(look: Look, causes: Causes) -> Iterator[Wanted]:
    samples = RetainedSample.objects.filter(left__gt=0, keep_until__lt=look.today)
    if causes is not None:
        samples = samples.filter(pk__in=among(causes))
    columns = ("pk", "left", "place", "container", "keep_until", "lot__number", "lot__item__code", "lot__item__measure")
    for row in samples.order_by("pk").values(*columns).iterator():
        item, lot = row["lot__item__code"], row["lot__number"]
        stands = " ".join(part for part in (row["place"], row["container"]) if part)
        yield Wanted(
            key=f"samples_past_keeping:{item}/{lot}/{row['pk']}",
            cause=row["pk"],
            subject={"item": item, "lot": lot},
            what=f"{item} lot {lot}: retained samples were kept until {told(row['keep_until'])}",
            why=f"{show_quantity(row['left'], row['lot__item__measure'])} left"
            f"{' in ' + stands if stands else ''}: keep on, or throw away by local rules.",
            due_on=row["keep_until"] + timedelta(days=1),
            overdue_after_days=30,
        )


def lives_short(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Finished lots whose remaining life falls under what the item, or a customer of it, asks for.

    Customers of an item are those who wait for it, and those who had some within a year.
    """
    last = horizon(look, "life_short")
    asked = _lives_asked(look)
    # Of no lot more is asked than the most that anybody asks.
    most = max((days for of_item in asked.values() for days in of_item), default=0)
    most = max(most, *Item.objects.filter(kind=Item.Kind.PRODUCT).values_list("min_remaining_days", flat=True), 0)
    lots = _here(causes).filter(item__kind=Item.Kind.PRODUCT, status=Lot.Status.RELEASED)
    for row in _rows(expiring_before(lots, last + timedelta(days=most + 1))):
        last_day = _last_day(row)
        if last_day is None or last_day < look.today:
            continue
        of_item = dict(asked.get(row["item_id"], {}))
        if row["item__min_remaining_days"]:
            days = row["item__min_remaining_days"]
            of_item[days] = ["customers", *of_item.get(days, [])]
        for days, names in sorted(of_item.items()):
            until = last_day - timedelta(days=days)
            if until > last:
                continue
            who = ", ".join(names)
            yield Wanted(
                key=f"life_short:{row['item__code']}/{row['number']}/{days}",
                cause=row["pk"],
                subject=_of_lot(row),
                what=f"{_name(row)}: {who} will take it until {told(until)}",
                why=f"{_amount(row)} is here with its last day on {told(last_day)}; {days} days of life are asked for.",
                due_on=until,
                overdue_after_days=1,
            )


def _lives_asked(look: Look) -> dict[int, dict[int, list[str]]]:
    """For each item the days of life that its customers want left, with their codes."""
    waiting: Any = Demand.objects.filter(
        closed_at=None, dispatched__lt=F("quantity"), customer__min_remaining_days__gt=0
    ).values_list("item_id", "customer__code", "customer__min_remaining_days")
    since = look.today - timedelta(days=REMEMBERED_DAYS)
    had: Any = DispatchLine.objects.filter(
        dispatch__dispatched_on__gte=since, dispatch__customer__min_remaining_days__gt=0
    ).values_list("lot__item_id", "dispatch__customer__code", "dispatch__customer__min_remaining_days")
    found: dict[int, dict[int, list[str]]] = {}
    for item, code, days in sorted({*waiting, *had.distinct()}):
        found.setdefault(int(item), {}).setdefault(int(days), []).append(code)
    return found


def lots_held(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Held lots of which something is here: they wait for a decision."""
    holds = LotDecision.objects.filter(lot=OuterRef("pk"), to_status=Lot.Status.HELD).order_by("-pk")
    lots = _here(causes).filter(status=Lot.Status.HELD).annotate(held_why=Subquery(holds.values("why")[:1]))
    for row in _rows(lots, "held_why"):
        reason = f": {row['held_why']}" if row["held_why"] else ""
        yield Wanted(
            key=f"lot_held:{row['item__code']}/{row['number']}",
            cause=row["pk"],
            subject=_of_lot(row),
            what=f"{_name(row)} is held",
            why=f"{_amount(row)} is here and may not be used until it is decided{reason}",
            due_on=None,
            overdue_after_days=7,
        )


def releases_overdue(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Lots in quarantine beyond the day on which they were to be released."""
    lots = _here(causes).filter(
        Q(available_on__lt=look.today) | Q(available_on=None, received_on__lt=look.today),
        status=Lot.Status.QUARANTINE,
        trial=False,
    )
    for row in _rows(lots):
        day = row["available_on"] or row["received_on"] + timedelta(days=row["item__release_days"])
        if day >= look.today:
            continue
        yield Wanted(
            key=f"release_overdue:{row['item__code']}/{row['number']}",
            cause=row["pk"],
            subject=_of_lot(row),
            what=f"{_name(row)} waits for a decision since {told(day)}",
            why=f"{_amount(row)} is in quarantine and cannot be used.",
            due_on=day,
        )
