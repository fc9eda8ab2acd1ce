"""Writing, approving and retiring the versions of a formula.

A version that was approved or used is never edited: a change is a new version. One version of a formula is
approved at a time. Reads and writes formulas only: no stock moves here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import Item
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.quantities import MAX_MG, WHOLE, show_percent
from inventory.services.changes import Change, Kind, write_down
from inventory.services.ledger import is_whole
from inventory.transactions import write
from production import arithmetic
from production.amounts import Amount, AmountsRead, WrittenAmount, read_amounts
from production.arithmetic import Cuts
from production.models import Check, Formula, FormulaVersion, Line, LineSubstitute, Step
from production.services.formula_facts import facts_of, head_of

if TYPE_CHECKING:
    from django.contrib.auth.models import AbstractBaseUser as User

PERCENT = FormulaVersion.Basis.PERCENT
PER_UNIT = FormulaVersion.Basis.PER_UNIT

UNIT_LENGTH = 40
STEP_LENGTH = 10_000
MAX_POSITION = 2**31 - 1


@dataclass(frozen=True, slots=True)
class SubstituteSpec:
    item: Item
    ratio: Decimal  # of the substitute for one of the line's item


@dataclass(frozen=True, slots=True)
class LineSpec:
    """One line as written: ``amount`` is "12.5", "qs", or a quantity for one unit. A blank position is the order."""

    item: Item
    amount: str
    position: int | None = None
    phase: str = ""
    tolerance_percent: int | None = None  # ten-thousandths of a percent
    single_lot: bool | None = None  # blank: yes for a mass intermediate on a per_unit formula
    substitutes: Sequence[SubstituteSpec] = ()


@dataclass(frozen=True, slots=True)
class StepSpec:
    text: str
    position: int | None = None
    phase: str = ""
    temperature_c: Decimal | None = None
    minutes: int | None = None
    hands_on: bool = True


@dataclass(frozen=True, slots=True)
class CheckSpec:
    name: str
    stage: str
    unit: str = ""
    low: Decimal | None = None
    high: Decimal | None = None
    expected: str = ""


@dataclass(frozen=True, slots=True)
class VersionSpec:
    """One version of a formula as written. Sizes are charges: mg for percent, units begun for per_unit."""

    formula_code: str
    item: Item
    basis: str
    lines: Sequence[LineSpec]
    version: int | None = None  # blank: the next one
    yield_percent: int = WHOLE
    loss_mg: int = 0
    preferred: bool = False
    min_batch: int = 0
    batch_multiple: int = 1
    max_batch: int | None = None
    steps: Sequence[StepSpec] = ()
    checks: Sequence[CheckSpec] = ()


@dataclass(slots=True)
class Findings:
    """What stands against approving a version, and what a person should know before doing so."""

    faults: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@write
def make_formula(*, spec: VersionSpec, who: User | None = None) -> FormulaVersion:
    """Write the first version of a new formula. Raises Conflict for a code that is taken; else as ``write_version``."""
    if Formula.objects.filter(code=spec.formula_code).exists():
        fault = Fault("formula", spec.formula_code, "a code that no formula has")
        raise Conflict(fault.sentence(), code="code_taken", faults=[fault])
    return write_version(spec=spec, who=who)


@write
def write_version(*, spec: VersionSpec, who: User | None = None) -> FormulaVersion:
    """Write one version as a draft. Raises BadInput for a value, WrongState where it may not be edited."""
    return write_versions(specs=[spec], who=who)[0]


@write
def write_versions(*, specs: Sequence[VersionSpec], who: User | None = None) -> list[FormulaVersion]:
    """Write versions as drafts, in bulk: a fixed number of statements however many.

    1. Read every amount and check every value; nothing is written while one is wrong.
    2. Make the formulas that are not there yet; a formula never changes the item it makes.
    3. Replace the content of drafts that were never used, refuse to edit any other version.
    4. Write lines, substitutes, steps and checks.

    Raises BadInput with a fault for each wrong value, WrongState for a version that was approved or used.
    """
    amounts = [_read_amounts(spec) for spec in specs]
    faults = [fault for spec, read in zip(specs, amounts, strict=True) for fault in _faults_of_values(spec, read)]
    if faults:
        raise BadInput(faults[0].sentence(), faults=faults)
    formulas = _formulas_for(specs)
    stood = facts_of(_stand_already(specs, formulas))
    versions = _drafts_for(specs, formulas)
    _write_content(specs, amounts, versions)
    _write_down_versions(specs, versions, stood, who)
    return versions


def _stand_already(specs: Sequence[VersionSpec], formulas: Mapping[str, Formula]) -> list[int]:
    """Ids of the versions that the specs write anew."""
    named = {(formulas[spec.formula_code].pk, spec.version) for spec in specs if spec.version}
    rows = FormulaVersion.objects.filter(formula_id__in={formula for formula, _ in named})
    return [pk for pk, *name in rows.values_list("pk", "formula_id", "version") if tuple(name) in named]


def _write_down_versions(
    specs: Sequence[VersionSpec],
    versions: Sequence[FormulaVersion],
    stood: Mapping[int, Mapping[str, str]],
    who: User | None,
) -> None:
    """Of a draft written anew, what differs; a new version is its own record, so that its head is enough."""
    now = facts_of(list(stood))
    write_down(
        [
            Change(
                Kind.FORMULA,
                spec.formula_code,
                stood.get(version.pk),
                now.get(version.pk) or head_of(version),
                f"v{version.version}",
            )
            for spec, version in zip(specs, versions, strict=True)
        ],
        who,
    )


def _status_change(version: FormulaVersion, before: str, after: str) -> Change:
    detail = f"v{version.version}"
    return Change(Kind.FORMULA, version.formula.code, {"status": before}, {"status": after}, detail)


def _read_amounts(spec: VersionSpec) -> AmountsRead:
    written = [WrittenAmount(line.amount, line.item.measure, line.item.density_g_per_ml) for line in spec.lines]
    return read_amounts(spec.basis, written)


def positions_of(rows: Iterable[LineSpec | StepSpec]) -> list[int]:
    """The position of each row: its own, or its place in the order where it gives none."""
    return [index if row.position is None else row.position for index, row in enumerate(rows, start=1)]


def _faults_of_values(spec: VersionSpec, read: AmountsRead) -> list[Fault]:
    """Values that no state would accept. What stands against approval only is found by ``check_versions``."""
    faults = [*_faults_of_head(spec), *_faults_of_texts(spec), *_faults_of_numbers(spec)]
    for index, accepted in read.refused.items():
        faults.append(Fault("amount", spec.lines[index].amount, accepted, row=index + 1))
    faults.extend(_named_twice("position", positions_of(spec.lines)))
    faults.extend(_named_twice("step", positions_of(spec.steps)))
    faults.extend(_named_twice("check", [f"{check.name} ({check.stage})" for check in spec.checks]))
    for index, line in enumerate(spec.lines, start=1):
        if line.tolerance_percent is not None and not 0 <= line.tolerance_percent <= WHOLE:
            faults.append(Fault("tolerance_percent", str(line.tolerance_percent), "from 0 to 100", row=index))
        for substitute in line.substitutes:
            if substitute.item.pk == line.item.pk or substitute.item.measure != line.item.measure:
                faults.append(Fault("substitute", substitute.item.code, "another item of the same measure", row=index))
        for twice in _named_twice("substitute", [substitute.item.code for substitute in line.substitutes]):
            faults.append(replace(twice, accepted="each only once for a line", row=index))
    for index, check in enumerate(spec.checks, start=1):
        if check.stage not in Check.Stage.values:
            faults.append(Fault("stage", check.stage, ", ".join(Check.Stage.values), row=index))
        if check.low is not None and check.high is not None and check.low > check.high:
            faults.append(Fault("low", str(check.low), f"at most high, {check.high}", row=index))
    return faults


def _faults_of_texts(spec: VersionSpec) -> list[Fault]:
    """Texts that are blank where there must be one, or longer than is kept."""
    texts: list[tuple[str, str, int, int, int | None]] = [("formula", spec.formula_code, 1, CODE_LENGTH, None)]
    for index, line in enumerate(spec.lines, start=1):
        texts.append(("phase", line.phase, 0, CODE_LENGTH, index))
    for index, step in enumerate(spec.steps, start=1):
        texts.append(("phase", step.phase, 0, CODE_LENGTH, index))
        texts.append(("text", step.text.strip(), 1, STEP_LENGTH, index))
    for index, check in enumerate(spec.checks, start=1):
        texts.append(("check", check.name.strip(), 1, NAME_LENGTH, index))
        texts.append(("unit", check.unit, 0, UNIT_LENGTH, index))
        texts.append(("expected", check.expected, 0, NAME_LENGTH, index))
    return [
        Fault(name, text[:80], f"{least} to {most} characters", row=row)
        for name, text, least, most, row in texts
        if not least <= len(text) <= most or "\0" in text
    ]


def _faults_of_numbers(spec: VersionSpec) -> list[Fault]:
    """Numbers outside what the tables keep of them exactly."""
    faults = []
    wholes = [("position", row.position, index) for index, row in enumerate(spec.lines, start=1)]
    wholes += [("step", row.position, index) for index, row in enumerate(spec.steps, start=1)]
    wholes += [("minutes", row.minutes, index) for index, row in enumerate(spec.steps, start=1)]
    for name, number, row in wholes:
        if number is not None and not (is_whole(number) and 0 <= number <= MAX_POSITION):
            faults.append(Fault(name, str(number), f"a whole number from 0 to {MAX_POSITION}", row=row))
    decimals: list[tuple[str, Decimal | None, int, int, int]] = [
        ("temperature_c", step.temperature_c, 4, 1, index) for index, step in enumerate(spec.steps, start=1)
    ]
    for index, check in enumerate(spec.checks, start=1):
        decimals += [("low", check.low, 10, 4, index), ("high", check.high, 10, 4, index)]
    for index, line in enumerate(spec.lines, start=1):
        decimals += [("ratio", substitute.ratio, 6, 6, index) for substitute in line.substitutes]
    for name, value, before, after, row in decimals:
        if value is not None and not _is_kept_exactly(value, before, after, above_zero=name == "ratio"):
            least = "above 0 " if name == "ratio" else ""
            accepted = f"a number {least}with at most {before} digits before and {after} after the point"
            faults.append(Fault(name, str(value), accepted, row=row))
    return faults


def _is_kept_exactly(value: Decimal, before: int, after: int, *, above_zero: bool) -> bool:
    if not value.is_finite() or (above_zero and value <= 0):
        return False
    return abs(value) < 10**before and value == round(value, after)


def _named_twice(name: str, values: Sequence[object]) -> list[Fault]:
    twice = dict.fromkeys(value for value in values if values.count(value) > 1)
    return [Fault(name, str(value), "each only once in a version") for value in twice]


def _faults_of_head(spec: VersionSpec) -> list[Fault]:
    checks = [
        (
            spec.basis in FormulaVersion.Basis.values,
            "basis",
            spec.basis,
            ", ".join(FormulaVersion.Basis.values),
        ),
        (
            spec.version is None or _is_from(1, spec.version, MAX_POSITION),
            "version",
            spec.version,
            "a whole number above 0",
        ),
        (
            _is_from(1, spec.yield_percent, WHOLE),
            "yield_percent",
            spec.yield_percent,
            f"above 0 to {WHOLE} ten-thousandths of a percent",
        ),
        (_is_from(0, spec.loss_mg, MAX_MG), "loss", spec.loss_mg, "a quantity of at least 0"),
        (
            not (spec.loss_mg and spec.basis == PER_UNIT),
            "loss",
            spec.loss_mg,
            "blank: a loss is for percent formulas",
        ),
        (_is_from(0, spec.min_batch, MAX_MG), "min_batch", spec.min_batch, "a quantity of at least 0"),
        (_is_from(1, spec.batch_multiple, MAX_MG), "batch_multiple", spec.batch_multiple, "a quantity above 0"),
        (
            spec.max_batch is None or _is_from(1, spec.max_batch, MAX_MG),
            "max_batch",
            spec.max_batch,
            "a quantity above 0",
        ),
    ]
    return [Fault(name, str(value), accepted) for holds, name, value, accepted in checks if not holds]


def _is_from(least: int, number: int, most: int) -> bool:
    return is_whole(number) and least <= number <= most


def _formulas_for(specs: Sequence[VersionSpec]) -> dict[str, Formula]:
    wanted = {spec.formula_code: spec.item for spec in specs}
    for spec in specs:
        _same_output(spec, wanted[spec.formula_code])
    found = {row.code: row for row in Formula.objects.filter(code__in=wanted).select_related("item")}
    for spec in specs:
        if spec.formula_code in found:
            _same_output(spec, found[spec.formula_code].item)
    made = Formula.objects.bulk_create(
        Formula(code=code, item=item) for code, item in wanted.items() if code not in found
    )
    return found | {formula.code: formula for formula in made}


def _same_output(spec: VersionSpec, item: Item) -> None:
    if spec.item.pk != item.pk:
        fault = Fault("item", spec.item.code, f"{item.code}, which formula {spec.formula_code} makes")
        raise BadInput(fault.sentence(), faults=[fault])


def _drafts_for(specs: Sequence[VersionSpec], formulas: Mapping[str, Formula]) -> list[FormulaVersion]:
    """The rows to write into, in the order of the specs: unused drafts emptied, the others new."""
    ids = [formula.pk for formula in formulas.values()]
    latest: dict[int, int] = defaultdict(int)
    existing: dict[tuple[int, int], FormulaVersion] = {}
    for row in FormulaVersion.objects.filter(formula_id__in=ids):
        existing[row.formula_id, row.version] = row
        latest[row.formula_id] = max(latest[row.formula_id], row.version)
    used = set(FormulaVersion.objects.filter(formula_id__in=ids, batches__isnull=False).values_list("pk", flat=True))
    versions, new, kept = [], [], []
    for spec in specs:
        formula = formulas[spec.formula_code]
        number = spec.version or latest[formula.pk] + 1
        latest[formula.pk] = max(latest[formula.pk], number)
        version = existing.get((formula.pk, number))
        if version is None:
            version = FormulaVersion(formula=formula, version=number)
            new.append(version)
        else:
            _refuse_edit(version, formula.code, version.pk in used)
            kept.append(version)
        for name in _HEAD:
            setattr(version, name, getattr(spec, name))
        versions.append(version)
    FormulaVersion.objects.bulk_create(new)
    if kept:
        FormulaVersion.objects.bulk_update(kept, _HEAD)
        for rows in (Line, Step, Check):
            rows.objects.filter(version__in=kept).delete()
    return versions


_HEAD = ["basis", "yield_percent", "loss_mg", "preferred", "min_batch", "batch_multiple", "max_batch"]


def _refuse_edit(version: FormulaVersion, code: str, used: bool) -> None:
    if used or version.status != FormulaVersion.Status.DRAFT:
        reason = "was used" if used else f"is {version.status}"
        raise WrongState(
            f"formula {code} version {version.version} {reason}: write the change as a new version",
            code="version_closed",
        )


def _write_content(
    specs: Sequence[VersionSpec], amounts: Sequence[AmountsRead], versions: Sequence[FormulaVersion]
) -> None:
    lines: list[Line] = []
    substitutes: list[LineSubstitute] = []
    steps: list[Step] = []
    checks: list[Check] = []
    for spec, read, version in zip(specs, amounts, versions, strict=True):
        for line_spec, position, amount in zip(spec.lines, positions_of(spec.lines), read.amounts, strict=True):
            assert amount is not None
            line = _line_of(spec, line_spec, position, amount, version)
            lines.append(line)
            substitutes.extend(
                LineSubstitute(line=line, item=one.item, ratio=one.ratio) for one in line_spec.substitutes
            )
        for step, position in zip(spec.steps, positions_of(spec.steps), strict=True):
            steps.append(
                Step(
                    version=version,
                    position=position,
                    phase=step.phase,
                    text=step.text,
                    temperature_c=step.temperature_c,
                    minutes=step.minutes,
                    hands_on=step.hands_on,
                )
            )
        checks.extend(
            Check(
                version=version,
                name=check.name,
                stage=check.stage,
                unit=check.unit,
                low=check.low,
                high=check.high,
                expected=check.expected,
            )
            for check in spec.checks
        )
    Line.objects.bulk_create(lines)
    LineSubstitute.objects.bulk_create(substitutes)
    Step.objects.bulk_create(steps)
    Check.objects.bulk_create(checks)


def _line_of(spec: VersionSpec, line: LineSpec, position: int, amount: Amount, version: FormulaVersion) -> Line:
    single_lot = line.single_lot
    if single_lot is None:
        single_lot = (
            spec.basis == PER_UNIT
            and line.item.kind == Item.Kind.INTERMEDIATE
            and line.item.measure == Item.Measure.MASS
        )
    return Line(
        version=version,
        position=position,
        phase=line.phase,
        item=line.item,
        percent=amount.percent,
        qs=amount.qs,
        numerator=amount.per_unit.numerator if amount.per_unit is not None else None,
        denominator=amount.per_unit.denominator if amount.per_unit is not None else None,
        is_volume=amount.is_volume,
        amount_written=amount.text,
        tolerance_percent=line.tolerance_percent,
        single_lot=single_lot,
    )


@write
def new_version_from(*, version: FormulaVersion, who: User | None = None) -> FormulaVersion:
    """A draft with the same content under the formula's next number."""
    return write_version(spec=spec_of(version), who=who)


