"""Stability: protocols, studies of one lot, their dated pulls, and what the readings say of a shelf life."""

from __future__ import annotations

from datetime import date
from decimal import ROUND_FLOOR, Decimal
from typing import Any

from django.urls import path
from rest_framework.request import Request

from inventory import clock
from inventory.api import fields
from inventory.api.frame import (
    Answer,
    Form,
    Json,
    Lines,
    View,
    answer_of,
    lists,
    named,
    quantity_of,
    reads,
    refused,
    shown,
    writes,
)
from inventory.api.pages import Listing
from inventory.errors import Fault, NotFound
from inventory.models import Item, Lot, Portion
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import COUNT, show_quantity
from inventory.selectors import find_item, find_portion, get_lot
from production import stability_selectors as selectors
from production.api.batches import named_version
from production.api.formulas import POSITIONS
from production.models import Protocol, Pull, Study
from production.models.stability import Unit
from production.services import stability as services
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec, ReadingSpec, StabilityTestSpec
from production.stability_days import usual_window_days
from production.stability_life import APART, CONFIDENCE, ONE_LINE, ONE_SLOPE

UNITS = tuple(Unit.values)
STATUSES = tuple(Study.Status.values)
EARLY, IN_TIME, LATE = TIMINGS = ("early", "in_time", "late")
LIMIT = ("-1000000000", "1000000000", 4)
DEGREES = ("-100", "200", 1)

# Common practice where it names no source; said with every answer.
CAUTION = (
    "This is arithmetic, no safety assessment: a qualified safety assessor decides on the life of a product, with its "
    "preservation, its pack and its use before the eye. It changes no item."
)
FEW_LOTS = "ICH Q1E asks for three lots at least."
BEYOND = "The figure reaches beyond the oldest reading: what nobody has looked at is a guess of the line."


# --- forms -------------------------------------------------------------------------------------------------


class ConditionForm(Form):
    """How samples stand. With ``cycle_days`` they go between ``temperature_c`` and ``cycle_to_c``, back and forth in so
    many days, and are looked at after the times in cycles; without it after weeks and months."""

    condition = fields.Text(CODE_LENGTH)
    temperature_c = fields.Number(*DEGREES, required=False, allow_null=True)
    humidity_percent = fields.Whole(0, 100, required=False, allow_null=True)
    cycle_to_c = fields.Number(*DEGREES, required=False, allow_null=True)
    cycle_days = fields.Whole(1, services.MOST_CYCLE_DAYS, required=False, allow_null=True)


class PullTimeForm(Form):
    """The window is two days either side to week 4 and for cycles, seven later, where it is left out."""

    unit = fields.Choice(*UNITS)
    count = fields.Whole(0, max(services.MOST_OF.values()))
    days_before = fields.Whole(0, services.MOST_WINDOW_DAYS, required=False)
    days_after = fields.Whole(0, services.MOST_WINDOW_DAYS, required=False)


class StabilityTestForm(Form):
    """Within limits, by an expected answer, or only written down where neither is given."""

    test = fields.Text()
    unit = fields.Text(40, required=False, blank=True)
    low = fields.Number(*LIMIT, required=False, allow_null=True)
    high = fields.Number(*LIMIT, required=False, allow_null=True)
    expected = fields.Text(required=False, blank=True)


class ProtocolForm(Form):
    """The whole content of a protocol. ``samples_per_pull`` is of each condition, 1 where it is left out. By a
    ``retired`` one no study starts."""

    name = fields.Text()
    samples_per_pull = fields.Whole(1, services.MOST_SAMPLES, required=False)
    conditions = Lines(child=ConditionForm(), most=50)
    pull_times = Lines(child=PullTimeForm(), most=100)
    tests = Lines(child=StabilityTestForm(), most=100, allow_empty=True, required=False)
    retired = fields.Flag(required=False)


class NewProtocol(ProtocolForm):
    protocol = fields.Code()


class ProtocolFilters(Form):
    retired = fields.Flag(required=False)


class NewStudy(Form):
    """``study`` is proposed, ``started_on`` is today where they are left out. ``sample`` is the quantity of one sample:
    one piece for what is counted, needed for what is weighed. ``place`` and ``container`` name the portion to take
    from, else it is the whole lot. ``formula`` says whose checks count for a lot that no batch here made.
    ``already_sampled``: the samples were taken before these books began, and no stock moves."""

    study = fields.Code(required=False)
    item = fields.Code(refers_to="items")
    lot = fields.Code()
    protocol = fields.Code(refers_to="protocols")
    sample = fields.Quantity(required=False)
    started_on = fields.Day(required=False, allow_null=True)
    place = fields.Text(CODE_LENGTH, required=False, blank=True)
    container = fields.Text(CODE_LENGTH, required=False, blank=True)
    formula = fields.Code(required=False, refers_to="formulas")
    version = fields.Whole(*POSITIONS, required=False)
    already_sampled = fields.Flag(required=False)


