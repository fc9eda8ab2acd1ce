"""Formulas: versions side by side, a draft with its total and limits as it is written, what it costs, its approval."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any, ClassVar

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form, Lines, named, read_form
from inventory.api.pages import Listing
from inventory.errors import BadInput, DomainError, Fault
from inventory.models import Item
from inventory.pages.conventions import plain_number
from inventory.pages.frame import (
    Done,
    Facts,
    FormPage,
    FormSheet,
    Page,
    chosen,
    cut,
    given_by,
    person_of,
    refused_sheet,
)
from inventory.quantities import MASS
from inventory.selectors import find_item
from production import costs, selectors
from production.api import formulas as api
from production.api.formulas import BASES, FORMULAS, POSITIONS, STAGES, STATUSES, measure_of
from production.api.places import told_at
from production.models import FormulaVersion
from production.services import formulas

MORE = 4
MOST_LINES = 200
EMPTY = {"lines": 8, "steps": 4, "checks": 3}


def version_address(formula: str, version: int) -> str:
    return reverse("formula-version", kwargs={"formula": formula, "version": version})


# --- looking -----------------------------------------------------------------------------------------------


class FormulasShown(Form):
    status = fields.Choice(*STATUSES, required=False)


class Formulas(Page):
    template_name = "production/formulas.html"
    section = "formulas"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(FormulasShown, request)
        rows = FORMULAS
        if "status" in asked:
            rows = rows.filter(pk__in=FormulaVersion.objects.filter(status=asked["status"]).values("formula"))
        return {
            "form": form,
            "cut": cut(Listing(rows, "code", show_page=api.formulas_page), request),
            "statuses": [(one, one) for one in STATUSES],
            "asked": bool(asked),
        }


class Version(Page):
    """One version: lines, steps, checks, cautions, what stands against it, and its cost beside it."""

    template_name = "production/formula.html"
    section = "formulas"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_version(where["formula"], where["version"])
        shown = api.read_version(found)
        names = dict(
            Item.objects.filter(code__in=[line["item"] for line in shown["lines"]]).values_list("code", "name")
        )
        cost = costs.cost_of(found)
        priced = {row.position: row for row in cost.lines}
        return {
            "version": shown,
            "formula": found.formula,
            "lines": [
                line | {"name": names[line["item"]], "cost": priced[line["position"]]} for line in shown["lines"]
            ],
            "cost": cost,
            "others": [
                one for one in api.read_formula(where["formula"])["versions"] if one["version"] != found.version
            ],
            "may_try": found.status == FormulaVersion.Status.DRAFT,
        }


class SideBySide(Form):
    left = fields.Whole(*POSITIONS, required=False)
    right = fields.Whole(*POSITIONS, required=False)


class Compare(Page):
    """Two versions of a formula side by side, what differs marked."""

    template_name = "production/formula_compare.html"
    section = "formulas"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, form = chosen(SideBySide, request)
        numbers = [one["version"] for one in api.read_formula(where["formula"])["versions"]]
        left = asked.get("left", numbers[-2] if len(numbers) > 1 else numbers[0])
        right = asked.get("right", numbers[-1])
        versions = [selectors.find_version(where["formula"], number) for number in (left, right)]
        one, other = (api.read_version(version) for version in versions)
        return {
            "form": form,
            "formula": where["formula"],
            "numbers": [(str(number), f"version {number}") for number in numbers],
            "one": one,
            "other": other,
            "lines": _beside(
                one["lines"], other["lines"], "item", ("amount", "phase", "tolerance_percent", "single_lot")
            ),
            "steps": _beside(one["steps"], other["steps"], "position", ("text", "temperature_c", "minutes")),
            "checks": _beside(one["checks"], other["checks"], "check", ("stage", "low", "high", "expected")),
            "costs": [costs.cost_of(version) for version in versions],
        }


def _beside(left: list[dict[str, Any]], right: list[dict[str, Any]], key: str, names: tuple[str, ...]) -> list[Facts]:
    """Rows of both by a key, with what differs; a key that stands several times is told apart by its turn."""
    tables = [_by_turn(rows, key) for rows in (left, right)]
    found = []
    for name in dict.fromkeys([*tables[0], *tables[1]]):
        one, other = (table.get(name) for table in tables)
        differs = one is None or other is None or any(one[part] != other[part] for part in names)
        found.append({"key": name[0], "left": one, "right": other, "differs": differs})
    return found


def _by_turn(rows: list[dict[str, Any]], key: str) -> dict[tuple[Any, int], dict[str, Any]]:
    found: dict[tuple[Any, int], dict[str, Any]] = {}
    for row in rows:
        turn = sum(1 for name in found if name[0] == row[key])
        found[row[key], turn] = row
    return found


# --- writing -----------------------------------------------------------------------------------------------


class LineRow(Form):
    """``substitutes``: "OTHER-OIL 1.1; THIRD 1", an item and how much of it stands in for one."""

    phase = fields.Text(64, required=False, blank=True)
    item = fields.Code(refers_to="items")
    amount = fields.Text(40)
    tolerance_percent = fields.Percent(required=False)
    single_lot = fields.Flag(required=False)
    substitutes = fields.Text(500, required=False, blank=True)


class StepRow(Form):
    phase = fields.Text(64, required=False, blank=True)
    text = fields.Text(1_000)
    temperature_c = fields.Number("-100", "1000", 1, required=False)
    minutes = fields.Whole(0, 1_000_000, required=False)


class CheckRow(Form):
    check = fields.Text()
    stage = fields.Choice(*STAGES)
    unit = fields.Text(40, required=False, blank=True)
    low = fields.Number("-1000000000", "1000000000", 4, required=False)
    high = fields.Number("-1000000000", "1000000000", 4, required=False)
    expected = fields.Text(required=False, blank=True)


class Draft(Form):
    basis = fields.Choice(*BASES)
    yield_percent = fields.Percent(1, required=False)
    loss = fields.Quantity(0, required=False)
    min_batch = fields.Quantity(0, required=False)
    batch_multiple = fields.Quantity(required=False)
    max_batch = fields.Quantity(required=False)
    preferred = fields.Flag(required=False)
    lines = Lines(child=LineRow(), most=MOST_LINES, allow_empty=True, required=False)
    steps = Lines(child=StepRow(), most=MOST_LINES, allow_empty=True, required=False)
    checks = Lines(child=CheckRow(), most=MOST_LINES, allow_empty=True, required=False)


class NewDraft(Draft):
    formula = fields.Code()
    item = fields.Code(refers_to="items")


class Writing(FormPage):
    """A draft as it is written. "Look at it" tells its total and what stands against it, and writes nothing."""

    template_name = "production/formula_write.html"
    section = "formulas"
    lines: ClassVar = EMPTY
    sides: ClassVar = {"more": "more"}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "items": list(Item.objects.exclude(kind="supply").order_by("code").values_list("code", "name")[:2_000]),
            "bases": [("percent", "by percent: a mix"), ("per_unit", "by the unit: filling and packing")],
            "back": reverse("formulas"),
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        return MASS if name == "loss" else measure_of(texts.get("basis") or "percent")

    def more(self, request: HttpRequest, texts: dict[str, str], facts: Facts, which: str) -> dict[str, str]:
        """Empty lines more of one kind."""
        if which not in EMPTY:
            return texts
        last = min(self._lines_of(texts)[which] + MORE, MOST_LINES) - 1
        first = next(iter({"lines": ["item"], "steps": ["text"], "checks": ["check"]}[which]))
        return texts | {f"{which}[{last}].{first}": ""}

    def _begun(self, name: str, line: Mapping[str, str]) -> bool:
        return any(text for part, text in line.items() if part not in ("stage", "single_lot"))

    def post(self, request: HttpRequest, **where: Any) -> HttpResponse:
        if request.POST.get("side") == "look":
            return self.look(request, **where)
        return super().post(request, **where)

    def look(self, request: HttpRequest, **where: Any) -> HttpResponse:
        texts = {
            name: values[-1] for name, values in request.POST.lists() if name not in ("side", "csrfmiddlewaretoken")
        }
        key = texts.pop("retry-key", "")
        sheet = FormSheet(self.form, texts, key, self._lines_of(texts))
        facts = self.facts(request, **where) | {"total": total_of(texts)}
        try:
            given, _ = given_by(self.form, texts, lambda name: self.measure_of(name, texts, {}), begun=self._begun)
            asked = read_form(self.form, given, texts=True)
            with transaction.atomic():
                version = self._written(asked, None, **where)
                facts |= {"findings": formulas.check_version(version), "cost": costs.cost_of(version)}
                transaction.set_rollback(True)
        except DomainError as error:
            return self.show(request, facts, refused_sheet(sheet, error), status=error.status)
        return self.show(request, facts, sheet)

    def _written(self, asked: dict[str, Any], who: Any, **where: Any) -> FormulaVersion:
        raise NotImplementedError

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        version = self._written(asked, person_of(request), **where)
        code = version.formula.code
        return Done(version_address(code, version.version), f"{code} version {version.version} is written, a draft.")


def total_of(texts: Mapping[str, str]) -> Decimal | None:
    """The percentages typed so far, added up; None where the formula is by the unit."""
    if texts.get("basis") == "per_unit":
        return None
    total, rest = Decimal(0), False
    for name, text in texts.items():
        if name.startswith("lines[") and name.endswith("].amount") and text.strip():
            rest = rest or text.strip().lower() == "qs"
            try:
                total += Decimal(plain_number(text.strip().removesuffix("%").strip()))
            except (InvalidOperation, BadInput):  # told beside its input when it is sent
                continue
    return Decimal(100) if rest and total <= 100 else total


def content_of(asked: dict[str, Any]) -> dict[str, Any]:
    """The form as the API takes it: substitutes apart, steps and lines in their order."""
    content = {name: asked[name] for name in asked if name not in ("formula", "item", "lines", "steps", "checks")}
    lines = []
    for at, line in enumerate(asked.get("lines", [])):
        substitutes = substitutes_of(line.pop("substitutes", ""), f"lines[{at}].substitutes")
        if not line.get("single_lot"):
            line.pop("single_lot", None)  # unticked: as is usual for the kind of item
        lines.append(line | {"substitutes": substitutes})
    if not lines:
        raise BadInput("a formula has lines", faults=[Fault("lines[0].item", "", "the code of an item")])
    return content | {"lines": lines, "steps": asked.get("steps", []), "checks": asked.get("checks", [])}


def substitutes_of(text: str, field: str) -> list[dict[str, Any]]:
    found = []
    for part in filter(None, (part.strip() for part in text.split(";"))):
        code, _, ratio = part.rpartition(" ")
        try:
            worth = Decimal(plain_number(ratio, field)) if code else Decimal(1)
            found.append({"substitute": code.strip() or ratio, "ratio": worth})
        except InvalidOperation:
            accepted = 'items with their ratios such as "OTHER-OIL 1.1; THIRD 1"'
            raise BadInput(f"{part}: {accepted}", faults=[Fault(field, part, accepted)]) from None
    return found


class NewFormula(Writing):
    form = NewDraft

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return super().facts(request, **where) | {"heading": "A new formula", "is_new": True}

    def _written(self, asked: dict[str, Any], who: Any, **where: Any) -> FormulaVersion:
        item = named(find_item, asked["item"], "item")
        content = content_of(asked)
        with told_at(_places(content)):
            spec = api.spec_of(content, formula=asked["formula"], item=item)
            return formulas.make_formula(spec=spec, who=who)


class EditDraft(Writing):
    guards = True
    form = Draft

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_version(where["formula"], where["version"])
        return super().facts(request, **where) | {
            "heading": f"{found.formula.code} version {found.version}",
            "version": found,
            "back": version_address(found.formula.code, found.version),
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        shown = api.read_version(facts["version"])
        given: dict[str, Any] = {
            name: shown[name] for name in ("basis", "yield_percent", "loss", "min_batch", "batch_multiple", "max_batch")
        }
        given["preferred"] = shown["preferred"]
        for at, line in enumerate(shown["lines"]):
            stands_in = "; ".join(f"{one['substitute']} {one['ratio']}" for one in line["substitutes"])
            given |= {f"lines[{at}].{name}": line[name] for name in ("phase", "item", "amount", "tolerance_percent")}
            given |= {f"lines[{at}].single_lot": line["single_lot"], f"lines[{at}].substitutes": stands_in}
        for at, step in enumerate(shown["steps"]):
            given |= {f"steps[{at}].{name}": step[name] for name in ("phase", "text", "temperature_c", "minutes")}
        for at, check in enumerate(shown["checks"]):
            given |= {f"checks[{at}].{name}": check[name] for name in check}
        return given

    def _written(self, asked: dict[str, Any], who: Any, **where: Any) -> FormulaVersion:
        found = selectors.find_version(where["formula"], where["version"])
        content = content_of(asked)
        with told_at(_places(content)):
            spec = api.spec_of(content, formula=found.formula.code, item=found.formula.item, version=found.version)
            return formulas.write_version(spec=spec, who=who)


def _places(content: dict[str, Any]) -> Any:
    """Where a fault of the service stands among the inputs: all substitutes of a line stand in one."""
    place_of = api._places_in(content)

    def place(fault: Fault) -> str:
        found = place_of(fault)
        before, inside, _ = found.partition(".substitutes[")
        return f"{before}.substitutes" if inside else found

    return place


# --- decisions ---------------------------------------------------------------------------------------------


class Nothing(Form):
    """An act that asks for nothing but the press of its button."""


class VersionAct(FormPage):
    form = Nothing
    template_name = "production/formula_act.html"
    section = "formulas"
    heading: ClassVar[str]
    act_told: ClassVar[str]
    explained: ClassVar[str]

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = selectors.find_version(where["formula"], where["version"])
        return {
            "version": found,
            "findings": formulas.check_version(found),
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "back": version_address(found.formula.code, found.version),
        }


class Approve(VersionAct):
    heading, act_told = "Approve a version", "Approve it"
    explained = (
        "From then on it is never edited: a change is a new version. The one that was approved is retired. Approval is "
        "the workshop's own; a qualified safety assessor judges whether a product is safe."
    )

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_version(where["formula"], where["version"])
        warnings = formulas.approve(version=found, who=person_of(request))
        told = f"{where['formula']} version {where['version']} is approved. {' '.join(warnings)}"
        return Done(version_address(where["formula"], where["version"]), told.strip())


class Retire(VersionAct):
    heading, act_told = "Retire a version", "Retire it"
    explained = "It is proposed no more, and a planned batch of it cannot start."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        formulas.retire(version=selectors.find_version(where["formula"], where["version"]), who=person_of(request))
        return Done(version_address(where["formula"], where["version"]), "It is retired.")


class Copy(VersionAct):
    heading, act_told = "A new version from this one", "Write it"
    explained = "A draft with the same content under the next number, to be changed."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_version(where["formula"], where["version"])
        copied = formulas.new_version_from(version=found, who=person_of(request))
        address = reverse("formula-edit", kwargs={"formula": where["formula"], "version": copied.version})
        return Done(address, f"Version {copied.version} is a draft.")


_AT = "formulas/<code:formula>/<int:version>"
ROUTES = [
    path("formulas", Formulas.as_view(), name="formulas"),
    path("formulas/new", NewFormula.as_view(), name="formula-new"),
    path("formulas/<code:formula>/compare", Compare.as_view(), name="formula-compare"),
    path(_AT, Version.as_view(), name="formula-version"),
    path(f"{_AT}/edit", EditDraft.as_view(), name="formula-edit"),
    path(f"{_AT}/copy", Copy.as_view(), name="formula-version-copy"),
    path(f"{_AT}/approve", Approve.as_view(), name="formula-version-approve"),
    path(f"{_AT}/retire", Retire.as_view(), name="formula-version-retire"),
]