def spec_of(version: FormulaVersion) -> VersionSpec:
    """A version's content as written, without its number: to be changed and written as a new one."""
    lines = [
        LineSpec(
            item=line.item,
            amount=line.amount_written,
            position=line.position,
            phase=line.phase,
            tolerance_percent=line.tolerance_percent,
            single_lot=line.single_lot,
            substitutes=[SubstituteSpec(one.item, one.ratio) for one in line.substitutes.all()],
        )
        for line in version.lines.select_related("item").prefetch_related("substitutes__item").order_by("position")
    ]
    steps = [
        StepSpec(step.text, step.position, step.phase, step.temperature_c, step.minutes, step.hands_on)
        for step in version.steps.order_by("position")
    ]
    checks = [
        CheckSpec(check.name, check.stage, check.unit, check.low, check.high, check.expected)
        for check in version.checks.order_by("pk")
    ]
    formula = Formula.objects.select_related("item").get(pk=version.formula_id)
    return VersionSpec(
        formula_code=formula.code,
        item=formula.item,
        lines=lines,
        steps=steps,
        checks=checks,
        **{name: getattr(version, name) for name in _HEAD},
    )


@write
def approve(*, version: FormulaVersion, who: User | None = None) -> list[str]:
    """Approve a version; the one that was approved is retired. Answers what a person should know.

    Raises WrongState when it is approved already, BadInput naming everything that stands against it.
    """
    return approve_versions(versions=[version], who=who)[version.pk]


