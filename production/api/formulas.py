"""Formulas: the written methods, their versions, and what approves or retires one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict
from typing import Any

from django.urls import path, register_converter
from django.urls.converters import IntConverter
from rest_framework.request import Request

from inventory import cells
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
    reads,
    shown,
    writes,
)
from inventory.api.pages import Listing
from inventory.errors import Fault, NotFound
from inventory.models import Item
from inventory.quantities import COUNT, MASS, WHOLE, show_percent, show_quantity
from inventory.selectors import find_item
from production import selectors
from production.api.places import steps_of, told_at
from production.models import Formula, FormulaVersion
from production.services import formulas
from production.services.formulas import CheckSpec, LineSpec, StepSpec, SubstituteSpec, VersionSpec

BASES = ("percent", "per_unit")
STATUSES = ("draft", "approved", "retired")
STAGES = ("in_process", "release", "stability")
POSITIONS = (1, 1_000_000)
FORMULAS = Formula.objects.values("code", "item__code")


class VersionConverter(IntConverter):
    """The number of a version in a path."""

    regex = "[1-9][0-9]{0,5}"


register_converter(VersionConverter, "version")


class Amount(fields.CellField):
    """A formula line's amount as text; the view gets the text: what it may be depends on all lines."""

    schema = {"type": "string", "format": "amount", "maxLength": 40}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(cells.amount(), **kwargs)


# --- what a version holds ----------------------------------------------------------------------------------


class SubstituteForm(Form):
    """``ratio`` of the substitute stands in for one of the line's item."""

    substitute = fields.Code(refers_to="items")
    ratio = fields.Number("0", "100000", 6, above=True)


class LineForm(Form):
    """A line without a position has its place in the order."""

    position = fields.Whole(*POSITIONS, required=False)
    phase = fields.Text(64, required=False, blank=True)
    item = fields.Code(refers_to="items")
    amount = Amount()
    tolerance_percent = fields.Percent(required=False, allow_null=True)
    single_lot = fields.Flag(required=False)
    substitutes = Lines(child=SubstituteForm(), most=50, allow_empty=True, required=False)


class StepForm(Form):
    """A step without a position has its place in the order."""

    position = fields.Whole(*POSITIONS, required=False)
    phase = fields.Text(64, required=False, blank=True)
    text = fields.LongText()
    temperature_c = fields.Number("-100", "1000", 1, required=False, allow_null=True)
    minutes = fields.Whole(0, 1_000_000, required=False, allow_null=True)
    hands_on = fields.Flag(required=False)


class CheckForm(Form):
    check = fields.Text()
    stage = fields.Choice(*STAGES)
    unit = fields.Text(40, required=False, blank=True)
    low = fields.Number("-1000000000", "1000000000", 4, required=False, allow_null=True)
    high = fields.Number("-1000000000", "1000000000", 4, required=False, allow_null=True)
    expected = fields.Text(required=False, blank=True)


class VersionForm(Form):
    """The whole content of a draft. Sizes are charges: a mass for percent, units begun for per_unit."""

    basis = fields.Choice(*BASES)
    yield_percent = fields.Percent(1, required=False)
    loss = fields.Quantity(0, required=False)
    preferred = fields.Flag(required=False)
    min_batch = fields.Quantity(0, required=False)
    batch_multiple = fields.Quantity(required=False, allow_null=True)
    max_batch = fields.Quantity(required=False, allow_null=True)
    lines = Lines(child=LineForm())
    steps = Lines(child=StepForm(), allow_empty=True, required=False)
    checks = Lines(child=CheckForm(), allow_empty=True, required=False)


class NewFormula(VersionForm):
    """A formula and the whole content of its first draft."""

    formula = fields.Code()
    item = fields.Code(refers_to="items")


class FormulaFilters(Form):
    """``status`` lists the formulas that have a version of it."""

    item = fields.Code(required=False)
    status = fields.Choice(*STATUSES, required=False)


# --- answers -----------------------------------------------------------------------------------------------


