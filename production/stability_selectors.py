"""Reads of stability: protocols, studies, pulls and what they showed. A fixed number of queries however many rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

from django.db.models import Count, Exists, Min, OuterRef, Q, QuerySet

from inventory.errors import BadInput, Fault, NotFound
from inventory.ledger import among
from production.models import (
    Protocol,
    ProtocolCondition,
    ProtocolTest,
    Pull,
    PullRecord,
    PullTime,
    Reading,
    Study,
    StudyCondition,
    StudyTest,
)
from production.models.stability import Unit
from production.stability_days import age_in_months, nominal_time
from production.stability_life import Life, Series, TooFew, shelf_life

Row = dict[str, Any]

PLANNED, DONE, MISSED = STATES = ("planned", "done", "missed")
_STATE_OF = {
    PLANNED: Q(done_on=None, missed_on=None),
    DONE: Q(done_on__isnull=False),
    MISSED: Q(missed_on__isnull=False),
}


def find_protocol(code: str) -> Protocol:
    protocol = Protocol.objects.filter(code=code).first()
    if protocol is None:
        raise NotFound(f"no protocol {code!r}")
    return protocol


def find_study(code: str) -> Study:
    """A study with its lot and item."""
    study = Study.objects.select_related("lot__item", "protocol").filter(code=code).first()
    if study is None:
        raise NotFound(f"no study {code!r}")
    return study


def find_pull(study: str, number: int) -> Pull:
    """A pull with its condition, study, lot and item."""
    pull = Pull.objects.select_related("condition", "study__lot__item").filter(study__code=study, number=number).first()
    if pull is None:
        raise NotFound(f"study {study!r} has no pull {number}")
    return pull


# --- what is due -------------------------------------------------------------------------------------------


class DuePull(NamedTuple):
    """A planned pull, with all that a notice says of it. ``when`` is its nominal time, such as "week 12"."""

    pull_id: int
    study: str
    number: int
    item: str
    item_name: str
    lot: str
    lot_status: str
    protocol: str
    condition: str
    when: str
    due_on: date
    window_from: date
    window_to: date
    samples: int

    def is_overdue(self, on: date) -> bool:
        """Whether its window has passed."""
        return self.window_to < on


def pulls_due(*, from_day: date | None = None, to_day: date) -> list[DuePull]:
    """The planned pulls due from one day (or ever) to another, both included, by day, study and number. One query.

    Pulls of closed studies are never among them: closing leaves none planned.
    """
    pulls = Pull.objects.filter(_STATE_OF[PLANNED], due_on__lte=to_day)
    if from_day is not None:
        pulls = pulls.filter(due_on__gte=from_day)
    return due_pulls(pulls)


def due_pulls(pulls: QuerySet[Pull]) -> list[DuePull]:
    """These pulls as a notice names them, by day, study and number. One query."""
    rows = pulls.order_by("due_on", "study__code", "number").values_list(
        "pk", "study__code", "number", "study__lot__item__code", "study__lot__item__name", "study__lot__number",
        "study__lot__status", "study__protocol__code", "condition__name", "unit", "count", "due_on", "window_from",
        "window_to", "samples",
    )  # fmt: skip
    return [DuePull(*row[:9], nominal_time(row[9], row[10]), *row[11:]) for row in rows]


class OutOfLimits(NamedTuple):
    """A reading that does not meet its test, on a study that is under way. ``limits`` says in words what it asks."""

    study: str
    number: int
    item: str
    lot: str
    condition: str
    when: str
    done_on: date | None
    test: str
    unit: str
    sample: int
    value: str
    low: Decimal | None
    high: Decimal | None
    expected: str
    pull_id: int

    @property
    def limits(self) -> str:
        return limits_in_words(self.low, self.high, self.expected)


def limits_in_words(low: Decimal | None, high: Decimal | None, expected: str) -> str:
    """ "4.5 to 6.5", "at least 4.5", "at most 6.5", or the answer that is expected."""
    shown = [None if limit is None else f"{limit:f}".rstrip("0").rstrip(".") for limit in (low, high)]
    if None not in shown:
        return f"{shown[0]} to {shown[1]}"
    if shown[0] is not None:
        return f"at least {shown[0]}"
    return f"at most {shown[1]}" if shown[1] is not None else expected or "yes"


def readings_out_of_limits(study: str | None = None, *, pulls: Collection[int] | None = None) -> list[OutOfLimits]:
    """What counts and is out of its limits, of studies under way (or of the one named, closed too). One query.

    ``pulls`` are the keys of those looked at; all where they are not given.

    A sample looked at again counts by its last reading alone; a pull opened again by none.
    """
    readings = counting_readings().filter(passed=False)
    if study is None:
        readings = readings.filter(pull__study__status=Study.Status.UNDER_WAY)
    else:
        readings = readings.filter(pull__study__code=study)
    if pulls is not None:
        readings = readings.filter(pull__in=among(pulls))
    rows = readings.order_by("pull__study__code", "pull__number", "test__position", "sample").values_list(
        "pull__study__code", "pull__number", "pull__study__lot__item__code", "pull__study__lot__number",
        "pull__condition__name", "pull__unit", "pull__count", "pull__done_on", "test__name", "test__unit", "sample",
        "value", "test__low", "test__high", "test__expected", "pull_id",
    )  # fmt: skip
    return [_out_of_limits(*row) for row in rows]


def _out_of_limits(*row: Any) -> OutOfLimits:
    return OutOfLimits._make([*row[:5], nominal_time(row[5], row[6]), *row[7:]])


def counting_readings() -> QuerySet[Reading]:
    """The readings that count: the last of each sample and test, of pulls that were not opened again since."""
    later = Reading.objects.filter(
        pull=OuterRef("pull"), test=OuterRef("test"), sample=OuterRef("sample"), withdrawn=False, pk__gt=OuterRef("pk")
    )
    return Reading.objects.filter(~Exists(later), withdrawn=False)


# --- protocols in columns ----------------------------------------------------------------------------------

PROTOCOL_COLUMNS = ("pk", "code", "name", "samples_per_pull", "retired")
CONDITION_COLUMNS = ("name", "temperature_c", "humidity_percent", "cycle_to_c", "cycle_days")
TEST_COLUMNS = ("name", "unit", "low", "high", "expected")
TIME_COLUMNS = ("unit", "count", "days_before", "days_after")
_UNIT_ORDER = {Unit.WEEK: 0, Unit.MONTH: 1, Unit.CYCLE: 2}


class Contents(NamedTuple):
    """What protocols or studies hold, by their ids."""

    conditions: dict[int, list[Row]]
    tests: dict[int, list[Row]]
    times: dict[int, list[Row]]


def contents_of_protocols(ids: Iterable[int]) -> Contents:
    """Conditions and tests by position, times in weeks, months, cycles. Three queries."""
    ids = list(ids)
    times = _grouped(PullTime.objects.filter(protocol__in=among(ids)).order_by("count"), "protocol", TIME_COLUMNS)
    for rows in times.values():
        rows.sort(key=lambda row: _UNIT_ORDER[row["unit"]])
    return Contents(
        _grouped(_by_position(ProtocolCondition, "protocol", ids), "protocol", CONDITION_COLUMNS),
        _grouped(_by_position(ProtocolTest, "protocol", ids), "protocol", TEST_COLUMNS),
        times,
    )


def contents_of_study(study_id: int) -> Contents:
    """What a study began with. Two queries."""
    return Contents(
        _grouped(_by_position(StudyCondition, "study", [study_id]), "study", CONDITION_COLUMNS),
        _grouped(_by_position(StudyTest, "study", [study_id]), "study", TEST_COLUMNS),
        {},
    )


def _by_position(model: Any, owner: str, ids: Sequence[int]) -> QuerySet[Any]:
    rows: QuerySet[Any] = model.objects.filter(**{f"{owner}__in": among(ids)}).order_by("position")
    return rows


def _grouped(rows: QuerySet[Any], owner: str, columns: Sequence[str]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = defaultdict(list)
    for row in rows.values(owner, *columns):
        found[row.pop(owner)].append(row)
    return found


# --- studies in columns ------------------------------------------------------------------------------------

STUDY_COLUMNS = (
    "pk", "code", "lot__item__code", "lot__item__measure", "lot__number", "protocol__code", "version__formula__code",
    "version__version", "started_on", "status", "samples_per_pull", "sample_quantity", "event__uid",
    "event__corrected_by", "started_by__username", "closed_on", "closed_by__username", "conclusion",
    "proposed_life_days", "life_basis",
)  # fmt: skip
PULL_COLUMNS = (
    "pk", "study__code", "study__lot__item__code", "study__lot__number", "number", "condition__name", "unit", "count",
    "due_on", "window_from", "window_to", "samples", "done_on", "done_by__username", "missed_on",
    "missed_by__username", "missed_why",
)  # fmt: skip
READING_COLUMNS = (
    "pk", "pull", "test__name", "test__unit", "sample", "value", "passed", "withdrawn", "who__username", "recorded_at",
)  # fmt: skip
RECORD_COLUMNS = ("kind", "on", "why", "who__username", "recorded_at")


class PullCounts(NamedTuple):
    """Of one study: how many pulls stand how, the next planned day, and readings out of limits."""

    planned: int
    done: int
    missed: int
    next_due_on: date | None
    out_of_limits: int


def pull_counts(study_ids: Iterable[int]) -> dict[int, PullCounts]:
    """The counts of these studies, by id. Two queries."""
    ids = list(study_ids)
    out = dict(
        counting_readings()
        .filter(passed=False, pull__study__in=among(ids))
        .values_list("pull__study")
        .annotate(many=Count("pk"))
        .order_by()
    )
    found = {pk: PullCounts(0, 0, 0, None, out.get(pk, 0)) for pk in ids}
    rows = Pull.objects.filter(study__in=among(ids)).values_list("study").order_by()
    for pk, planned, done, missed, due in rows.annotate(
        planned=Count("pk", filter=_STATE_OF[PLANNED]),
        done=Count("pk", filter=_STATE_OF[DONE]),
        missed=Count("pk", filter=_STATE_OF[MISSED]),
        due=Min("due_on", filter=_STATE_OF[PLANNED]),
    ):
        found[pk] = PullCounts(planned, done, missed, due, out.get(pk, 0))
    return found


def studies(
    *, protocol: Protocol | None = None, item: Any = None, number: str | None = None, status: str | None = None
) -> QuerySet[Study]:
    found = Study.objects.all()
    if protocol is not None:
        found = found.filter(protocol=protocol)
    if item is not None:
        found = found.filter(lot__item=item)
    if number is not None:
        found = found.filter(lot__number=number)
    if status is not None:
        found = found.filter(status=status)
    return found


def pulls(
    *,
    study: Study | None = None,
    state: str | None = None,
    due_from: date | None = None,
    due_to: date | None = None,
    overdue: bool | None = None,
    out_of_limits: bool | None = None,
    on: date,
) -> QuerySet[Pull]:
    """Pulls of one study or all: in a state, due on days from one to another; overdue on a day, or with a reading that
    counts and is out of its limits (or not, where that is asked)."""
    found = Pull.objects.all() if study is None else Pull.objects.filter(study=study)
    if state is not None:
        found = found.filter(_STATE_OF[state])
    if due_from is not None:
        found = found.filter(due_on__gte=due_from)
    if due_to is not None:
        found = found.filter(due_on__lte=due_to)
    if overdue is not None:
        is_overdue = _STATE_OF[PLANNED] & Q(window_to__lt=on)
        found = found.filter(is_overdue if overdue else ~is_overdue)
    if out_of_limits is not None:
        is_out = Exists(counting_readings().filter(passed=False, pull=OuterRef("pk")))
        found = found.filter(is_out if out_of_limits else ~is_out)
    return found


def readings_of(pull_ids: Iterable[int]) -> dict[int, list[Row]]:
    """Every reading of these pulls by pull id, tests in their order, first to last, as READING_COLUMNS.

    ``counts`` says whether it is the last of its sample and not withdrawn. One query.
    """
    found: dict[int, list[Row]] = {pk: [] for pk in pull_ids}
    rows = Reading.objects.filter(pull__in=among(found)).order_by("pull", "test__position", "sample", "pk")
    for row in rows.values(*READING_COLUMNS):
        earlier = found[row["pull"]]
        row["counts"] = not row["withdrawn"]
        if row["counts"]:
            for one in reversed(earlier):
                if (one["test__name"], one["sample"]) != (row["test__name"], row["sample"]):
                    break
                one["counts"] = False
        earlier.append(dict(row))
    return found


def records_of(pull_id: int) -> list[Row]:
    """What was said of a pull, first to last, as RECORD_COLUMNS. One query."""
    return [dict(row) for row in PullRecord.objects.filter(pull=pull_id).order_by("pk").values(*RECORD_COLUMNS)]


# --- shelf life --------------------------------------------------------------------------------------------


class LifeOfStudies(NamedTuple):
    """The evaluation, the limits it was made against, and how many readings each study gave, by its code."""

    life: Life
    low: Decimal | None
    high: Decimal | None
    unit: str
    readings: dict[str, int]


def life_of_studies(
    chosen: Sequence[Study],
    *,
    test: str,
    condition: str,
    low: Decimal | None = None,
    high: Decimal | None = None,
) -> LifeOfStudies:
    """The shelf life by ICH Q1E from what a test showed at one condition, in studies of lots of one item.

    A sample's age is that of its real day. The limits are the test's own, which must agree, unless they are given.
    Raises BadInput for studies of several items, a test or condition that one of them has not, and readings that do not
    suffice. Four queries.
    """
    if len({study.lot.item_id for study in chosen}) > 1:
        codes = " and ".join(sorted({study.lot.item.code for study in chosen}))
        raise BadInput("the lots are of several items", faults=[Fault("study", codes, "studies of one item")])
    tests = StudyTest.objects.filter(study__in=[study.pk for study in chosen], name=test)
    by_study = {row.study_id: row for row in tests}
    _check_all_have(chosen, by_study, "test", test)
    own = StudyCondition.objects.filter(study__in=[study.pk for study in chosen], name=condition)
    _check_all_have(chosen, dict.fromkeys(own.values_list("study", flat=True)), "condition", condition)
    if low is None and high is None:
        limits = {(row.low, row.high) for row in by_study.values()}
        if len(limits) > 1 or limits == {(None, None)}:
            why = "the studies have different ones" if len(limits) > 1 else "the test has none"
            raise BadInput(f"say the limits: {why}", faults=[Fault("low", "", "low, high or both")])
        ((low, high),) = limits
    values = _values_of(chosen, test, condition)
    series = [
        Series(study.code, [age for age, _ in values[study.pk]], [value for _, value in values[study.pk]])
        for study in chosen
    ]
    try:
        life = shelf_life(series, low=None if low is None else float(low), high=None if high is None else float(high))
    except TooFew as error:
        raise BadInput(
            f"the readings do not suffice: {error}", code="too_few", faults=[Fault("test", test, str(error))]
        ) from None
    units = {row.unit for row in by_study.values()}
    return LifeOfStudies(
        life, low, high, units.pop() if len(units) == 1 else "", {one.name: len(one.values) for one in series}
    )


def _check_all_have(chosen: Sequence[Study], having: Any, field: str, name: str) -> None:
    missing = [study.code for study in chosen if study.pk not in having]
    if missing:
        fault = Fault(field, name, f"a {field} of every study")
        raise BadInput(f"no {field} {name!r} in {', '.join(missing)}", faults=[fault])


def _values_of(chosen: Sequence[Study], test: str, condition: str) -> dict[int, list[tuple[float, float]]]:
    """Ages in months and values by study id, of the readings that count. Raises BadInput for one that is no number."""
    started = {study.pk: study.started_on for study in chosen}
    found: dict[int, list[tuple[float, float]]] = {pk: [] for pk in started}
    rows = (
        counting_readings()
        .filter(pull__study__in=list(started), test__name=test, pull__condition__name=condition)
        .order_by("pull__number", "sample")
        .values_list("pull__study", "pull__done_on", "value")
    )
    for study, done_on, text in rows:
        try:
            value = Decimal(text)
        except InvalidOperation:
            value = Decimal("NaN")
        if not value.is_finite():
            raise BadInput(
                f"{test}: {text!r} is no number", code="not_numbers", faults=[Fault("test", test, "a test of numbers")]
            )
        if done_on is not None:
            found[study].append((age_in_months(started[study], done_on), float(value)))
    return found