@write
def approve_versions(*, versions: Sequence[FormulaVersion], who: User | None = None) -> dict[int, list[str]]:
    """Approve many versions at once, all or none; answers the warnings by version id.

    1. Lock the formulas: approvals come one after another, or two at once could close a loop together.
    2. Check every version against what would then be approved.
    3. Retire what was approved, then approve.
    """
    list(Formula.objects.order_by("pk").select_for_update(no_key=True).values_list("pk", flat=True))
    rows = list(FormulaVersion.objects.filter(pk__in=[version.pk for version in versions]).select_related("formula"))
    if len({row.formula_id for row in rows}) < len(rows):
        raise BadInput("two versions of one formula: one is approved at a time", code="not_approvable")
    for row in rows:
        if row.status == FormulaVersion.Status.APPROVED:
            raise WrongState(f"formula {row.formula.code} version {row.version} is approved already")
    findings = check_versions(rows)
    faults = [
        Fault(f"formula {row.formula.code} version {row.version}", fault, "a version that can be made")
        for row in rows
        for fault in findings[row.pk].faults
    ]
    if faults:
        raise BadInput(
            "; ".join(f"{fault.field}: {fault.value}" for fault in faults), code="not_approvable", faults=faults
        )
    approved = FormulaVersion.objects.filter(
        formula_id__in=[row.formula_id for row in rows], status=FormulaVersion.Status.APPROVED
    )
    ends = [_status_change(row, "approved", "retired") for row in approved.select_related("formula")]
    write_down([*ends, *(_status_change(row, row.status, "approved") for row in rows)], who)
    approved.update(status=FormulaVersion.Status.RETIRED)
    moment = clock.now()
    FormulaVersion.objects.filter(pk__in=[row.pk for row in rows]).update(
        status=FormulaVersion.Status.APPROVED, approved_at=moment, approved_by=who
    )
    for version in versions:
        version.status, version.approved_at = FormulaVersion.Status.APPROVED, moment
    return {row.pk: findings[row.pk].warnings for row in rows}