class StudyFilters(Form):
    """``lot`` is our number."""

    item = fields.Code(required=False)
    lot = fields.Code(required=False)
    protocol = fields.Code(required=False)
    status = fields.Choice(*STATUSES, required=False)


class StudyClose(Form):
    """``conclusion`` is the word of quality. A proposed life says on what it rests."""

    conclusion = fields.LongText()
    proposed_life_days = fields.Days(required=False, allow_null=True)
    life_basis = fields.Text(WHY_LENGTH, required=False, blank=True)
    closed_on = fields.Day(required=False, allow_null=True)


class PullFilters(Form):
    """``overdue`` are those planned whose window has passed; ``out_of_limits`` those with a reading that is."""

    state = fields.Choice(*selectors.STATES, required=False)
    due_from = fields.Day(required=False)
    due_to = fields.Day(required=False)
    overdue = fields.Flag(required=False)
    out_of_limits = fields.Flag(required=False)


class ReadingForm(Form):
    """``sample`` says which of the pull's samples was looked at: the first, where it is left out."""

    test = fields.Text()
    value = fields.Text()
    sample = fields.Whole(1, services.MOST_SAMPLES, required=False)


class PullDone(Form):
    """``done_on`` is the real day, today where it is left out."""

    done_on = fields.Day(required=False, allow_null=True)
    readings = Lines(child=ReadingForm(), allow_empty=True, required=False)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class PullReadings(Form):
    readings = Lines(child=ReadingForm())


class PullWhy(Form):
    why = fields.Text(WHY_LENGTH)


class LifeFilters(Form):
    """Studies of lots of one item. The limits are the test's own where neither is given."""

    study = fields.ListOf(fields.Code(), most=50, allow_empty=False)
    test = fields.Text()
    condition = fields.Text(CODE_LENGTH)
    low = fields.Number(*LIMIT, required=False)
    high = fields.Number(*LIMIT, required=False)


# --- answers -----------------------------------------------------------------------------------------------

ConditionAnswer = answer_of(ConditionForm, "StabilityCondition")
PullTimeAnswer = answer_of(PullTimeForm, "PullTime")
StabilityTestAnswer = answer_of(StabilityTestForm, "StabilityTest")
ProtocolAnswer = answer_of(
    NewProtocol,
    "Protocol",
    without=["conditions", "pull_times", "tests"],
    conditions=ConditionAnswer(many=True),
    pull_times=PullTimeAnswer(many=True),
    tests=StabilityTestAnswer(many=True),
)


class StudyRow(Answer):
    """``samples_event`` took the samples out of stock: null where they were taken before the books began. ``planned``,
    ``done`` and ``missed`` count pulls, ``out_of_limits`` readings. A conclusion is there once it is closed."""

    study = fields.Code()
    item = fields.Code()
    lot = fields.Code()
    protocol = fields.Code()
    formula = fields.Code(allow_null=True)
    version = fields.Whole(*POSITIONS, allow_null=True)
    started_on = fields.Day()
    started_by = fields.Text(150, allow_null=True)
    status = fields.Choice(*STATUSES)
    samples_per_pull = fields.Whole(1, services.MOST_SAMPLES)
    sample = fields.Quantity()
    samples_event = fields.Uid(allow_null=True)
    samples_put_back = fields.Flag()
    planned = fields.Whole(0, services.MOST_PULLS)
    done = fields.Whole(0, services.MOST_PULLS)
    missed = fields.Whole(0, services.MOST_PULLS)
    next_due_on = fields.Day(allow_null=True)
    out_of_limits = fields.Whole(0, 2**31 - 1)
    closed_on = fields.Day(allow_null=True)
    closed_by = fields.Text(150, allow_null=True)
    conclusion = fields.LongText(blank=True)
    proposed_life_days = fields.Days(allow_null=True)
    life_basis = fields.Text(WHY_LENGTH, blank=True)


class PullRow(Answer):
    """``timing`` says of a pull that is done whether its real day was within the window; null for others."""

    study = fields.Code()
    pull = fields.Whole(*POSITIONS)
    item = fields.Code()
    lot = fields.Code()
    condition = fields.Text(CODE_LENGTH)
    unit = fields.Choice(*UNITS)
    count = fields.Whole(0, max(services.MOST_OF.values()))
    due_on = fields.Day()
    window_from = fields.Day()
    window_to = fields.Day()
    samples = fields.Whole(1, services.MOST_SAMPLES)
    state = fields.Choice(*selectors.STATES)
    overdue = fields.Flag()
    done_on = fields.Day(allow_null=True)
    done_by = fields.Text(150, allow_null=True)
    timing = fields.Choice(*TIMINGS, allow_null=True)
    missed_on = fields.Day(allow_null=True)
    missed_by = fields.Text(150, allow_null=True)
    missed_why = fields.Text(WHY_LENGTH, blank=True)