class VersionRow(Answer):
    """``approved_by`` is null where nobody was signed in."""

    version = fields.Whole(*POSITIONS)
    basis = fields.Choice(*BASES)
    yield_percent = fields.Percent(1)
    loss = fields.Quantity(0)
    status = fields.Choice(*STATUSES)
    preferred = fields.Flag()
    min_batch = fields.Quantity(0)
    batch_multiple = fields.Quantity(allow_null=True)
    max_batch = fields.Quantity(allow_null=True)
    approved_at = fields.Instant(allow_null=True)
    approved_by = fields.Text(150, allow_null=True)


class FormulaAnswer(Answer):
    formula = fields.Code()
    item = fields.Code()
    versions = VersionRow(many=True)


class CautionAnswer(Answer):
    item = fields.Code()
    caution = fields.LongText()


class FindingsAnswer(Answer):
    """What stands against approving the version, and what a person should know before."""

    faults = fields.ListOf(fields.LongText())
    warnings = fields.ListOf(fields.LongText())


SubstituteAnswer = answer_of(SubstituteForm, "Substitute")
LineAnswer = answer_of(LineForm, "FormulaLine", without=["substitutes"], substitutes=SubstituteAnswer(many=True))
StepAnswer = answer_of(StepForm, "Step")
CheckAnswer = answer_of(CheckForm, "Check")


class VersionAnswer(VersionRow):
    """A version with all that it holds, and the cautions of its items."""

    formula = fields.Code()
    item = fields.Code()
    lines = LineAnswer(many=True)
    steps = StepAnswer(many=True)
    checks = CheckAnswer(many=True)
    cautions = CautionAnswer(many=True)
    findings = FindingsAnswer()


class ApprovedAnswer(Answer):
    formula = fields.Code()
    version = fields.Whole(*POSITIONS)
    status = fields.Choice(*STATUSES)
    warnings = fields.ListOf(fields.LongText())


# --- rows --------------------------------------------------------------------------------------------------


def version_row(row: dict[str, Any]) -> Json:
    """The answer's form of one row of ``selectors.VERSION_COLUMNS``. Pure."""
    measure = measure_of(row["basis"])
    multiple, most = row["batch_multiple"], row["max_batch"]
    return {
        "version": row["version"],
        "basis": row["basis"],
        "yield_percent": show_percent(row["yield_percent"]),
        "loss": show_quantity(row["loss_mg"], MASS),
        "status": row["status"],
        "preferred": row["preferred"],
        "min_batch": show_quantity(row["min_batch"], measure),
        "batch_multiple": None if multiple == 1 else show_quantity(multiple, measure),
        "max_batch": None if most is None else show_quantity(most, measure),
        "approved_at": row["approved_at"],
        "approved_by": row["approved_by__username"],
    }


def measure_of(basis: str) -> str:
    """How a charge of a version is measured."""
    return MASS if basis == FormulaVersion.Basis.PERCENT else COUNT


def line_row(row: dict[str, Any]) -> Json:
    return {
        "position": row["position"],
        "phase": row["phase"],
        "item": row["item__code"],
        "amount": row["amount_written"],
        "tolerance_percent": fields.show_percentage(row["tolerance_percent"]),
        "single_lot": row["single_lot"],
        "substitutes": [
            {"substitute": one["item__code"], "ratio": fields.show_decimal(one["ratio"])} for one in row["substitutes"]
        ],
    }


def step_row(row: dict[str, Any]) -> Json:
    return row | {"temperature_c": fields.show_decimal(row["temperature_c"])}


def check_row(row: dict[str, Any]) -> Json:
    return {
        "check": row["name"],
        "stage": row["stage"],
        "unit": row["unit"],
        "low": fields.show_decimal(row["low"]),
        "high": fields.show_decimal(row["high"]),
        "expected": row["expected"],
    }


def cautions_of(lines: Iterable[dict[str, Any]]) -> list[Json]:
    """The cautions of the lines' items and of what may stand in for them, each item once."""
    found: dict[str, str] = {}
    for line in lines:
        for row in (line, *line["substitutes"]):
            if row["item__caution"]:
                found[row["item__code"]] = row["item__caution"]
    return [{"item": item, "caution": caution} for item, caution in found.items()]


def formulas_page(rows: list[dict[str, Any]]) -> list[Json]:
    """The rows of a page, with the versions of all of them in one query."""
    versions = selectors.version_rows(row["code"] for row in rows)
    return [
        {
            "formula": row["code"],
            "item": row["item__code"],
            "versions": [version_row(one) for one in versions[row["code"]]],
        }
        for row in rows
    ]


