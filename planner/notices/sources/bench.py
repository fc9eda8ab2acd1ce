"""What the bench asks for: broken reservations, the next batches with their coverage, stability pulls, upkeep."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, TypeVar

from django.db.models import Q

from inventory.errors import DomainError
from inventory.ledger import among
from inventory.models import Alert, Reservation
from inventory.services.ledger import close_alerts, demand_subject, open_alert
from inventory.transactions import write
from inventory.usability import last_day_from, plan_days_of_life
from planner.notices.days import closed_why
from planner.notices.models import Notice, Upkeep
from planner.notices.wanted import KEEP, Json, Look, Wanted, told
from planner.snapshot import FIRM
from production.models import Batch, Pull
from production.stability_selectors import limits_in_words, readings_out_of_limits
from production.waiting import failed_checks

Causes = Collection[int] | None
MOST_CLOSED = 15  # days: beyond a fortnight of closed ones nobody waits for an open one
BROKEN = ("reservation_broken", "reservation_freed", "reservation_expires")


# --- reservations ------------------------------------------------------------------------------------------


def reservations_broken(look: Look, causes: Causes) -> Iterator[Wanted]:
    """What was set aside and was rejected, held, counted away, or does not live until it is needed.

    The first three open their alerts where they happen; the last one is looked for here.
    """
    tell_reservations_outlived()
    alerts = Alert.objects.filter(kind__in=BROKEN, closed_at=None)
    if causes is not None:
        alerts = alerts.filter(pk__in=among(causes))
    columns = ("pk", "kind", "subject", "message", "facts")
    for pk, kind, holder, message, facts in alerts.order_by("pk").values_list(*columns):
        what = {"reservation_freed": "set aside stock is gone", "reservation_expires": "set aside stock expires"}
        yield Wanted(
            key=f"{kind}:{holder}",
            cause=pk,
            subject={"holder": holder},
            what=f"{holder.partition(':')[2]}: {what.get(kind, 'set aside stock is not released')}",
            why=message,
            due_on=None,
            facts={"lots": _lots_named(facts)},
        )


def _lots_named(facts: Mapping[str, Any]) -> list[str]:
    """The lots of an alert: of stock that is gone with what went, since more may go of the same."""
    if "lots" in facts:
        return sorted(facts["lots"])
    return [" ".join(str(facts[name]) for name in ("item", "lot", "quantity") if name in facts)]


def more_broken(before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    more = sorted(set(now.get("lots", ())) - set(before.get("lots", ())))
    return f"More of what is set aside is not good: {', '.join(more)}." if more else ""


def tell_reservations_outlived() -> None:
    """Open, bring up to date and close the alerts of holders whose stock expires before the day they need it."""
    outlived: dict[str, dict[str, str]] = {}
    for holder, day, item, lot, last_day in _reservations():
        if last_day is not None and last_day < day:
            outlived.setdefault(holder, {})[f"{item} {lot}"] = last_day.isoformat()
    standing = dict(Alert.objects.filter(kind="reservation_expires", closed_at=None).values_list("subject", "facts"))
    wanted = {holder: {"lots": dict(sorted(lots.items()))} for holder, lots in outlived.items()}
    changed = {holder: facts for holder, facts in sorted(wanted.items()) if standing.get(holder) != facts}
    mended = standing.keys() - wanted.keys()
    if changed or mended:
        _write_outlived(changed, mended)


@write
def _write_outlived(changed: Mapping[str, Json], mended: Collection[str]) -> None:
    for holder, facts in changed.items():
        lots = ", ".join(f"{lot} on {day}" for lot, day in facts["lots"].items())
        message = f"set aside for {holder} but expires before it is needed: {lots}"
        open_alert(kind="reservation_expires", subject=holder, message=message, facts=facts)
    close_alerts(kinds=["reservation_expires"], subjects=mended)


def _reservations() -> Iterator[tuple[str, date, str, str, date | None]]:
    """Holder, day on which it is needed, item, lot and last day of all that is set aside for what is to come."""
    columns = (
        "transformation__code", "transformation__planned_for", "demand_id", "portion__opened_on",
        "portion__lot__number", "portion__lot__received_on", "portion__lot__expires_on", "portion__lot__item__code",
        "portion__lot__item__shelf_life_days", "portion__lot__item__shelf_life_hours",
        "portion__lot__item__opened_life_days",
    )  # fmt: skip
    rows = Reservation.objects.filter(Q(demand__isnull=False) | Q(transformation__batch__status__in=FIRM[:2]))
    demands = {
        row.demand_id: row.demand
        for row in Reservation.objects.filter(demand__isnull=False).select_related("demand__customer", "demand__item")
    }
    for row in rows.order_by("pk").values(*columns).iterator():
        life = plan_days_of_life(
            row["portion__lot__item__shelf_life_days"], row["portion__lot__item__shelf_life_hours"]
        )
        last_day = last_day_from(
            row["portion__lot__expires_on"],
            row["portion__lot__received_on"],
            life,
            row["portion__opened_on"],
            row["portion__lot__item__opened_life_days"],
        )
        demand = demands.get(row["demand_id"])
        holder = demand_subject(demand) if demand is not None else f"batch:{row['transformation__code']}"
        day = demand.due_on if demand is not None else row["transformation__planned_for"]
        yield holder, day, row["portion__lot__item__code"], row["portion__lot__number"], last_day


# --- batches -----------------------------------------------------------------------------------------------


def batches_coming(look: Look, causes: Causes) -> Iterator[Wanted]:
    """The batches up to the next open day, told on the open day before; those of a day that passed are overdue.

    Open is neither a weekday on which the workshop is closed nor a holiday; a batch on a closed day says so.
    """
    days_ahead = next((days for days in range(1, MOST_CLOSED) if _is_open(look, look.today, days)), 1)
    batches = Batch.objects.filter(
        status__in=FIRM[:2], transformation__planned_for__lte=look.today + timedelta(days=days_ahead)
    )
    if causes is not None:
        batches = batches.filter(pk__in=among(causes))
    columns = ("pk", "transformation__code", "transformation__planned_for", "transformation__item__code")
    rows = list(batches.order_by("pk").values_list(*columns))
    coverage = _coverage(look, [code for _, code, *_ in rows])
    for pk, code, planned_for, item in rows:
        why, facts = coverage.get(code, (KEEP, {}))
        if closed := closed_sentence(look, planned_for) if why != KEEP else "":
            why, facts = why + closed, facts | {"closed": True}
        yield Wanted(
            key=f"batch_coming:{code}/{planned_for}",
            cause=pk,
            subject={"batch": code, "item": item},
            what=f"{code}: make {item} on {told(planned_for)}",
            why=why,
            due_on=planned_for,
            soon_days=(_days_before(look, planned_for),),
            facts=facts,
        )


def _is_open(look: Look, day: date, days: int) -> bool:
    return not closed_why(day + timedelta(days=days), look.country, look.open_weekdays)


def _days_before(look: Look, day: date) -> int:
    """How many days before it the open day before a day is."""
    return next((days for days in range(1, MOST_CLOSED) if _is_open(look, day, -days)), 1)


def _coverage(look: Look, codes: Sequence[str]) -> Mapping[str, tuple[str, Json]]:
    """What the plan says of batches, as sentence and facts: reckoned once a day for each, in whole looks only."""
    if not look.whole or not codes:
        return {}
    standing = Notice.objects.filter(kind="batch_coming", gone_at=None).values_list("subject", "facts")
    known = {subject["batch"] for subject, facts in standing if facts.get("on") == look.today.isoformat()}
    if known.issuperset(codes):
        return {}
    from planner.services import run_plan  # late: services and sources know of each other

    try:
        rows = run_plan(from_day=look.today, weeks=2).document()["batches"]
    except DomainError as refusal:
        said: Json = {"on": look.today.isoformat(), "coverage": None}
        return dict.fromkeys(codes, (f"The plan cannot be made: {refusal.message}", said))
    return {
        row["batch"]: (coverage_sentence(row), {"on": look.today.isoformat(), "coverage": row["coverage"]})
        for row in rows
    }


def coverage_sentence(row: Mapping[str, Any]) -> str:
    """A batch of the plan in a sentence: covered, or what is not here yet, or what is short."""
    if row["coverage"] == "covered":
        return "Everything is here."
    parts: list[str] = []
    for line in row["lines"]:
        if not line["short"].startswith("0 "):
            parts.append(f"{line['short']} of {line['item']}")
        parts += [
            f"{one['quantity']} of {line['item']} comes from {one['source']} on {one['day']}"
            for one in line["expected"]
        ]
    return f"{str(row['coverage']).capitalize()}: {'; '.join(parts)}."[:1_000]


_COVERAGES = ("covered", "expected", "short")


def less_covered(before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    was, coverage = before.get("coverage"), now.get("coverage")
    if was not in _COVERAGES or coverage not in _COVERAGES or _COVERAGES.index(coverage) <= _COVERAGES.index(was):
        return ""
    return f"It is {coverage} now, and was {was}."


# --- outside its limits ------------------------------------------------------------------------------------


def readings_out(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Pulls of studies under way with readings that count and do not meet their test: until they are looked at again
    within it, or the study is closed."""
    found = readings_out_of_limits(pulls=causes)
    for pull_id, rows in _together(found, lambda one: one.pull_id):
        first = rows[0]
        yield Wanted(
            key=f"out_of_limits:{first.study}/{first.number}",
            cause=pull_id,
            subject={"study": first.study, "pull": first.number, "item": first.item, "lot": first.lot},
            what=f"{first.study} pull {first.number}: {first.item} lot {first.lot} is outside its limits",
            why=_outside(
                [(one.test, one.value, one.unit, one.limits, f", sample {one.sample}") for one in rows],
                f"{first.when[0].upper()}{first.when[1:]}, {first.condition}",
            ),
            due_on=None,
            overdue_after_days=2,
            facts={"readings": [f"{one.test} {one.sample}" for one in rows]},
        )