@write
def retire(*, version: FormulaVersion, who: User | None = None) -> None:
    """Retire a version: nothing new is planned from it, and a batch that waits for it may not start."""
    retired = FormulaVersion.objects.filter(pk=version.pk).exclude(status=FormulaVersion.Status.RETIRED)
    if not retired.update(status=FormulaVersion.Status.RETIRED):
        raise WrongState("this version is retired already")
    write_down([_status_change(version, version.status, "retired")], who)
    version.status = FormulaVersion.Status.RETIRED


def check_version(version: FormulaVersion) -> Findings:
    return check_versions([version])[version.pk]


def check_versions(versions: Sequence[FormulaVersion]) -> dict[int, Findings]:
    """What stands against each version, were all of them approved together; by version id.

    A fixed number of queries however many versions.
    """
    ids = [version.pk for version in versions]
    heads = {row.pk: row for row in FormulaVersion.objects.filter(pk__in=ids).select_related("formula__item")}
    lines: dict[int, list[Line]] = defaultdict(list)
    for line in Line.objects.filter(version_id__in=ids).select_related("item").order_by("version_id", "position"):
        lines[line.version_id].append(line)
    checked = set(
        Check.objects.filter(version_id__in=ids)
        .exclude(stage=Check.Stage.STABILITY)
        .values_list("version_id", flat=True)
    )
    findings = {pk: _findings_of(heads[pk], lines[pk], pk in checked) for pk in ids}
    for pk, path in _loops(heads.values()).items():
        findings[pk].faults.append("a loop: " + " -> ".join(path))
    return findings