def read_formula(code: str) -> Json:
    row = FORMULAS.filter(code=code).first()
    if row is None:
        raise NotFound(f"no formula {code!r}")
    return formulas_page([dict(row)])[0]


def read_version(version: FormulaVersion) -> Json:
    """The whole of a version, in a fixed number of queries."""
    rows = selectors.version_rows([version.formula.code])[version.formula.code]
    head = next(row for row in rows if row["pk"] == version.pk)
    lines = selectors.line_rows(version.pk)
    return version_row(head) | {
        "formula": version.formula.code,
        "item": version.formula.item.code,
        "lines": [line_row(row) for row in lines],
        "steps": [step_row(row) for row in selectors.step_rows(version.pk)],
        "checks": [check_row(row) for row in selectors.check_rows(version.pk)],
        "cautions": cautions_of(lines),
        "findings": asdict(formulas.check_version(version)),
    }


# --- from a form to what the service takes -----------------------------------------------------------------


def spec_of(asked: Json, *, formula: str, item: Item, version: int | None = None) -> VersionSpec:
    """The content of a form as the service takes it. Raises NotFound naming every item that is not known."""
    items = _items_named(asked)
    measure = measure_of(asked["basis"])

    def size(name: str, otherwise: Any, least: int = 1, of: str = measure) -> Any:
        return otherwise if asked.get(name) is None else steps_of(of, asked[name], name, minimum=least)

    return VersionSpec(
        formula_code=formula,
        item=item,
        version=version,
        basis=asked["basis"],
        yield_percent=asked.get("yield_percent", WHOLE),
        loss_mg=size("loss", 0, 0, MASS),
        preferred=asked.get("preferred", False),
        min_batch=size("min_batch", 0, 0),
        batch_multiple=size("batch_multiple", 1),
        max_batch=size("max_batch", None),
        lines=[_line_spec(line, items) for line in asked["lines"]],
        steps=[StepSpec(**step) for step in asked.get("steps", [])],
        checks=[CheckSpec(name=check["check"], **_without(check, "check")) for check in asked.get("checks", [])],
    )


def _line_spec(line: Json, items: dict[str, Item]) -> LineSpec:
    substitutes = [SubstituteSpec(items[one["substitute"]], one["ratio"]) for one in line.get("substitutes", [])]
    return LineSpec(item=items[line["item"]], substitutes=substitutes, **_without(line, "item", "substitutes"))


def _without(row: Json, *names: str) -> Json:
    return {name: value for name, value in row.items() if name not in names}


def _items_named(asked: Json) -> dict[str, Item]:
    places: dict[str, str] = {}
    for at, line in enumerate(asked["lines"]):
        places[f"lines[{at}].item"] = line["item"]
        for place, one in enumerate(line.get("substitutes", [])):
            places[f"lines[{at}].substitutes[{place}].substitute"] = one["substitute"]
    items: dict[str, Item] = Item.objects.in_bulk(set(places.values()), field_name="code")
    faults = [Fault(place, shown(code), "a code that is known") for place, code in places.items() if code not in items]
    if faults:
        raise NotFound("an item is not known; nothing was changed", faults=faults)
    return items


_PARTS = {"steps": ("text", "temperature_c", "minutes"), "checks": ("stage", "low", "high", "unit", "expected")}
_WHOLE_LISTS = {"position": "lines", "step": "steps", "check": "checks"}


def _places_in(asked: Json) -> Callable[[Fault], str]:
    """Where in the request a fault of the service stands. What the form refuses already is not looked for."""

    def place_of(fault: Fault) -> str:
        if fault.row is None:
            return _WHOLE_LISTS.get(fault.field, fault.field)
        at = fault.row - 1
        if fault.field == "substitute":
            named = [one["substitute"] for one in asked["lines"][at]["substitutes"]]
            last = len(named) - 1 - named[::-1].index(fault.value)
            return f"lines[{at}].substitutes[{last}].substitute"
        part = next((part for part, names in _PARTS.items() if fault.field in names), "lines")
        return f"{part}[{at}].{fault.field}"

    return place_of