def checks_failed(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Batches with a release check whose last look failed: until it passes, or their lots are decided on."""
    for batch_id, rows in _together(failed_checks(causes), lambda one: one.batch_id):
        first = rows[0]
        limits = [limits_in_words(one.low, one.high, one.expected) for one in rows]
        yield Wanted(
            key=f"check_failed:{first.batch}",
            cause=batch_id,
            subject={"batch": first.batch, "item": first.item},
            what=f"{first.batch}: {first.item} failed a release check",
            why=_outside(
                [(one.name, one.value, one.unit, limit, "") for one, limit in zip(rows, limits, strict=True)],
                "It is not released until it is decided on",
            ),
            due_on=None,
            overdue_after_days=2,
            facts={"readings": [one.name for one in rows]},
        )


T = TypeVar("T")


def _together(rows: Sequence[T], key: Callable[[T], int]) -> Iterator[tuple[int, list[T]]]:
    """The rows of one key together, in the order of their first."""
    found: dict[int, list[T]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    yield from found.items()


def _outside(readings: Sequence[tuple[str, str, str, str, str]], of: str) -> str:
    """Name, value, unit, limits and sample of each, as a sentence."""
    told_of = [
        f"{name} {value}{' ' + unit if unit else ''} ({limits}{sample})"
        for name, value, unit, limits, sample in readings
    ]
    return f"{of}: {'; '.join(told_of)}."[:1_000]


def more_out_of_limits(before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    more = sorted(set(now.get("readings", ())) - set(before.get("readings", ())))
    return f"More is outside its limits: {', '.join(more)}." if more else ""


# --- stability and upkeep ----------------------------------------------------------------------------------


def pulls(look: Look, causes: Causes) -> Iterator[Wanted]:
    """Every pull that is neither done nor missed, overdue once its window has passed. It keeps its day on a holiday."""
    rows = Pull.objects.filter(done_on=None, missed_on=None)
    if causes is not None:
        rows = rows.filter(pk__in=among(causes))
    columns = (
        "pk", "number", "due_on", "window_from", "window_to", "samples", "unit", "count", "study__code",
        "condition__name", "study__lot__number", "study__lot__item__code",
    )  # fmt: skip
    for row in rows.order_by("pk").values(*columns).iterator():
        due_on, number = row["due_on"], row["number"]
        samples = "1 sample" if row["samples"] == 1 else f"{row['samples']} samples"
        closed = closed_sentence(look, due_on)
        yield Wanted(
            key=f"stability_pull:{row['study__code']}/{number}",
            cause=row["pk"],
            subject={
                "study": row["study__code"],
                "pull": number,
                "item": row["study__lot__item__code"],
                "lot": row["study__lot__number"],
            },
            what=f"{row['study__code']} pull {number}: {row['unit']} {row['count']}, {row['condition__name']}",
            why=f"{samples} of {row['study__lot__item__code']} lot {row['study__lot__number']}, between "
            f"{told(row['window_from'])} and {told(row['window_to'])}.{closed}",
            due_on=due_on,
            overdue_after_days=(row["window_to"] - due_on).days + 1,
            facts={"closed": bool(closed)},
        )


def upkeep(look: Look, causes: Causes) -> Iterator[Wanted]:
    jobs = Upkeep.objects.filter(retired=False, next_on__isnull=False)
    if causes is not None:
        jobs = jobs.filter(pk__in=among(causes))
    for job in jobs.order_by("pk").iterator():
        assert job.next_on is not None
        closed = closed_sentence(look, job.next_on)
        yield Wanted(
            key=f"upkeep:{job.code}/{job.next_on}",
            cause=job.pk,
            subject={"upkeep": job.code},
            what=job.name,
            why=(job.note + closed).strip(),
            due_on=job.next_on,
            soon_days=(job.soon_days,) if job.soon_days else (),
            role=job.role,
            person=job.person_id,
            facts={"closed": bool(closed)},
        )


def closed_sentence(look: Look, day: date) -> str:
    """ " It falls on a closed day: ..." where the workshop is closed on that day; "" where it is open."""
    why = closed_why(day, look.country, look.open_weekdays)
    return f" It falls on a closed day: {why}." if why else ""
