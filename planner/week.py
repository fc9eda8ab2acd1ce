"""The Week sheet: what is to be made on each day and whether stock covers it, what to make and buy, what runs scarce.

Reads only. Everything is of one plan, made when it is asked for and kept until anything is written: a sheet that tells
of stock as it was this morning would have people weigh what is gone.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Q

from inventory import clock
from inventory.errors import NotFound
from inventory.models import Item
from inventory.quantities import MASS
from planner import services
from planner.engine.plan import Netted
from planner.engine.result import BatchCoverage, BatchLine, Buy, Cover, Make
from planner.kept import kept, kept_from_the_last
from planner.services import PlanRun
from production.models import Batch, FormulaVersion
from production.services.batches import change_plan

WEEKS_AHEAD = 8  # of the plan that a sheet stands on
FIRM = (Batch.Status.PLANNED, Batch.Status.RESERVED, Batch.Status.STARTED)
RANK = {"covered": 0, "expected": 1, "short": 2}

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """One firm batch on a sheet, with what the plan says of it."""

    batch: str
    item: str
    name: str
    formula: str
    version: int
    charge: int
    measure: str  # of the charge
    planned_for: date
    status: str
    priority: int | None
    trial: bool
    cover: Cover | None  # how many lines are not covered; None where the plan does not say

    @property
    def coverage(self) -> str:
        """In a word: covered, expected, short."""
        return self.cover.told if self.cover else ""

    @property
    def in_words(self) -> str:
        """How many lines are not covered, and how."""
        if self.cover is None:
            return ""
        short, expected = self.cover
        told = [f"{short} line{'s' * (short > 1)} short"] if short else []
        told += [f"{expected} line{'s' * (expected > 1)} not here yet"] if expected else []
        return ", ".join(told) or "every line covered"


@dataclass(frozen=True, slots=True)
class Day:
    day: date
    is_open: bool
    entries: tuple[Entry, ...]
    makes: tuple[Make, ...]  # proposals that would start on it


@dataclass(frozen=True, slots=True)
class Scarce:
    """An item of which the plan finds too little on some day."""

    item: str
    name: str
    measure: str
    first_day: date
    short: int  # in all
    reason: str  # of what no proposal mends: late, life, no_offer, no_formula; "" where proposals cover it
    proposed: bool


@dataclass(frozen=True, slots=True)
class WeekSheet:
    monday: date
    today: date
    days: tuple[Day, ...]
    earlier: tuple[Entry, ...]  # firm batches of days gone by
    makes: tuple[Make, ...]
    buys: tuple[Buy, ...]
    scarce: tuple[Scarce, ...]
    names: Mapping[str, str]  # of items in proposals
    measures: Mapping[str, str]
    made: Mapping[str, str]  # what each proposal to make is of, by its id


def monday_of(day: date) -> date:
    return day - timedelta(days=day.weekday())


@kept_from_the_last
def plan_from_today(before: PlanRun | None = None) -> PlanRun:
    return services.run_plan(from_day=clock.today(), weeks=WEEKS_AHEAD, before=before)


@kept
def week_sheet(monday: date) -> WeekSheet:
    """The week that begins on this Monday, by the plan of today."""
    today, run = clock.today(), plan_from_today()
    netted, sunday = run.netted, monday + timedelta(days=6)
    entries = entries_of(netted, Q(transformation__planned_for__range=(monday, sunday)))
    earlier = entries_of(netted, Q(transformation__planned_for__lt=min(monday, today)))
    names = dict(Item.objects.filter(code__in=_proposed_items(netted)).values_list("code", "name"))
    by_day: dict[date, list[Entry]] = defaultdict(list)
    for entry in entries:
        by_day[entry.planned_for].append(entry)
    to_start: dict[date, list[Make]] = defaultdict(list)
    for row in netted.makes:
        to_start[max(today, date.fromordinal(row.start_on))].append(row)
    days = tuple(
        Day(day, day.weekday() in run.problem.open_weekdays, tuple(by_day[day]), tuple(to_start[day]))
        for day in (monday + timedelta(days=at) for at in range(7))
    )
    return WeekSheet(
        monday=monday,
        today=today,
        days=days,
        earlier=tuple(earlier),
        makes=tuple(netted.makes),
        buys=tuple(netted.buys),
        scarce=_scarce(netted),
        names=names,
        measures={item.code: item.measure for item in run.problem.items},
        made={row.id: row.item for row in netted.makes},
    )


def _proposed_items(netted: Netted) -> set[str]:
    return {row.item for row in netted.makes} | {row.item for row in netted.buys}


def entries_of(netted: Netted, which: Q) -> list[Entry]:
    """Firm batches that a condition names, in the order of service, with how the plan covers them. One query."""
    found = []
    for row in Batch.objects.filter(which, status__in=FIRM).values(
        "transformation__code", "transformation__planned_for", "version__formula__code", "version__version",
        "version__basis", "version__formula__item__code", "version__formula__item__name", "charge", "status",
        "priority", "trial",
    ):  # fmt: skip
        found.append(
            Entry(
                batch=row["transformation__code"],
                item=row["version__formula__item__code"],
                name=row["version__formula__item__name"],
                formula=row["version__formula__code"],
                version=row["version__version"],
                charge=row["charge"],
                measure=MASS if row["version__basis"] == FormulaVersion.Basis.PERCENT else "count",
                planned_for=row["transformation__planned_for"],
                status=row["status"],
                priority=row["priority"],
                trial=row["trial"],
                cover=netted.cover(row["transformation__code"]),
            )
        )
    last = 2**31
    order = {status: at for at, status in enumerate(("reserved", "started", "planned"))}
    return sorted(
        found,
        key=lambda one: (one.planned_for, order[one.status], last if one.priority is None else one.priority, one.batch),
    )


def _scarce(netted: Netted) -> tuple[Scarce, ...]:
    """Items that are short on some day of the plan, the first to run short first."""
    short: dict[str, int] = defaultdict(int)
    first: dict[str, int] = {}
    for code, day, quantity in _shortages(netted):
        short[code] += quantity
        first.setdefault(code, day)
    unmet: dict[str, str] = {}
    for lack in netted.unmet:
        unmet.setdefault(lack.item, lack.reason)
        short.setdefault(lack.item, lack.quantity)
        first.setdefault(lack.item, lack.day)
    proposed = _proposed_items(netted)
    items = {
        code: (name, measure)
        for code, name, measure in Item.objects.filter(code__in=short).values_list("code", "name", "measure")
    }
    found = [
        Scarce(
            item=code,
            name=items[code][0],
            measure=items[code][1],
            first_day=date.fromordinal(first[code]),
            short=quantity,
            reason=unmet.get(code, ""),
            proposed=code in proposed,
        )
        for code, quantity in short.items()
    ]
    return tuple(sorted(found, key=lambda one: (one.first_day, one.item)))


def _shortages(netted: Netted) -> Iterator[tuple[str, int, int]]:
    """Item, day and how much is short on it, by day."""
    needs = netted.requirements
    for place in np.flatnonzero(needs.short).tolist():
        yield needs.codes[needs.item[place]], int(needs.day[place]), int(needs.short[place])


@dataclass(frozen=True, slots=True)
class BatchShown:
    """One batch line by line; names and measures of the items that its lines name. No lines beyond the plan's days."""

    entry: Entry
    lines: Sequence[BatchLine]
    names: Mapping[str, str]
    measures: Mapping[str, str]


