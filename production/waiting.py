"""Lots that wait for somebody's word, with what is known of each. Reads only, a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q, QuerySet, Sum

from inventory import clock
from inventory.ledger import among
from inventory.models import Item, Lot, LotDecision, Portion
from inventory.usability import lot_last_day_of, retest_day_from
from production.models import Batch, Check, CheckResult

MOST = 100  # of each kind: who decides on these sees the next
RETEST_AHEAD_DAYS = 14


@dataclass(frozen=True, slots=True)
class Looked:
    """A release check of the lot's batch; ``passed`` is None where nobody looked."""

    name: str
    value: str
    passed: bool | None


@dataclass(frozen=True, slots=True)
class Waiting:
    """``on_hand`` in base steps, what is set apart aside. ``why`` is the reason of the last decision on it."""

    lot: Lot
    on_hand: int
    last_day: date | None
    batch: str
    formula: str
    looked: tuple[Looked, ...]
    why: str
    since: date
    overdue: bool  # its item's days for a decision have passed

    @property
    def in_words(self) -> str:
        """What its checks say."""
        if not self.looked:
            return "no checks are written down for it" if self.batch else ""
        failed = [one.name for one in self.looked if one.passed is False]
        blank = [one.name for one in self.looked if one.passed is None]
        told = [f"outside its limits: {', '.join(failed)}"] if failed else []
        told += [f"not looked at: {', '.join(blank)}"] if blank else []
        return "; ".join(told) or "every check passed"


def lots_waiting(status: str) -> list[Waiting]:
    """Lots of a status of which something is here, the longest waiting first, at most ``MOST``. Five queries."""
    return _waiting(list(_here().filter(status=status).order_by("received_on", "pk")[:MOST]))


def lots_to_retest() -> list[Waiting]:
    """Released lots whose retest day has come or comes within two weeks, the earliest first, at most ``MOST``."""
    soon = clock.today() + timedelta(days=RETEST_AHEAD_DAYS)
    # As in ``retest_day_from``: there are few numbers of days, so each is asked for by its own latest day.
    due = Q(retest_on__lte=soon)
    for days in Item.objects.filter(retest_days__isnull=False).values_list("retest_days", flat=True).distinct():
        assert days is not None  # as it was asked for
        due |= Q(retest_on=None, item__retest_days=days, received_on__lte=soon - timedelta(days=days))
    released = _here().filter(due, status=Lot.Status.RELEASED)
    keys = [
        (retest_day_from(*row[1:]), row[0])
        for row in released.values_list("pk", "retest_on", "received_on", "item__retest_days")
    ]
    first = [pk for _, pk in sorted(keys)[:MOST]]
    found = _here().in_bulk(first)
    return _waiting([found[pk] for pk in first])


def _here() -> QuerySet[Lot]:
    """Lots of which something is here."""
    here = Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0)
    return Lot.objects.select_related("item", "supplier", "transformation").filter(Exists(here))


def set_apart() -> list[Portion]:
    """Portions that wait for a decision of their own, by item and lot."""
    rows = Portion.objects.select_related("lot__item").filter(set_apart=True, on_hand__gt=0)
    return list(rows.order_by("lot__item__code", "lot__number", "pk")[:MOST])


class FailedCheck(NamedTuple):
    """A release check whose last look failed, of a batch that is on the bench or whose lot waits for a decision."""

    batch_id: int
    batch: str
    item: str
    name: str
    value: str
    unit: str
    low: Decimal | None
    high: Decimal | None
    expected: str


def failed_checks(batches: Collection[int] | None = None) -> list[FailedCheck]:
    """Release checks that failed and wait for a decision, by batch and check; of these batches or of all. One query.

    A check that was looked at again counts by its last look. Trials are left out: they are never released.
    """
    undecided = (Lot.Status.QUARANTINE, Lot.Status.HELD)
    waiting = Lot.objects.filter(status__in=undecided, portions__on_hand__gt=0, transformation__isnull=False)
    at_work = Q(status=Batch.Status.STARTED) | Q(pk__in=waiting.values("transformation"))
    concerned = Batch.objects.filter(at_work, trial=False)
    if batches is not None:
        concerned = concerned.filter(pk__in=among(batches))
    rows = _last_failed(concerned.values("pk")).values_list(
        "batch_id", "batch__transformation__code", "batch__transformation__item__code", "check_of__name", "value",
        "check_of__unit", "check_of__low", "check_of__high", "check_of__expected",
    )  # fmt: skip
    return [FailedCheck(*row) for row in rows]