class StudyAnswer(StudyRow):
    """With what it holds from its start on: conditions, tests, and pulls by number."""

    conditions = ConditionAnswer(many=True)
    tests = StabilityTestAnswer(many=True)
    pulls = PullRow(many=True)


class StabilityReadingAnswer(Answer):
    """``passed`` is null for a test without limits and expected answer. ``counts`` is no for one that was looked at
    again since, and for those of a pull that was opened again."""

    test = fields.Text()
    unit = fields.Text(40, blank=True)
    sample = fields.Whole(1, services.MOST_SAMPLES)
    value = fields.Text()
    passed = fields.Flag(allow_null=True)
    counts = fields.Flag()
    who = fields.Text(150, allow_null=True)
    recorded_at = fields.Instant()


class PullRecordAnswer(Answer):
    """What was said of the pull, one after the other."""

    kind = fields.Choice("done", "missed", "reopened")
    on = fields.Day()
    why = fields.Text(WHY_LENGTH, blank=True)
    who = fields.Text(150, allow_null=True)
    recorded_at = fields.Instant()


class PullAnswer(PullRow):
    """With its readings, tests in their order, and what was said of it."""

    readings = StabilityReadingAnswer(many=True)
    records = PullRecordAnswer(many=True)


class LifeLineAnswer(Answer):
    """The straight line of one lot; ``study`` is null where one line stands for all. ``months`` is null where its bound
    never meets a limit."""

    study = fields.Code(allow_null=True)
    intercept = fields.Number("-1e15", "1e15", 9)
    slope_per_month = fields.Number("-1e15", "1e15", 9)
    months = fields.Number("0", "1200", 2, allow_null=True)


class StudyReadingsAnswer(Answer):
    study = fields.Code()
    lot = fields.Code()
    readings = fields.Whole(0, 2**31 - 1)


class LifeAnswer(Answer):
    """``months`` is where the bound of the mean line meets a limit, null where it never does. ``sides`` is two where
    both limits count. p-values compare the lots, null where there is nothing to compare."""

    item = fields.Code()
    test = fields.Text()
    unit = fields.Text(40, blank=True)
    condition = fields.Text(CODE_LENGTH)
    low = fields.Number(*LIMIT, allow_null=True)
    high = fields.Number(*LIMIT, allow_null=True)
    confidence = fields.Number("0", "1", 2)
    sides = fields.Whole(1, 2)
    model = fields.Choice(ONE_LINE, ONE_SLOPE, APART)
    p_slopes = fields.Number("0", "1", 6, allow_null=True)
    p_intercepts = fields.Number("0", "1", 6, allow_null=True)
    months = fields.Number("0", "1200", 2, allow_null=True)
    shortest = fields.Code(allow_null=True)
    data_until_months = fields.Number("0", "1200", 2)
    lines = LifeLineAnswer(many=True)
    studies = StudyReadingsAnswer(many=True)
    words = fields.ListOf(fields.LongText())


# --- rows --------------------------------------------------------------------------------------------------


def condition_row(row: dict[str, Any]) -> Json:
    return {
        "condition": row["name"],
        "temperature_c": fields.show_decimal(row["temperature_c"]),
        "humidity_percent": row["humidity_percent"],
        "cycle_to_c": fields.show_decimal(row["cycle_to_c"]),
        "cycle_days": row["cycle_days"],
    }


def test_row(row: dict[str, Any]) -> Json:
    return {
        "test": row["name"],
        "unit": row["unit"],
        "low": fields.show_decimal(row["low"]),
        "high": fields.show_decimal(row["high"]),
        "expected": row["expected"],
    }


def protocol_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with what all of them hold in three queries."""
    held = selectors.contents_of_protocols(row["pk"] for row in rows)
    return [
        {
            "protocol": row["code"],
            "name": row["name"],
            "samples_per_pull": row["samples_per_pull"],
            "retired": row["retired"],
            "conditions": [condition_row(one) for one in held.conditions.get(row["pk"], [])],
            "pull_times": list(held.times.get(row["pk"], [])),
            "tests": [test_row(one) for one in held.tests.get(row["pk"], [])],
        }
        for row in rows
    ]


def read_protocol(code: str) -> Json:
    row = Protocol.objects.filter(code=code).values(*selectors.PROTOCOL_COLUMNS).first()
    if row is None:
        raise NotFound(f"no protocol {code!r}")
    return protocol_rows([dict(row)])[0]


def study_rows(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the counts of their pulls and readings in two queries."""
    counts = selectors.pull_counts(row["pk"] for row in rows)
    return [_study_row(row, counts[row["pk"]]) for row in rows]


