"""Stability: protocols, studies of one lot that start by them, what their pulls showed, and the word that ends them.

A study copies what its protocol and its formula's checks say when it starts: nothing that is changed later changes it.
A protocol is locked before the item of the lot. Every write of a study holds the lock of that item, so that two people
cannot record one pull twice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import Lot, Portion
from inventory.models.items import CODE_LENGTH, NAME_LENGTH, WHY_LENGTH
from inventory.numbers import next_after, render
from inventory.services.changes import Change, Kind, write_down
from inventory.services.changes import shown as told
from inventory.services.ledger import check_quantity, check_text, check_why, moment_and_day
from inventory.services.samples import take_samples
from inventory.transactions import lock_items, write
from production.lives import is_bulk, lots_used_by
from production.models import (
    Batch,
    Check,
    FormulaVersion,
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
from production.services.weighing import passes
from production.stability_days import window_of
from production.stability_selectors import contents_of_protocols

if TYPE_CHECKING:
    from django.contrib.auth.models import User

STUDY_PATTERN = "S{year}{month}{day}-{n}"
STUDY_CLOSED = "the study was closed before it"

# Far beyond what anybody keeps samples for, and so that no study's pulls run away with the database.
MOST_OF = {Unit.WEEK: 1_040, Unit.MONTH: 240, Unit.CYCLE: 100}
MOST_PULLS = 1_000
MOST_SAMPLES = 1_000
MOST_WINDOW_DAYS = 366
MOST_CYCLE_DAYS = 90
TEXT_LENGTH = 5_000


@dataclass(frozen=True, slots=True)
class ConditionSpec:
    """How samples stand; ``cycle_days`` where they go back and forth between two temperatures."""

    name: str
    temperature_c: Decimal | None = None
    humidity_percent: int | None = None
    cycle_to_c: Decimal | None = None
    cycle_days: int | None = None


@dataclass(frozen=True, slots=True)
class PullTimeSpec:
    unit: str
    count: int
    days_before: int
    days_after: int


@dataclass(frozen=True, slots=True)
class StabilityTestSpec:
    """What is looked at: within limits, by an expected answer, or only written down where neither is given."""

    name: str
    unit: str = ""
    low: Decimal | None = None
    high: Decimal | None = None
    expected: str = ""


@dataclass(frozen=True, slots=True)
class ProtocolSpec:
    """The whole content of a protocol."""

    name: str
    conditions: Sequence[ConditionSpec]
    pull_times: Sequence[PullTimeSpec]
    tests: Sequence[StabilityTestSpec] = ()
    samples_per_pull: int = 1
    retired: bool = False


@dataclass(frozen=True, slots=True)
class ReadingSpec:
    """What a test showed on one of the pull's samples."""

    test: str
    value: str
    sample: int = 1


# --- protocols ---------------------------------------------------------------------------------------------


@write
def make_protocol(*, code: str, spec: ProtocolSpec, who: User | None = None) -> Protocol:
    """A new protocol. Raises BadInput naming every fault, Conflict for a code that is taken."""
    _check_spec(spec)
    _check_code("protocol", code)
    if Protocol.objects.filter(code=code).exists():
        fault = Fault("protocol", code, "a new code")
        raise Conflict(f"there is a protocol {code} already", code="taken", faults=[fault])
    protocol = Protocol(code=code)
    _write_protocol(protocol, spec)
    write_down([Change(Kind.PROTOCOL, code, None, _facts_of(protocol))], who)
    return protocol


@write
def change_protocol(*, protocol: Protocol, spec: ProtocolSpec, who: User | None = None) -> Protocol:
    """Write a protocol anew. Studies that have started hold what they began with. Raises BadInput."""
    _check_spec(spec)
    protocol = _locked(protocol)
    before = _facts_of(protocol)
    for part in (protocol.conditions, protocol.tests, protocol.pull_times):
        part.all().delete()
    _write_protocol(protocol, spec)
    write_down([Change(Kind.PROTOCOL, protocol.code, before, _facts_of(protocol))], who)
    return protocol