# --- examples ----------------------------------------------------------------------------------------------

FILL_VERSION: Json = {
    "version": 1, "basis": "per_unit", "yield_percent": "100", "loss": "0 g", "status": "approved",
    "preferred": False, "min_batch": "0 pc", "batch_multiple": None, "max_batch": None,
    "approved_at": "2027-03-01T09:00:00+00:00", "approved_by": None,
}  # fmt: skip
RUB_VERSION: Json = FILL_VERSION | {"basis": "percent", "min_batch": "0 g"}
WAX_CAUTION: Json = {"item": "WAX", "caution": "Hot wax: no water in, never left alone."}


def _line(position: int, item: str, amount: str, **more: Any) -> Json:
    return {
        "position": position, "phase": "", "item": item, "amount": amount, "tolerance_percent": None,
        "single_lot": False, "substitutes": [],
    } | more  # fmt: skip


RUB_1: Json = RUB_VERSION | {
    "formula": "RUB",
    "item": "RUB",
    "lines": [_line(1, "OIL", "80"), _line(2, "WAX", "20")],
    "steps": [],
    "checks": [],
    "cautions": [WAX_CAUTION],
    "findings": {"faults": [], "warnings": []},
}
DRAFT: Json = {"status": "draft", "approved_at": None}
CONTENT: Json = {
    "basis": "percent",
    "yield_percent": "98",
    "min_batch": "500 g",
    "max_batch": "5 kg",
    "lines": [
        {"phase": "A", "item": "OIL", "amount": "qs", "substitutes": [{"substitute": "WAX", "ratio": "0.8"}]},
        {"phase": "A", "item": "WAX", "amount": "25", "tolerance_percent": "2", "single_lot": True},
    ],
    "steps": [{"phase": "A", "text": "Melt together in the water bath.", "temperature_c": "75", "minutes": 20}],
    "checks": [{"check": "melting point", "stage": "release", "unit": "C", "low": "38", "high": "44"}],
}
WRITTEN: Json = RUB_1 | DRAFT | {
    "version": 2,
    "yield_percent": "98",
    "min_batch": "500 g",
    "max_batch": "5000 g",
    "lines": [
        _line(1, "OIL", "qs", phase="A", substitutes=[{"substitute": "WAX", "ratio": "0.8"}]),
        _line(2, "WAX", "25", phase="A", tolerance_percent="2", single_lot=True),
    ],
    "steps": [
        {
            "position": 1, "phase": "A", "text": "Melt together in the water bath.", "temperature_c": "75",
            "minutes": 20, "hands_on": True,
        }
    ],
    "checks": [
        {"check": "melting point", "stage": "release", "unit": "C", "low": "38", "high": "44", "expected": ""}
    ],
}  # fmt: skip


# --- views -------------------------------------------------------------------------------------------------


class Formulas(View):
    @lists(
        FormulaAnswer,
        filters=FormulaFilters,
        summary="List formulas",
        query={"item": "RUB-50"},
        gives=[{"formula": "FILL", "item": "RUB-50", "versions": [FILL_VERSION]}],
    )
    def get(self, request: Request, asked: Json) -> Listing:
        """Every formula with its versions, by code."""
        rows = FORMULAS
        if "item" in asked:
            rows = rows.filter(item=named(find_item, asked["item"], "item"))
        if "status" in asked:
            rows = rows.filter(pk__in=FormulaVersion.objects.filter(status=asked["status"]).values("formula"))
        return Listing(rows, "code", show_page=formulas_page)

    @writes(
        NewFormula,
        VersionAnswer,
        status=201,
        summary="Write a new formula",
        asks={"formula": "RUB-SOFT", "item": "RUB"} | CONTENT,
        gives=WRITTEN | {"formula": "RUB-SOFT", "version": 1},
    )
    def post(self, request: Request, asked: Json) -> Json:
        """A new formula with its first version, a draft. A percent formula may be written wholly in masses."""
        item = named(find_item, asked["item"], "item")
        spec = spec_of(asked, formula=asked["formula"], item=item)
        with told_at(_places_in(asked)):
            return read_version(formulas.make_formula(spec=spec, who=request.user))