def _study_row(row: dict[str, Any], counts: selectors.PullCounts) -> Json:
    return {
        "study": row["code"],
        "item": row["lot__item__code"],
        "lot": row["lot__number"],
        "protocol": row["protocol__code"],
        "formula": row["version__formula__code"],
        "version": row["version__version"],
        "started_on": row["started_on"],
        "started_by": row["started_by__username"],
        "status": row["status"],
        "samples_per_pull": row["samples_per_pull"],
        "sample": show_quantity(row["sample_quantity"], row["lot__item__measure"]),
        "samples_event": row["event__uid"],
        "samples_put_back": row["event__corrected_by"] is not None,
        "planned": counts.planned,
        "done": counts.done,
        "missed": counts.missed,
        "next_due_on": counts.next_due_on,
        "out_of_limits": counts.out_of_limits,
        "closed_on": row["closed_on"],
        "closed_by": row["closed_by__username"],
        "conclusion": row["conclusion"],
        "proposed_life_days": row["proposed_life_days"],
        "life_basis": row["life_basis"],
    }


def pull_rows(rows: list[dict[str, Any]]) -> list[Json]:
    today = clock.today()
    return [_pull_row(row, today) for row in rows]


def _pull_row(row: dict[str, Any], today: date) -> Json:
    """The answer's form of one row of ``selectors.PULL_COLUMNS``. Pure."""
    done_on, missed_on = row["done_on"], row["missed_on"]
    state = selectors.DONE if done_on else selectors.MISSED if missed_on else selectors.PLANNED
    timing = None
    if done_on:
        timing = EARLY if done_on < row["window_from"] else LATE if done_on > row["window_to"] else IN_TIME
    return {
        "study": row["study__code"],
        "pull": row["number"],
        "item": row["study__lot__item__code"],
        "lot": row["study__lot__number"],
        "condition": row["condition__name"],
        "unit": row["unit"],
        "count": row["count"],
        "due_on": row["due_on"],
        "window_from": row["window_from"],
        "window_to": row["window_to"],
        "samples": row["samples"],
        "state": state,
        "overdue": state == selectors.PLANNED and row["window_to"] < today,
        "done_on": done_on,
        "done_by": row["done_by__username"],
        "timing": timing,
        "missed_on": missed_on,
        "missed_by": row["missed_by__username"],
        "missed_why": row["missed_why"],
    }


def read_study(code: str) -> Json:
    """The whole of a study, in a fixed number of queries."""
    row = Study.objects.filter(code=code).values(*selectors.STUDY_COLUMNS).first()
    if row is None:
        raise NotFound(f"no study {code!r}")
    held = selectors.contents_of_study(row["pk"])
    pulls = Pull.objects.filter(study=row["pk"]).order_by("number").values(*selectors.PULL_COLUMNS)
    return study_rows([dict(row)])[0] | {
        "conditions": [condition_row(one) for one in held.conditions.get(row["pk"], [])],
        "tests": [test_row(one) for one in held.tests.get(row["pk"], [])],
        "pulls": pull_rows([dict(one) for one in pulls]),
    }


def read_pull(study: str, number: int) -> Json:
    row = Pull.objects.filter(study__code=study, number=number).values(*selectors.PULL_COLUMNS).first()
    if row is None:
        raise NotFound(f"study {study!r} has no pull {number}")
    return pull_rows([dict(row)])[0] | {
        "readings": [_reading_row(one) for one in selectors.readings_of([row["pk"]])[row["pk"]]],
        "records": [_record_row(one) for one in selectors.records_of(row["pk"])],
    }


def _reading_row(row: dict[str, Any]) -> Json:
    return {
        "test": row["test__name"],
        "unit": row["test__unit"],
        "sample": row["sample"],
        "value": row["value"],
        "passed": row["passed"],
        "counts": row["counts"],
        "who": row["who__username"],
        "recorded_at": row["recorded_at"],
    }


def _record_row(row: dict[str, Any]) -> Json:
    return {
        "kind": row["kind"],
        "on": row["on"],
        "why": row["why"],
        "who": row["who__username"],
        "recorded_at": row["recorded_at"],
    }


def life_answer(item: str, chosen: list[Study], asked: Json, found: selectors.LifeOfStudies) -> Json:
    """The evaluation as it is told, with the words that belong to it. Pure."""
    life = found.life
    words = [CAUTION]
    if len(chosen) < 3:
        words.append(FEW_LOTS)
    if life.months is None or life.months > life.data_until:
        words.append(BEYOND)
    return {
        "item": item,
        "test": asked["test"],
        "unit": found.unit,
        "condition": asked["condition"],
        "low": fields.show_decimal(found.low),
        "high": fields.show_decimal(found.high),
        "confidence": _shown(CONFIDENCE, 2),
        "sides": 1 if found.low is None or found.high is None else 2,
        "model": life.model,
        "p_slopes": _shown(life.p_slopes, 6),
        "p_intercepts": _shown(life.p_intercepts, 6),
        "months": _months(life.months),
        "shortest": life.shortest or None,
        "data_until_months": _months(life.data_until),
        "lines": [
            {
                "study": line.name or None,
                "intercept": _shown(line.intercept, 6),
                "slope_per_month": _shown(line.slope, 9),
                "months": _months(line.months),
            }
            for line in life.lines
        ],
        "studies": [
            {"study": study.code, "lot": study.lot.number, "readings": found.readings[study.code]} for study in chosen
        ],
        "words": words,
    }