def _locked(protocol: Protocol) -> Protocol:
    """The protocol, so that nobody starts a study by half of one that is written anew."""
    return Protocol.objects.select_for_update(no_key=True).get(pk=protocol.pk)


def _write_protocol(protocol: Protocol, spec: ProtocolSpec) -> None:
    protocol.name, protocol.samples_per_pull, protocol.retired = spec.name, spec.samples_per_pull, spec.retired
    protocol.save()
    ProtocolCondition.objects.bulk_create(
        ProtocolCondition(protocol=protocol, position=position, **asdict(one))
        for position, one in enumerate(spec.conditions, 1)
    )
    ProtocolTest.objects.bulk_create(
        ProtocolTest(protocol=protocol, position=position, **asdict(one)) for position, one in enumerate(spec.tests, 1)
    )
    PullTime.objects.bulk_create(PullTime(protocol=protocol, **asdict(one)) for one in spec.pull_times)


def _facts_of(protocol: Protocol) -> dict[str, str]:
    """What a protocol says, for the log of changes: what it holds as one text of each kind."""
    held = contents_of_protocols([protocol.pk])
    facts = {
        "name": protocol.name,
        "samples_per_pull": str(protocol.samples_per_pull),
        "retired": told(protocol.retired),
    }
    for name, rows in (("conditions", held.conditions), ("pull_times", held.times), ("tests", held.tests)):
        facts[name] = "; ".join(
            ", ".join(f"{column} {told(value)}" for column, value in row.items() if value not in (None, ""))
            for row in rows.get(protocol.pk, [])
        )
    return facts


def _check_spec(spec: ProtocolSpec) -> None:
    faults = [
        *_faults_of_conditions(spec),
        *_faults_of_times(spec),
        *_faults_of_tests(spec),
        *_named_twice("conditions", "condition", [one.name for one in spec.conditions]),
        *_named_twice("pull_times", "count", [f"{one.unit} {one.count}" for one in spec.pull_times]),
        *_named_twice("tests", "test", [one.name for one in spec.tests]),
    ]
    if not 1 <= spec.samples_per_pull <= MOST_SAMPLES:
        faults.append(Fault("samples_per_pull", str(spec.samples_per_pull), f"from 1 to {MOST_SAMPLES}"))
    if not 0 < len(spec.name.strip()) <= NAME_LENGTH:
        faults.append(Fault("name", spec.name[:80], f"1 to {NAME_LENGTH} characters"))
    pulls = sum(
        (one.unit == Unit.CYCLE) == (condition.cycle_days is not None)
        for one in spec.pull_times
        for condition in spec.conditions
    )
    if not faults and pulls > MOST_PULLS:
        accepted = f"times and conditions that make at most {MOST_PULLS} pulls of a study"
        faults.append(Fault("pull_times", str(len(spec.pull_times)), accepted))
    if faults:
        raise BadInput("the protocol is not accepted; nothing was changed", faults=faults)


def _faults_of_conditions(spec: ProtocolSpec) -> list[Fault]:
    faults = [] if spec.conditions else [Fault("conditions", "", "one condition at least")]
    units = {one.unit for one in spec.pull_times}
    for at, one in enumerate(spec.conditions):
        path = f"conditions[{at}]."
        if not 0 < len(one.name.strip()) <= CODE_LENGTH:
            faults.append(Fault(f"{path}condition", one.name[:80], f"1 to {CODE_LENGTH} characters"))
        if one.humidity_percent is not None and not 0 <= one.humidity_percent <= 100:
            faults.append(Fault(f"{path}humidity_percent", str(one.humidity_percent), "from 0 to 100"))
        if one.cycle_days is None:
            if one.cycle_to_c is not None:
                accepted = "blank, or cycle_days besides: how long it takes back and forth"
                faults.append(Fault(f"{path}cycle_to_c", str(one.cycle_to_c), accepted))
            if not units & {Unit.WEEK, Unit.MONTH}:
                faults.append(Fault(f"{path}condition", one.name, "a time in weeks or months among the pull times"))
            continue
        if not 1 <= one.cycle_days <= MOST_CYCLE_DAYS:
            faults.append(Fault(f"{path}cycle_days", str(one.cycle_days), f"from 1 to {MOST_CYCLE_DAYS}"))
        if one.temperature_c is None or one.cycle_to_c is None:
            faults.append(Fault(f"{path}cycle_days", str(one.cycle_days), "temperature_c and cycle_to_c besides"))
        if Unit.CYCLE not in units:
            faults.append(Fault(f"{path}condition", one.name, "a time in cycles among the pull times"))
    return faults


