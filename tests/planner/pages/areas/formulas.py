"""The formulas' pages in the demo's workshop: an approved version, and a draft made from one."""

from __future__ import annotations

from typing import Any

from production.models import FormulaVersion
from production.services.formulas import new_version_from


def an_approved() -> dict[str, Any]:
    found = FormulaVersion.objects.select_related("formula").filter(status="approved").order_by("pk")[0]
    return {"formula": found.formula.code, "version": found.version}


def a_draft() -> dict[str, Any]:
    found = FormulaVersion.objects.select_related("formula").filter(status="draft").order_by("pk").first()
    if found is None:
        found = new_version_from(version=FormulaVersion.objects.filter(status="approved").order_by("pk")[0])
    return {"formula": found.formula.code, "version": found.version}


WHERE = {
    "formula-version": an_approved,
    "formula-compare": lambda: {"formula": a_draft()["formula"]},
    "formula-edit": a_draft,
    "formula-version-copy": an_approved,
    "formula-version-approve": a_draft,
    "formula-version-retire": an_approved,
}