def _shown(number: float | None, places: int) -> str | None:
    """A figure of the arithmetic, half to even at so many places."""
    return None if number is None else fields.show_decimal(Decimal(f"{number:.{places}f}") + 0)


def _months(number: float | None) -> str | None:
    """Months to two places, rounded down: a life is never shown longer than it is."""
    return None if number is None else fields.show_decimal(Decimal(number).quantize(Decimal("0.01"), ROUND_FLOOR))


# --- from a form to what the service takes -----------------------------------------------------------------


def spec_of(asked: Json) -> ProtocolSpec:
    return ProtocolSpec(
        name=asked["name"],
        conditions=[ConditionSpec(name=row.pop("condition"), **row) for row in map(dict, asked["conditions"])],
        pull_times=[_time_spec(row) for row in asked["pull_times"]],
        tests=[StabilityTestSpec(name=row.pop("test"), **row) for row in map(dict, asked.get("tests", []))],
        samples_per_pull=asked.get("samples_per_pull", 1),
        retired=asked.get("retired", False),
    )


def _time_spec(row: Json) -> PullTimeSpec:
    usual = usual_window_days(row["unit"], row["count"])
    return PullTimeSpec(row["unit"], row["count"], row.get("days_before", usual), row.get("days_after", usual))


def reading_specs(asked: Json) -> list[ReadingSpec]:
    return [ReadingSpec(**row) for row in asked.get("readings", [])]


def sample_steps(item: Item, asked: Json) -> int:
    """Base steps of one sample, taken out of the body: one piece where nothing is said of what is counted."""
    text = asked.pop("sample", None)
    if text is not None:
        return quantity_of(item, text, "sample").steps
    if item.measure != COUNT:
        raise refused("sample", "", f'the mass of one sample of {item.code} such as "30 g"')
    return 1


def _portion(lot: Lot, place: str, container: str) -> Portion:
    """The portion that a body names. Raises NotFound naming place and container."""
    try:
        return find_portion(lot, place, container)
    except NotFound as error:
        spot = {"place": place, "container": container}
        faults = [Fault(name, shown(text), f"a {name} where lot {lot.number} is") for name, text in spot.items()]
        raise NotFound(error.message, faults=faults) from None


# --- examples ----------------------------------------------------------------------------------------------