def _faults_of_times(spec: ProtocolSpec) -> list[Fault]:
    faults = [] if spec.pull_times else [Fault("pull_times", "", "one time at least")]
    cycling = any(one.cycle_days is not None for one in spec.conditions)
    for at, one in enumerate(spec.pull_times):
        path = f"pull_times[{at}]."
        if one.unit not in Unit.values:
            faults.append(Fault(f"{path}unit", one.unit, ", ".join(Unit.values)))
            continue
        least, most = (1 if one.unit == Unit.CYCLE else 0), MOST_OF[Unit(one.unit)]
        if not least <= one.count <= most:
            faults.append(Fault(f"{path}count", str(one.count), f"from {least} to {most} of the unit {one.unit}"))
        if one.unit == Unit.CYCLE and not cycling:
            faults.append(Fault(f"{path}unit", one.unit, "week or month: no condition goes in cycles"))
        for name, days in (("days_before", one.days_before), ("days_after", one.days_after)):
            if not 0 <= days <= MOST_WINDOW_DAYS:
                faults.append(Fault(f"{path}{name}", str(days), f"from 0 to {MOST_WINDOW_DAYS}"))
    return faults


def _faults_of_tests(spec: ProtocolSpec) -> list[Fault]:
    faults = []
    for at, one in enumerate(spec.tests):
        path = f"tests[{at}]."
        if not 0 < len(one.name.strip()) <= NAME_LENGTH:
            faults.append(Fault(f"{path}test", one.name[:80], f"1 to {NAME_LENGTH} characters"))
        if one.low is not None and one.high is not None and one.low > one.high:
            faults.append(Fault(f"{path}low", str(one.low), f"at most high, {one.high}"))
        if one.expected and (one.low is not None or one.high is not None):
            faults.append(Fault(f"{path}expected", one.expected, "blank where there are limits"))
    return faults


def _named_twice(part: str, field: str, names: Sequence[str]) -> list[Fault]:
    many = Counter(names)
    return [
        Fault(f"{part}[{at}].{field}", name, "each only once in a protocol")
        for at, name in enumerate(names)
        if many[name] > 1
    ]


def _check_code(field: str, code: str) -> None:
    if not 0 < len(code.strip()) <= CODE_LENGTH:
        raise BadInput(f"a code of 1 to {CODE_LENGTH} characters", faults=[Fault(field, code[:80], "a code")])


# --- a study begins ----------------------------------------------------------------------------------------