def _last_failed(batches: Any) -> QuerySet[CheckResult]:
    """Last looks at release checks that failed, by batch and check."""
    later = CheckResult.objects.filter(batch=OuterRef("batch"), check_of=OuterRef("check_of"), pk__gt=OuterRef("pk"))
    failed = CheckResult.objects.filter(
        ~Exists(later), batch__in=batches, passed=False, check_of__stage=Check.Stage.RELEASE
    )
    return failed.order_by("batch_id", "check_of_id")


def failed_checks_of_lots(lot_ids: Collection[int]) -> dict[int, list[str]]:
    """By lot, the release checks of its batch whose last look failed: "pH showed 5.8". Two queries."""
    made = dict(
        Lot.objects.filter(pk__in=among(lot_ids), transformation__isnull=False).values_list("pk", "transformation")
    )
    told: dict[int, list[str]] = defaultdict(list)
    for batch_id, name, value, unit in _last_failed(among(made.values())).values_list(
        "batch_id", "check_of__name", "value", "check_of__unit"
    ):
        told[batch_id].append(f"{name} showed {value} {unit}".strip())
    return {lot: told[batch] for lot, batch in made.items() if batch in told}


def _waiting(lots: list[Lot]) -> list[Waiting]:
    keys = [lot.pk for lot in lots]
    sums = Portion.objects.filter(lot__in=keys, on_hand__gt=0).values_list("lot").annotate(Sum("on_hand")).order_by()
    on_hand = dict(sums)
    whys: dict[int, tuple[str, date]] = {}
    decisions = LotDecision.objects.filter(lot__in=keys).order_by("pk")
    for lot_id, why, at in decisions.values_list("lot_id", "why", "decided_at"):
        whys[lot_id] = (why, clock.day_of(at))
    batches = _batches_of(lots)
    today = clock.today()
    found = []
    for lot in lots:
        batch, formula, looked = batches.get(lot.transformation_id or 0, ("", "", ()))
        why, since = whys.get(lot.pk, ("", lot.received_on or today))
        found.append(
            Waiting(
                lot=lot,
                on_hand=on_hand.get(lot.pk, 0),
                last_day=lot_last_day_of(lot, lot.item),
                batch=batch,
                formula=formula,
                looked=looked,
                why=why,
                since=since,
                overdue=lot.status == Lot.Status.QUARANTINE and since + timedelta(days=lot.item.release_days) < today,
            )
        )
    return found


def _batches_of(lots: Iterable[Lot]) -> dict[int, tuple[str, str, tuple[Looked, ...]]]:
    """By transformation: the batch, its formula, and its release checks with their last look."""
    makings = [lot.transformation_id for lot in lots if lot.transformation_id]
    rows = Batch.objects.filter(pk__in=makings).values_list(
        "pk", "transformation__code", "version__formula__code", "version__version", "version_id"
    )
    named = {pk: (code, f"{formula} version {number}", version) for pk, code, formula, number, version in rows}
    checks: dict[int, list[dict[str, Any]]] = defaultdict(list)
    wanted = Check.objects.filter(version__in={one[2] for one in named.values()}, stage=Check.Stage.RELEASE)
    for check in wanted.order_by("pk").values("pk", "version_id", "name"):
        checks[check["version_id"]].append(dict(check))
    last: dict[tuple[int, int], tuple[str, bool | None]] = {}
    results = CheckResult.objects.filter(batch__in=named).order_by("pk")
    for batch, check_pk, value, passed in results.values_list("batch_id", "check_of_id", "value", "passed"):
        last[batch, check_pk] = (value, passed)
    return {
        pk: (
            code,
            formula,
            tuple(Looked(one["name"], *last.get((pk, one["pk"]), ("", None))) for one in checks[version]),
        )
        for pk, (code, formula, version) in named.items()
    }