MOMENT = "2027-03-01T09:00:00+00:00"
WARM: Json = {
    "condition": "25 C", "temperature_c": "25", "humidity_percent": 60, "cycle_to_c": None, "cycle_days": None,
}  # fmt: skip
FROST: Json = {
    "condition": "frost and thaw", "temperature_c": "-10", "humidity_percent": None, "cycle_to_c": "25",
    "cycle_days": 2,
}  # fmt: skip
TIMES: list[Json] = [
    {"unit": "week", "count": 0, "days_before": 2, "days_after": 2},
    {"unit": "month", "count": 3, "days_before": 7, "days_after": 7},
    {"unit": "cycle", "count": 3, "days_before": 2, "days_after": 2},
]
PH: Json = {"test": "pH", "unit": "", "low": "4.5", "high": "5.5", "expected": ""}
SMELL: Json = {"test": "smells as at the start", "unit": "", "low": None, "high": None, "expected": "yes"}
SHORT: Json = {
    "protocol": "SHORT", "name": "Short look", "samples_per_pull": 2, "retired": False, "conditions": [WARM, FROST],
    "pull_times": TIMES, "tests": [PH, SMELL],
}  # fmt: skip
SHORT_ASKED: Json = {
    "name": "Short look",
    "samples_per_pull": 2,
    "conditions": [
        {"condition": "25 C", "temperature_c": "25", "humidity_percent": 60},
        {"condition": "frost and thaw", "temperature_c": "-10", "cycle_to_c": "25", "cycle_days": 2},
    ],
    "pull_times": [{"unit": "week", "count": 0}, {"unit": "month", "count": 3}, {"unit": "cycle", "count": 3}],
    "tests": [{"test": "pH", "low": "4.5", "high": "5.5"}, {"test": "smells as at the start", "expected": "yes"}],
}
OF_S1 = {"study": "S-1"}
OF_PULL = {"study": "S-1", "pull": "1"}
PULL: Json = {
    "study": "S-1", "pull": 1, "item": "WAX", "lot": "W2", "condition": "25 C", "unit": "week", "count": 0,
    "due_on": "2027-03-01", "window_from": "2027-03-01", "window_to": "2027-03-03", "samples": 2, "state": "planned",
    "overdue": False, "done_on": None, "done_by": None, "timing": None, "missed_on": None, "missed_by": None,
    "missed_why": "",
}  # fmt: skip
PULLS: list[Json] = [
    PULL,
    PULL | {
        "pull": 2, "condition": "frost and thaw", "unit": "cycle", "count": 3, "due_on": "2027-03-07",
        "window_from": "2027-03-05", "window_to": "2027-03-09",
    },
    PULL | {
        "pull": 3, "unit": "month", "count": 3, "due_on": "2027-06-01", "window_from": "2027-05-25",
        "window_to": "2027-06-08",
    },
]  # fmt: skip
STUDY: Json = {
    "study": "S-1", "item": "WAX", "lot": "W2", "protocol": "SHORT", "formula": None, "version": None,
    "started_on": "2027-03-01", "started_by": None, "status": "under_way", "samples_per_pull": 2, "sample": "30 g",
    "samples_event": None, "samples_put_back": False, "planned": 3, "done": 0, "missed": 0,
    "next_due_on": "2027-03-01", "out_of_limits": 0, "closed_on": None, "closed_by": None, "conclusion": "",
    "proposed_life_days": None, "life_basis": "",
}  # fmt: skip
HELD: Json = {"conditions": [WARM, FROST], "tests": [PH, SMELL]}
READ: Json = {
    "test": "pH", "unit": "", "sample": 1, "value": "5.1", "passed": True, "counts": True, "who": "maker",
    "recorded_at": MOMENT,
}  # fmt: skip
SAID: Json = {"kind": "done", "on": "2027-03-01", "why": "", "who": "maker", "recorded_at": MOMENT}
DONE: Json = {"state": "done", "done_on": "2027-03-01", "done_by": "maker", "timing": "in_time"}
WHOLE_PULL = PULL | {"readings": [], "records": []}


# --- views -------------------------------------------------------------------------------------------------