@write
def start_study(
    *,
    lot: Lot,
    protocol: Protocol,
    sample_quantity: int,
    code: str = "",
    started_on: date | None = None,
    version: FormulaVersion | None = None,
    portion: Portion | None = None,
    already_sampled: bool = False,
    who: User | None = None,
) -> Study:
    """Start a study of a lot (needs its item): pulls of every time at every condition, and their samples taken.

    1. Check protocol, lot, day and code.
    2. Copy conditions and tests: those of the protocol, and the stability checks of the formula that made the lot (of
       its bulk too, where it is packed), else of ``version``. Where two have one name, the formula's counts.
    3. Take samples x conditions x pulls of ``sample_quantity`` each out of stock, from what is free (of ``portion``
       alone, where it is given); nothing where they were ``already_sampled`` before the books began.
    4. Write the pulls, numbered by due day.

    Raises Shortage where less is free, WrongState for a retired protocol or a rejected lot, BadInput for a day in the
    future or before the lot came, Conflict for a code that is taken.
    """
    moment, day = moment_and_day(None, started_on, "started_on")
    check_quantity(lot.item, sample_quantity, field="sample")
    if lot.received_on is not None and day < lot.received_on:
        fault = Fault("started_on", str(day), f"a day from {lot.received_on}")
        raise BadInput(f"lot {lot.number} came on {lot.received_on}", code="before_it_came", faults=[fault])
    protocol = _locked(protocol)
    lock_items([lot.item_id])
    lot = Lot.objects.select_related("item").get(pk=lot.pk)
    if protocol.retired:
        raise WrongState(f"protocol {protocol.code} is retired: no study starts by it", code="protocol_retired")
    if lot.status == Lot.Status.REJECTED:
        raise WrongState(f"lot {lot.number} of {lot.item.code} is rejected: nothing is learnt of it", code="rejected")
    version, checks = _checks_for(lot, version)
    study = Study(
        code=_study_code(code, day),
        lot=lot,
        protocol=protocol,
        version=version,
        started_on=day,
        samples_per_pull=protocol.samples_per_pull,
        sample_quantity=sample_quantity,
        started_by=who,
        recorded_at=clock.now(),
    )
    conditions = list(protocol.conditions.order_by("position"))
    planned = _pulls_of(study, conditions, list(protocol.pull_times.order_by("pk")))
    if not already_sampled:
        study.event = take_samples(
            lot=lot,
            quantity=sum(one.pull.samples for one in planned) * sample_quantity,
            portion=portion,
            happened_at=moment,
            who=who,
            why=f"samples of study {study.code}",
        )
    study.save(force_insert=True)
    _write_study(study, conditions, planned, list(protocol.tests.order_by("position")), checks)
    return study


def _study_code(code: str, day: date) -> str:
    if not code:
        before, after = render(STUDY_PATTERN, day=day)
        used = Study.objects.filter(code__startswith=before).values_list("code", flat=True)
        return f"{before}{next_after(used, before, after)}{after}"
    _check_code("study", code)
    if Study.objects.filter(code=code).exists():
        fault = Fault("study", code, "a new code")
        raise Conflict(f"there is a study {code} already", code="taken", faults=[fault])
    return code


def _checks_for(lot: Lot, version: FormulaVersion | None) -> tuple[FormulaVersion | None, list[Check]]:
    """The version that made the lot, else the one given; and its stability checks, with those of its bulk."""
    made_by = _versions_of([lot]).get(lot.pk)
    if made_by is not None and version is not None and version.pk != made_by.pk:
        name = f"{made_by.formula.code} version {made_by.version}"
        fault = Fault("formula", version.formula.code, f"blank, or {name}, which made the lot")
        raise BadInput(f"lot {lot.number} was made by {name}", code="other_formula", faults=[fault])
    version = made_by or version
    if version is None:
        return None, []
    if version.formula.item_id != lot.item_id:
        fault = Fault("formula", version.formula.code, f"a formula of {lot.item.code}")
        raise BadInput(f"{version.formula.code} makes another item", code="other_formula", faults=[fault])
    versions = [version]
    if made_by is not None and version.basis == FormulaVersion.Basis.PER_UNIT and lot.transformation_id:
        bulks = [one for one in lots_used_by([lot.transformation_id]) if is_bulk(one.item)]
        versions += _versions_of(bulks).values()
    checks: dict[str, Check] = {}
    for one in versions:
        for check in one.checks.filter(stage=Check.Stage.STABILITY).order_by("pk"):
            checks.setdefault(check.name, check)
    return version, list(checks.values())


def _versions_of(lots: Sequence[Lot]) -> dict[int, FormulaVersion]:
    """The versions that made these lots, by lot id; lots that no batch made are not there."""
    makings = {lot.transformation_id for lot in lots if lot.transformation_id}
    made = Batch.objects.select_related("version__formula").in_bulk(makings)
    return {lot.pk: made[lot.transformation_id].version for lot in lots if lot.transformation_id in made}


