"""Formulas and batches."""

from __future__ import annotations

from inventory.models import Item
from production import selectors
from production.services import formulas
from tests.inventory.builders import make_item
from tests.production.builders import formula


def prepare(operation: tuple[str, str]) -> None:
    if operation in {("PUT", "formula-version"), ("POST", "formula-version-approve")}:
        _draft_of_rub()
    if operation == ("POST", "formula-version-approve"):
        Item.objects.filter(code="WAX").update(max_percent=220_000)


def _draft_of_rub() -> None:
    """Version 2 of RUB, with more wax."""
    rub, oil, wax = (Item.objects.get(code=code) for code in ("RUB", "OIL", "WAX"))
    formula("RUB", rub, [(oil, "75"), (wax, "25")], approve=False)


def _formulas(count: int) -> None:
    oil = Item.objects.get(code="OIL")
    for _ in range(count):
        made = make_item(kind=Item.Kind.INTERMEDIATE)
        version = formula(made.code, made, [(oil, "100")])
        formulas.new_version_from(version=selectors.find_version(version.formula.code, 1))


FILLERS = {"formulas": _formulas}
WRONG = {
    ("POST", "formulas", "formula"): ["RUB"],
}
for _operation in (("POST", "formulas"), ("POST", "formula-versions"), ("PUT", "formula-version")):
    WRONG |= {
        (*_operation, "lines.amount"): ["1 pc", "0", "101", "some"],
        (*_operation, "loss"): ["3 pc"],
        (*_operation, "min_batch"): ["3 pc"],
        (*_operation, "batch_multiple"): ["3 pc", "0 g"],
        (*_operation, "max_batch"): ["3 pc"],
        (*_operation, "lines.substitutes.substitute"): ["TIN", "OIL"],
        (*_operation, "checks.low"): ["45"],
    }