class Protocols(View):
    @lists(
        ProtocolAnswer,
        filters=ProtocolFilters,
        summary="List stability protocols",
        query={"retired": "yes"},
        gives=[SHORT | {"retired": True}],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every protocol, by code. A new workshop has one, COMMON: common practice, no source; it may be changed."""
        rows = Protocol.objects.filter(**asked)
        return Listing(rows.values(*selectors.PROTOCOL_COLUMNS), "code", show_page=protocol_rows)

    @writes(
        NewProtocol,
        ProtocolAnswer,
        status=201,
        summary="Write a stability protocol",
        asks={"protocol": "SHORT"} | SHORT_ASKED,
        gives=SHORT,
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A protocol: how samples stand, after which times they are looked at, and what is looked at besides the
        formula's own checks of stage stability."""
        code = asked.pop("protocol")
        services.make_protocol(code=code, spec=spec_of(asked), who=request.user)
        return read_protocol(code)


class OneProtocol(View):
    @reads(ProtocolAnswer, summary="Read a stability protocol", path={"protocol": "SHORT"}, gives=SHORT)
    def get(self, request: Request, asked: Json, protocol: str) -> Json:
        """One protocol."""
        return read_protocol(protocol)

    @writes(
        ProtocolForm,
        ProtocolAnswer,
        summary="Write a stability protocol anew",
        path={"protocol": "SHORT"},
        asks=SHORT_ASKED | {"samples_per_pull": 3},
        gives=SHORT | {"samples_per_pull": 3},
    )
    def put(self, request: Request, asked: Json, protocol: str) -> Json:
        """Replace the whole content of a protocol. Studies that have started keep what they began with."""
        services.change_protocol(protocol=selectors.find_protocol(protocol), spec=spec_of(asked), who=request.user)
        return read_protocol(protocol)


class Studies(View):
    @lists(
        StudyRow,
        filters=StudyFilters,
        summary="List stability studies",
        query={"item": "WAX", "status": "under_way"},
        gives=[STUDY],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every study in the order in which they were begun."""
        found = selectors.studies(
            item=named(find_item, asked["item"], "item") if "item" in asked else None,
            number=asked.get("lot"),
            protocol=named(selectors.find_protocol, asked["protocol"], "protocol") if "protocol" in asked else None,
            status=asked.get("status"),
        )
        return Listing(found.values(*selectors.STUDY_COLUMNS), "pk", show_page=study_rows)

    @writes(
        NewStudy,
        StudyAnswer,
        status=201,
        summary="Start a stability study",
        asks={"study": "S-1", "item": "WAX", "lot": "W2", "protocol": "SHORT", "sample": "30 g"},
        gives=STUDY
        | HELD
        | {"started_by": "quality", "samples_event": "5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10", "pulls": PULLS},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A study of one lot, which may be in quarantine still. Its pulls hang on the day on which it started: a pull
        keeps its day on a holiday, and months end with a shorter month. Samples for every pull at every condition
        leave the stock at once; where less is free, nothing is begun."""
        item = named(find_item, asked.pop("item"), "item")
        lot = named(lambda number: get_lot(item.code, number), asked.pop("lot"), "lot")
        portion = None
        if asked.keys() & {"place", "container"}:
            portion = _portion(lot, asked.pop("place", ""), asked.pop("container", ""))
        if "version" in asked and "formula" not in asked:
            raise refused("version", asked["version"], "blank, or a version of the formula that is named")
        study = services.start_study(
            lot=lot,
            protocol=named(selectors.find_protocol, asked.pop("protocol"), "protocol"),
            sample_quantity=sample_steps(item, asked),
            code=asked.pop("study", ""),
            version=named_version(asked) if "formula" in asked else None,
            portion=portion,
            who=request.user,
            **asked,
        )
        return read_study(study.code)


class OneStudy(View):
    @reads(StudyAnswer, summary="Read a stability study", path=OF_S1, gives=STUDY | HELD | {"pulls": PULLS})
    def get(self, request: Request, asked: Json, study: str) -> Json:
        """One study with its conditions, tests and pulls."""
        return read_study(study)


class CloseStudy(View):
    @writes(
        StudyClose,
        StudyRow,
        summary="Close a stability study",
        path=OF_S1,
        asks={
            "conclusion": "No change that was seen or smelt in a year at 25 degrees.",
            "proposed_life_days": 730,
            "life_basis": "three lots, pH at 25 C, bound at 25.9 months",
        },
        gives=STUDY
        | {
            "status": "closed",
            "planned": 0,
            "missed": 3,
            "next_due_on": None,
            "closed_on": "2027-03-01",
            "closed_by": "quality",
            "conclusion": "No change that was seen or smelt in a year at 25 degrees.",
            "proposed_life_days": 730,
            "life_basis": "three lots, pH at 25 C, bound at 25.9 months",
        },
    )
    def post(self, request: Request, asked: Json, study: str) -> Json:
        """The word of quality ends a study; what is planned still is missed by it. A proposed life changes no item: a
        qualified safety assessor decides on it, and the item's life is set where the item is."""
        services.close_study(study=selectors.find_study(study), who=request.user, **asked)
        row = Study.objects.values(*selectors.STUDY_COLUMNS).get(code=study)
        return study_rows([dict(row)])[0]


def _pulls(asked: Json, study: Study | None = None) -> Any:
    """The pulls that were asked for, in columns."""
    overdue, out = asked.pop("overdue", None), asked.pop("out_of_limits", None)
    return selectors.pulls(study=study, overdue=overdue, on=clock.today(), out_of_limits=out, **asked).values(
        *selectors.PULL_COLUMNS
    )


class Pulls(View):
    @lists(
        PullRow,
        filters=PullFilters,
        summary="List pulls of all studies",
        query={"state": "planned", "due_to": "2027-03-31"},
        gives=PULLS[:2],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """The pulls of every study, study by study in the order in which they were begun, each by due day."""
        return Listing(_pulls(asked), "pk", show_page=pull_rows)


class PullsOfStudy(View):
    @lists(
        PullRow,
        filters=PullFilters,
        summary="List the pulls of a study",
        path=OF_S1,
        query={"state": "planned"},
        gives=PULLS,
    )
    def get(self, request: Request, asked: Json, study: str) -> Listing:
        """The pulls of one study by number, which is by due day."""
        return Listing(_pulls(asked, selectors.find_study(study)), "number", show_page=pull_rows)


class OnePull(View):
    @reads(PullAnswer, summary="Read a pull", path=OF_PULL, gives=WHOLE_PULL)
    def get(self, request: Request, asked: Json, study: str, pull: int) -> Json:
        """One pull with its readings and with what was said of it."""
        return read_pull(study, pull)


class Done(View):
    @writes(
        PullDone,
        PullAnswer,
        summary="Record a pull as done",
        path=OF_PULL,
        asks={"readings": [{"test": "pH", "value": "5.1"}]},
        gives=WHOLE_PULL
        | DONE
        | {
            "done_by": "maker",
            "readings": [READ],
            "records": [SAID],
        },
    )
    def post(self, request: Request, asked: Json, study: str, pull: int) -> Json:
        """The samples were looked at on a real day: early and late are taken, and then said to be so. Readings may
        come at once or later; one that is out of its limits is taken and says so."""
        asked["readings"] = reading_specs(asked)
        services.record_pull(pull=selectors.find_pull(study, pull), who=request.user, **asked)
        return read_pull(study, pull)


class Readings(View):
    @writes(
        PullReadings,
        PullAnswer,
        summary="Record readings of a pull",
        path=OF_PULL,
        asks={"readings": [{"test": "pH", "value": "5.1"}]},
        gives=WHOLE_PULL | DONE | {"readings": [READ], "records": [SAID]},
    )
    def post(self, request: Request, asked: Json, study: str, pull: int) -> Json:
        """What a pull that is done showed. A sample looked at again is a new reading, and the last one counts."""
        services.record_readings(pull=selectors.find_pull(study, pull), readings=reading_specs(asked), who=request.user)
        return read_pull(study, pull)


class Missed(View):
    @writes(
        PullWhy,
        PullAnswer,
        summary="Record a pull as missed",
        path=OF_PULL,
        asks={"why": "the jar broke"},
        gives=WHOLE_PULL
        | {
            "state": "missed",
            "missed_on": "2027-03-01",
            "missed_by": "maker",
            "missed_why": "the jar broke",
            "records": [SAID | {"kind": "missed", "why": "the jar broke"}],
        },
    )
    def post(self, request: Request, asked: Json, study: str, pull: int) -> Json:
        """A pull was not done and will not be: the reason is needed."""
        services.miss_pull(pull=selectors.find_pull(study, pull), who=request.user, **asked)
        return read_pull(study, pull)


class Reopen(View):
    @writes(
        PullWhy,
        PullAnswer,
        summary="Open a pull again",
        path=OF_PULL,
        asks={"why": "it was the pull of the other lot"},
        gives=WHOLE_PULL
        | {
            "records": [
                SAID,
                SAID | {"kind": "reopened", "why": "it was the pull of the other lot", "who": "quality"},
            ]
        },
    )
    def post(self, request: Request, asked: Json, study: str, pull: int) -> Json:
        """What was said of a pull was a mistake: it is planned again. Its readings count no more, and stay readable."""
        services.reopen_pull(pull=selectors.find_pull(study, pull), who=request.user, **asked)
        return read_pull(study, pull)


class ShelfLife(View):
    @reads(
        LifeAnswer,
        filters=LifeFilters,
        refuses=[404],
        summary="What the readings say of a shelf life",
        query={"study": ["S-2"], "test": "pH", "condition": "25 C", "low": "4.5"},
        gives={
            "item": "WAX", "test": "pH", "unit": "", "condition": "25 C", "low": "4.5", "high": None,
            "confidence": "0.95", "sides": 1, "model": "one line", "p_slopes": None, "p_intercepts": None,
            "months": "14.22", "shortest": "S-2", "data_until_months": "5.94",
            "lines": [{"study": "S-2", "intercept": "5.306031", "slope_per_month": "-0.05022615", "months": "14.22"}],
            "studies": [{"study": "S-2", "lot": "W2", "readings": 5}],
            "words": [CAUTION, FEW_LOTS, BEYOND],
        },
    )  # fmt: skip
    def get(self, request: Request, asked: Json) -> Json:
        """By ICH Q1E: where the bound of 95 % confidence of the mean line meets the limit, lots pooled where neither
        their slopes nor their intercepts differ (p above 0.25). A figure for quality and for a qualified safety
        assessor; it sets nothing."""
        chosen = [named(selectors.find_study, code, "study") for code in dict.fromkeys(asked["study"])]
        limits = {name: asked.get(name) for name in ("low", "high")}
        if limits["low"] is not None and limits["high"] is not None and limits["low"] > limits["high"]:
            raise refused("low", limits["low"], f"at most high, {limits['high']}")
        found = selectors.life_of_studies(chosen, test=asked["test"], condition=asked["condition"], **limits)
        return life_answer(chosen[0].lot.item.code, chosen, asked, found)


ROUTES = [
    path("protocols", Protocols.as_view(), name="protocols"),
    path("protocols/<code:protocol>", OneProtocol.as_view(), name="protocol"),
    path("studies", Studies.as_view(), name="studies"),
    path("studies/<code:study>", OneStudy.as_view(), name="study"),
    path("studies/<code:study>/close", CloseStudy.as_view(), name="study-close"),
    path("studies/<code:study>/pulls", PullsOfStudy.as_view(), name="study-pulls"),
    path("studies/<code:study>/pulls/<version:pull>", OnePull.as_view(), name="pull"),
    path("studies/<code:study>/pulls/<version:pull>/done", Done.as_view(), name="pull-done"),
    path("studies/<code:study>/pulls/<version:pull>/readings", Readings.as_view(), name="pull-readings"),
    path("studies/<code:study>/pulls/<version:pull>/missed", Missed.as_view(), name="pull-missed"),
    path("studies/<code:study>/pulls/<version:pull>/reopen", Reopen.as_view(), name="pull-reopen"),
    path("pulls", Pulls.as_view(), name="pulls"),
    path("shelf-life", ShelfLife.as_view(), name="shelf-life"),
]