@dataclass(frozen=True, slots=True)
class _Planned:
    """A pull to be written, and the position of its condition."""

    pull: Pull
    position: int


def _pulls_of(study: Study, conditions: Sequence[ProtocolCondition], times: Sequence[PullTime]) -> list[_Planned]:
    """The pulls to be, numbered by due day, condition and time; still without study and condition."""
    found = [
        _Planned(_pull_at(study, condition, time), condition.position)
        for condition in conditions
        for time in times
        if (time.unit == Unit.CYCLE) == (condition.cycle_days is not None)
    ]
    found.sort(key=lambda one: (one.pull.due_on, one.position, one.pull.unit, one.pull.count))
    for number, one in enumerate(found, 1):
        one.pull.number = number
    return found


def _pull_at(study: Study, condition: ProtocolCondition, time: PullTime) -> Pull:
    window = window_of(
        study.started_on,
        time.unit,
        time.count,
        days_before=time.days_before,
        days_after=time.days_after,
        cycle_days=condition.cycle_days,
    )
    return Pull(
        unit=time.unit,
        count=time.count,
        due_on=window.due_on,
        window_from=window.window_from,
        window_to=window.window_to,
        samples=study.samples_per_pull,
    )


def _write_study(
    study: Study,
    conditions: Sequence[ProtocolCondition],
    planned: Sequence[_Planned],
    tests: Sequence[ProtocolTest],
    checks: Sequence[Check],
) -> None:
    own = StudyCondition.objects.bulk_create(
        StudyCondition(
            study=study,
            position=one.position,
            name=one.name,
            temperature_c=one.temperature_c,
            humidity_percent=one.humidity_percent,
            cycle_to_c=one.cycle_to_c,
            cycle_days=one.cycle_days,
        )
        for one in conditions
    )
    by_position = {one.position: one for one in own}
    for one in planned:
        one.pull.study, one.pull.condition = study, by_position[one.position]
    Pull.objects.bulk_create(one.pull for one in planned)
    named = {check.name for check in checks}
    looked_at: list[tuple[Check | ProtocolTest, Check | None]] = [(check, check) for check in checks]
    looked_at += [(test, None) for test in tests if test.name not in named]
    StudyTest.objects.bulk_create(
        StudyTest(
            study=study,
            position=position,
            name=one.name,
            unit=one.unit,
            low=one.low,
            high=one.high,
            # A check of a formula that says nothing expects yes; a test of a protocol is then only written down.
            expected=one.expected or ("yes" if check is not None and one.low is None and one.high is None else ""),
            check_of=check,
        )
        for position, (one, check) in enumerate(looked_at, 1)
    )


# --- pulls -------------------------------------------------------------------------------------------------


def _lock_study(study: Study) -> Study:
    """Lock the item of the study's lot and read the study again, with lot and item. Raises WrongState when closed."""
    lock_items([study.lot.item_id])
    study = Study.objects.select_related("lot__item").get(pk=study.pk)
    if study.status == Study.Status.CLOSED:
        raise WrongState(f"study {study.code} is closed", code="study_closed")
    return study


def _lock_pull(pull: Pull) -> tuple[Study, Pull]:
    study = _lock_study(pull.study)
    return study, Pull.objects.select_related("condition").get(pk=pull.pk)


@write
def record_pull(
    *,
    pull: Pull,
    done_on: date | None = None,
    readings: Sequence[ReadingSpec] = (),
    why: str = "",
    who: User | None = None,
) -> Pull:
    """A pull (needs study, lot and item) was done on its real day, early or late too; with what was seen so far.

    Raises WrongState where it is done or missed already or the study is closed; BadInput for a day in the future or
    before the start, and for readings that the tests cannot have.
    """
    check_why(why)
    _, day = moment_and_day(None, done_on, "done_on")
    study, pull = _lock_pull(pull)
    _expect_planned(study, pull)
    if day < study.started_on:
        fault = Fault("done_on", str(day), f"a day from {study.started_on}")
        raise BadInput(f"study {study.code} started on {study.started_on}", faults=[fault])
    pull.done_on, pull.done_by = day, who
    pull.save(update_fields=["done_on", "done_by"])
    PullRecord.objects.create(pull=pull, kind=PullRecord.Kind.DONE, on=day, why=why, who=who, recorded_at=clock.now())
    _write_readings(study, pull, readings, who)
    return pull