def batch_shown(code: str) -> BatchShown:
    """Raises NotFound where no batch that is still to be made has this number."""
    netted = plan_from_today().netted
    found = entries_of(netted, Q(transformation__code=code))
    if not found:
        raise NotFound(f"no batch {code!r} that is still to be made")
    row = netted.batch(code) if found[0].cover else None
    lines = row.lines if row else ()
    codes = {line.item for line in lines} | {one.item for line in lines for one in line.substitutes}
    items = Item.objects.filter(code__in=codes).values_list("code", "name", "measure")
    names, measures = {}, {}
    for item, name, measure in items:
        names[item], measures[item] = name, measure
    return BatchShown(found[0], lines, names, measures)


# --- what if ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Changed:
    """A batch whose coverage would be another one. ``before`` and ``after``: covered, expected, short."""

    batch: str
    item: str
    planned_for: date
    before: str
    after: str
    told: str

    @property
    def is_worse(self) -> bool:
        return RANK[self.after] > RANK[self.before]


@dataclass(frozen=True, slots=True)
class NeedChanged:
    """An item of which more or less would be short in all. Base steps."""

    item: str
    measure: str
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What a change of one batch would do. Nothing is changed until it is saved."""

    own: Entry
    batches: tuple[Changed, ...]
    needs: tuple[NeedChanged, ...]
    frees: bool  # what is set aside for it would be free again

    @property
    def is_quiet(self) -> bool:
        return not self.batches and not self.needs


def what_if(*, batch: Batch, charge: int | None, planned_for: date | None) -> WhatIf:
    """Plan as if the batch were changed, by the very act that would change it, which is then undone.

    Raises what ``change_plan`` raises.
    """
    code = batch.transformation.code
    was_reserved = batch.status == Batch.Status.RESERVED
    before = plan_from_today()
    with transaction.atomic():
        change_plan(batch=batch, charge=charge, planned_for=planned_for)
        after = plan_from_today()
        own = entries_of(after.netted, Q(transformation__code=code))[0]
        transaction.set_rollback(True)
    changed = _batches_changed(before, after, code)
    return WhatIf(own, changed, _needs_changed(before, after), was_reserved and own.status == Batch.Status.PLANNED)


def _batches_changed(before: PlanRun, after: PlanRun, own: str) -> tuple[Changed, ...]:
    """Of the batches that both plans show."""
    was, now = (
        {code: cover.told for code, cover in run.netted.covers.items() if code != own} for run in (before, after)
    )
    rows = [after.netted.batch(code) for code in was.keys() & now.keys() if was[code] != now[code]]
    found = [
        Changed(row.batch, row.item, date.fromordinal(row.planned_for), was[row.batch], row.coverage, _told(row))
        for row in rows
        if row is not None
    ]
    return tuple(sorted(found, key=lambda one: (not one.is_worse, one.planned_for, one.batch)))


def _told(row: BatchCoverage) -> str:
    items = list(dict.fromkeys(line.item for line in row.lines if line.short))
    return ", ".join(items[:6]) + (" and others" if len(items) > 6 else "")


def _needs_changed(before: PlanRun, after: PlanRun) -> tuple[NeedChanged, ...]:
    measures = {item.code: item.measure for item in after.problem.items}
    was, now = _short_of(before.netted), _short_of(after.netted)
    return tuple(
        NeedChanged(item, measures[item], was.get(item, 0), now.get(item, 0))
        for item in sorted(was.keys() | now.keys())
        if was.get(item, 0) != now.get(item, 0)
    )


def _short_of(netted: Netted) -> dict[str, int]:
    found: dict[str, int] = defaultdict(int)
    for code, _, quantity in _shortages(netted):
        found[code] += quantity
    return found