def _findings_of(version: FormulaVersion, lines: Sequence[Line], has_checks: bool) -> Findings:
    found = Findings()
    item = version.formula.item
    if item.kind == Item.Kind.SUPPLY or item.drawn:
        found.faults.append(f"{item.code} is never made: it is {'drawn' if item.drawn else 'a supply'}")
    if not lines:
        found.faults.append("no lines")
    if version.basis == PERCENT:
        _check_percent(version, lines, found)
    else:
        _check_per_unit(version, lines, found)
    for line in lines:
        if line.item.kind == Item.Kind.SUPPLY:
            found.faults.append(f"line {line.position}: {line.item.code} is a supply, which is never in a formula")
    found.faults.extend(arithmetic.faults_of_cuts(cuts_of(version)))
    if item.release_by == Item.ReleaseBy.CHECKS and not has_checks:
        found.warnings.append(
            f"{item.code} is released by checks, but there are none: its lots will wait for a decision"
        )
    if item.shelf_life_days is None and item.shelf_life_hours is None:
        found.warnings.append(f"{item.code} has no life: its lots will have no date and cannot be released")
    return found


def cuts_of(version: FormulaVersion) -> Cuts:
    return Cuts(
        yield_percent=version.yield_percent,
        loss_mg=version.loss_mg,
        min_batch=version.min_batch,
        batch_multiple=version.batch_multiple,
        max_batch=version.max_batch,
    )