@write
def record_readings(*, pull: Pull, readings: Sequence[ReadingSpec], who: User | None = None) -> Pull:
    """What was seen later of a pull that was done: a laboratory's answer, a sample looked at again.

    Raises WrongState where the pull is not done or the study is closed, BadInput for values that a test cannot have.
    """
    study, pull = _lock_pull(pull)
    if pull.done_on is None:
        raise WrongState(f"{_name(study, pull)} is not done", code="not_done")
    _write_readings(study, pull, readings, who)
    return pull


def _write_readings(study: Study, pull: Pull, readings: Sequence[ReadingSpec], who: User | None) -> None:
    tests = {test.name: test for test in study.tests.all()}
    faults: list[Fault] = []
    rows: list[Reading] = []
    seen: set[tuple[str, int]] = set()
    for at, one in enumerate(readings):
        path = f"readings[{at}]."
        test = tests.get(one.test)
        if test is None:
            accepted = "one of " + "; ".join(tests) if tests else "nothing: this study has no tests"
            faults.append(Fault(f"{path}test", one.test[:80], accepted))
            continue
        if not 1 <= one.sample <= pull.samples:
            faults.append(Fault(f"{path}sample", str(one.sample), f"from 1 to {pull.samples}"))
        if (one.test, one.sample) in seen:
            faults.append(Fault(f"{path}test", one.test, "each test once for a sample"))
        seen.add((one.test, one.sample))
        try:
            passed = judge(test, one.value)
        except BadInput as error:
            faults += [replace(fault, field=f"{path}value") for fault in error.faults]
            continue
        rows.append(
            Reading(
                pull=pull,
                test=test,
                sample=one.sample,
                value=one.value.strip(),
                passed=passed,
                who=who,
                recorded_at=clock.now(),
            )
        )
    if faults:
        raise BadInput("a reading is not accepted; nothing was changed", faults=faults)
    Reading.objects.bulk_create(rows)


def judge(test: StudyTest, value: str) -> bool | None:
    """Whether a value meets the test; None for one with neither limits nor an expected answer. Raises BadInput."""
    if test.low is None and test.high is None and not test.expected:
        if not 0 < len(value.strip()) <= NAME_LENGTH:
            fault = Fault(test.name, value[:80], f"what was seen, in at most {NAME_LENGTH} characters")
            raise BadInput(fault.sentence(), faults=[fault])
        return None
    return passes(Check(name=test.name, low=test.low, high=test.high, expected=test.expected), value)


@write
def miss_pull(*, pull: Pull, why: str, who: User | None = None) -> Pull:
    """A pull was missed, or cannot be done any more (a broken jar): the reason is said. Raises WrongState, BadInput."""
    if not why.strip():
        raise BadInput("say why it was missed", code="why_needed", faults=[Fault("why", "", "the reason")])
    check_why(why)
    study, pull = _lock_pull(pull)
    _expect_planned(study, pull)
    pull.missed_on, pull.missed_by, pull.missed_why = clock.today(), who, why
    pull.save(update_fields=["missed_on", "missed_by", "missed_why"])
    PullRecord.objects.create(
        pull=pull, kind=PullRecord.Kind.MISSED, on=pull.missed_on, why=why, who=who, recorded_at=clock.now()
    )
    return pull


