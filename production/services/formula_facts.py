"""What versions of formulas say, as people write it: for the change log. In bulk; writes nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from inventory.quantities import show_percent
from inventory.services.changes import shown
from production.models import Check, FormulaVersion, Line, LineSubstitute, Step


def facts_of(version_ids: Sequence[int]) -> dict[int, dict[str, str]]:
    """By version id: its head, and its lines, steps and checks as one text each. A fixed number of queries."""
    if not version_ids:
        return {}
    told: dict[int, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    stand_ins: dict[int, list[str]] = defaultdict(list)
    rows = LineSubstitute.objects.filter(line__version__in=version_ids).order_by("pk")
    for line_id, item, ratio in rows.values_list("line", "item__code", "ratio"):
        stand_ins[line_id].append(f" or {item} x {shown(ratio)}")
    for line in Line.objects.filter(version__in=version_ids).select_related("item").order_by("position"):
        told[line.version_id]["lines"].append(_line_told(line) + "".join(stand_ins[line.pk]))
    for step in Step.objects.filter(version__in=version_ids).order_by("position"):
        told[step.version_id]["steps"].append(_step_told(step))
    for check in Check.objects.filter(version__in=version_ids).order_by("pk"):
        told[check.version_id]["checks"].append(_check_told(check))
    return {
        version.pk: head_of(version)
        | {name: "\n".join(told[version.pk][name]) for name in ("lines", "steps", "checks")}
        for version in FormulaVersion.objects.filter(pk__in=version_ids)
    }


def head_of(version: FormulaVersion) -> dict[str, str]:
    """The head alone: sizes in base steps, the loss in milligrams. No query."""
    names = ("basis", "preferred", "loss_mg", "min_batch", "batch_multiple", "max_batch")
    return {"yield_percent": show_percent(version.yield_percent)} | {
        name: shown(getattr(version, name)) for name in names
    }


def _line_told(line: Line) -> str:
    tolerance = "" if line.tolerance_percent is None else f" within {show_percent(line.tolerance_percent)} %"
    lot = " from one lot" if line.single_lot else ""
    return f"{line.position} {line.phase} {line.item.code} {line.amount_written}{tolerance}{lot}".replace("  ", " ")


def _step_told(step: Step) -> str:
    degrees = "" if step.temperature_c is None else f" at {shown(step.temperature_c)} °C"
    minutes = "" if step.minutes is None else f" for {step.minutes} min"
    hands = "" if step.hands_on else ", unattended"
    return f"{step.position} {step.phase} {step.text}{degrees}{minutes}{hands}".replace("  ", " ")


def _check_told(check: Check) -> str:
    bounds = "" if check.low is None and check.high is None else f" from {shown(check.low)} to {shown(check.high)}"
    return f"{check.stage}: {check.name}{bounds} {check.unit} {check.expected}".strip()