def _check_percent(version: FormulaVersion, lines: Sequence[Line], found: Findings) -> None:
    if version.formula.item.measure != Item.Measure.MASS:
        found.faults.append(f"a percent formula makes a mass: {version.formula.item.code} is counted")
    for line in lines:
        if line.item.measure != Item.Measure.MASS or line.numerator is not None:
            found.faults.append(
                f"line {line.position}: {line.item.code} needs a percentage of an item measured by mass"
            )
    if not lines or any(line.numerator is not None for line in lines):
        return
    percents = [line.percent for line in lines]
    fault = arithmetic.describe_total(percents)
    if fault:
        found.faults.append(fault)
        return
    totals: dict[str, int] = defaultdict(int)
    for line, percent in zip(lines, arithmetic.resolve_rest(percents), strict=True):
        totals[line.item.code] += percent
    items = {line.item.code: line.item for line in lines}
    for code, percent in totals.items():
        low, high = items[code].min_percent, items[code].max_percent
        if high is not None and percent > high:
            found.warnings.append(f"{code}: {show_percent(percent)} % is over its use limit of {show_percent(high)} %")
        if low is not None and percent < low:
            found.warnings.append(f"{code}: {show_percent(percent)} % is under its minimum of {show_percent(low)} %")


def _check_per_unit(version: FormulaVersion, lines: Sequence[Line], found: Findings) -> None:
    if version.formula.item.measure != Item.Measure.COUNT:
        found.faults.append(f"a per_unit formula makes pieces: {version.formula.item.code} is a mass")
    if version.loss_mg:
        found.faults.append("a loss is for percent formulas")
    written = [WrittenAmount(line.amount_written, line.item.measure, line.item.density_g_per_ml) for line in lines]
    for index, accepted in read_amounts(PER_UNIT, written).refused.items():
        line = lines[index]
        found.faults.append(f'line {line.position}: {line.item.code} "{line.amount_written}"; accepted: {accepted}')