@write
def reopen_pull(*, pull: Pull, why: str, who: User | None = None) -> Pull:
    """What was said of a pull was a mistake: it is planned again, and its readings are withdrawn, still readable.

    Raises WrongState where the pull is planned or the study is closed, BadInput without a reason.
    """
    if not why.strip():
        raise BadInput("say why it is opened again", code="why_needed", faults=[Fault("why", "", "the reason")])
    check_why(why)
    study, pull = _lock_pull(pull)
    if pull.done_on is None and pull.missed_on is None:
        raise WrongState(f"{_name(study, pull)} is planned still", code="planned")
    pull.done_on = pull.done_by = pull.missed_on = pull.missed_by = None
    pull.missed_why = ""
    pull.save(update_fields=["done_on", "done_by", "missed_on", "missed_by", "missed_why"])
    Reading.objects.filter(pull=pull).update(withdrawn=True)
    PullRecord.objects.create(
        pull=pull, kind=PullRecord.Kind.REOPENED, on=clock.today(), why=why, who=who, recorded_at=clock.now()
    )
    return pull


def _expect_planned(study: Study, pull: Pull) -> None:
    if pull.done_on is not None:
        raise WrongState(f"{_name(study, pull)} was done on {pull.done_on}", code="done")
    if pull.missed_on is not None:
        raise WrongState(f"{_name(study, pull)} was missed: {pull.missed_why}", code="missed")


def _name(study: Study, pull: Pull) -> str:
    return f"pull {pull.number} of study {study.code}"


# --- a study ends ------------------------------------------------------------------------------------------


@write
def close_study(
    *,
    study: Study,
    conclusion: str,
    proposed_life_days: int | None = None,
    life_basis: str = "",
    closed_on: date | None = None,
    who: User | None = None,
) -> Study:
    """Quality's word ends a study (needs lot and item). Pulls that are planned still are missed by it.

    A proposed life says on what it rests. It changes no item: who sets an item's life does so there, with the assessor.
    Raises BadInput for a blank conclusion, a life without its basis, a day in the future or before a pull that was
    done; WrongState where it is closed already.
    """
    _check_conclusion(conclusion, proposed_life_days, life_basis)
    _, day = moment_and_day(None, closed_on, "closed_on")
    study = _lock_study(study)
    done = study.pulls.exclude(done_on=None).order_by("-done_on").values_list("done_on", flat=True).first()
    earliest = max(study.started_on, done or study.started_on)
    if day < earliest:
        raise BadInput(
            f"study {study.code} was under way on {earliest}", faults=[Fault("closed_on", str(day), f"from {earliest}")]
        )
    planned = list(study.pulls.filter(done_on=None, missed_on=None))
    study.pulls.filter(pk__in=[pull.pk for pull in planned]).update(
        missed_on=day, missed_by=who, missed_why=STUDY_CLOSED
    )
    PullRecord.objects.bulk_create(
        PullRecord(pull=pull, kind=PullRecord.Kind.MISSED, on=day, why=STUDY_CLOSED, who=who, recorded_at=clock.now())
        for pull in planned
    )
    study.status, study.closed_on, study.closed_by = Study.Status.CLOSED, day, who
    study.conclusion, study.proposed_life_days, study.life_basis = conclusion.strip(), proposed_life_days, life_basis
    study.save(update_fields=["status", "closed_on", "closed_by", "conclusion", "proposed_life_days", "life_basis"])
    return study


def _check_conclusion(conclusion: str, proposed_life_days: int | None, life_basis: str) -> None:
    if not conclusion.strip():
        raise BadInput(
            "say what the study showed", code="conclusion_needed", faults=[Fault("conclusion", "", "what it showed")]
        )
    check_text("conclusion", conclusion, TEXT_LENGTH)
    check_text("life_basis", life_basis, WHY_LENGTH)
    if proposed_life_days is not None and not life_basis.strip():
        fault = Fault("life_basis", "", "what the proposed life rests on")
        raise BadInput("a proposed life says what it rests on", code="basis_needed", faults=[fault])
    if proposed_life_days is None and life_basis.strip():
        fault = Fault("proposed_life_days", "", "the life that rests on it")
        raise BadInput("a basis belongs to a proposed life", faults=[fault])