class OneFormula(View):
    @reads(
        FormulaAnswer,
        summary="Read a formula",
        path={"formula": "RUB"},
        gives={"formula": "RUB", "item": "RUB", "versions": [RUB_VERSION]},
    )
    def get(self, request: Request, asked: Json, formula: str) -> Json:
        """One formula with its versions, earliest first."""
        return read_formula(formula)


class FormulaVersions(View):
    @writes(
        VersionForm,
        VersionAnswer,
        status=201,
        summary="Write a new version",
        path={"formula": "RUB"},
        asks=CONTENT,
        gives=WRITTEN,
    )
    def post(self, request: Request, asked: Json, formula: str) -> Json:
        """A draft under the formula's next number."""
        found = selectors.find_formula(formula)
        spec = spec_of(asked, formula=found.code, item=found.item)
        with told_at(_places_in(asked)):
            return read_version(formulas.write_version(spec=spec, who=request.user))


class OneVersion(View):
    @reads(VersionAnswer, summary="Read a version", path={"formula": "RUB", "version": "1"}, gives=RUB_1)
    def get(self, request: Request, asked: Json, formula: str, version: int) -> Json:
        """A version's lines, steps and checks, its items' cautions, and what the checks of an approval find."""
        return read_version(selectors.find_version(formula, version))

    @writes(
        VersionForm,
        VersionAnswer,
        summary="Write a draft anew",
        path={"formula": "RUB", "version": "2"},
        asks=CONTENT,
        gives=WRITTEN,
    )
    def put(self, request: Request, asked: Json, formula: str, version: int) -> Json:
        """Replace the whole content of a draft. What was approved or used is never edited: write a new version."""
        found = selectors.find_version(formula, version)
        spec = spec_of(asked, formula=found.formula.code, item=found.formula.item, version=found.version)
        with told_at(_places_in(asked)):
            return read_version(formulas.write_version(spec=spec, who=request.user))


class VersionCopy(View):
    @writes(
        None,
        VersionAnswer,
        status=201,
        summary="Copy a version",
        path={"formula": "RUB", "version": "1"},
        gives=RUB_1 | DRAFT | {"version": 2},
    )
    def post(self, request: Request, asked: Json, formula: str, version: int) -> Json:
        """A draft with the same content under the formula's next number."""
        copied = formulas.new_version_from(version=selectors.find_version(formula, version), who=request.user)
        return read_version(copied)


class VersionApprove(View):
    @writes(
        None,
        ApprovedAnswer,
        summary="Approve a version",
        path={"formula": "RUB", "version": "2"},
        gives={
            "formula": "RUB",
            "version": 2,
            "status": "approved",
            "warnings": ["WAX: 25 % is over its use limit of 22 %"],
        },
    )
    def post(self, request: Request, asked: Json, formula: str, version: int) -> Json:
        """Approve a version; the one that was approved is retired. Answers what a person should know."""
        found = selectors.find_version(formula, version)
        warnings = formulas.approve(version=found, who=request.user)
        return {"formula": formula, "version": version, "status": found.status, "warnings": warnings}


class VersionRetire(View):
    @writes(
        None,
        FormulaAnswer,
        summary="Retire a version",
        path={"formula": "FILL", "version": "1"},
        gives={"formula": "FILL", "item": "RUB-50", "versions": [FILL_VERSION | {"status": "retired"}]},
    )
    def post(self, request: Request, asked: Json, formula: str, version: int) -> Json:
        """Nothing new is planned from it, and a batch that waits for it may not start."""
        formulas.retire(version=selectors.find_version(formula, version), who=request.user)
        return read_formula(formula)


ROUTES = [
    path("formulas", Formulas.as_view(), name="formulas"),
    path("formulas/<code:formula>", OneFormula.as_view(), name="formula"),
    path("formulas/<code:formula>/versions", FormulaVersions.as_view(), name="formula-versions"),
    path("formulas/<code:formula>/<version:version>", OneVersion.as_view(), name="formula-version"),
    path("formulas/<code:formula>/<version:version>/copy", VersionCopy.as_view(), name="formula-version-copy"),
    path("formulas/<code:formula>/<version:version>/approve", VersionApprove.as_view(), name="formula-version-approve"),
    path("formulas/<code:formula>/<version:version>/retire", VersionRetire.as_view(), name="formula-version-retire"),
]