def _loops(versions: Iterable[FormulaVersion]) -> dict[int, list[str]]:
    """The loop each version would be part of, as item codes, were these versions approved.

    1. Edges from every approved version's item to its lines' items, these versions in place of their formulas'.
    2. Items that nothing is made of, or that need nothing made, cannot be in a loop: take them away until none is.
    3. What remains holds the loops; each version's own is found by a breadth-first search.
    """
    versions = list(versions)
    edges = _edges_with(versions)
    edges = _only_loops(edges)
    if not edges:
        return {}
    codes = dict(Item.objects.filter(pk__in=edges).values_list("pk", "code"))
    loops = {}
    for version in versions:
        path = _way_back(version.formula.item_id, edges)
        if path:
            loops[version.pk] = [codes[item] for item in path]
    return loops


def _edges_with(versions: Sequence[FormulaVersion]) -> dict[int, set[int]]:
    replaced = {version.formula_id for version in versions}
    edges: dict[int, set[int]] = defaultdict(set)
    approved = Line.objects.filter(version__status=FormulaVersion.Status.APPROVED).exclude(
        version_id__in=[version.pk for version in versions]
    )
    for formula_id, item_id, line_item_id in approved.values_list(
        "version__formula_id", "version__formula__item_id", "item_id"
    ):
        if formula_id not in replaced:
            edges[item_id].add(line_item_id)
    outputs = {version.pk: version.formula.item_id for version in versions}
    for version_id, line_item_id in Line.objects.filter(version_id__in=outputs).values_list("version_id", "item_id"):
        edges[outputs[version_id]].add(line_item_id)
    return edges


def _only_loops(edges: Mapping[int, set[int]]) -> dict[int, set[int]]:
    left = {item: set(needs) for item, needs in edges.items()}
    while True:
        needed = set().union(*left.values()) if left else set()
        smaller = {item: needs & left.keys() for item, needs in left.items() if item in needed and needs & left.keys()}
        if len(smaller) == len(left):
            return smaller
        left = smaller


def _way_back(start: int, edges: Mapping[int, set[int]]) -> list[int]:
    """The shortest way from an item to itself, both ends named; empty where there is none."""
    came_from: dict[int, int] = {}
    frontier = [start] if start in edges else []
    while frontier:
        following = []
        for item in frontier:
            for needed in sorted(edges.get(item, ())):
                if needed == start:
                    path = [start, item]
                    while path[-1] != start:
                        path.append(came_from[path[-1]])
                    return path[::-1]
                if needed not in came_from:
                    came_from[needed] = item
                    following.append(needed)
        frontier = following
    return []
