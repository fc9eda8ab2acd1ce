"""Formulas as a maker writes them: total and what stands against a draft, versions side by side, what it costs."""

from __future__ import annotations

from decimal import Decimal

from django.test import Client
from django.urls import reverse

from inventory.models import Item, Lot
from production import costs
from production.models import Formula, FormulaVersion
from production.services.formulas import new_version_from
from tests.planner.pages.areas.formulas import a_draft
from tests.planner.pages.house import read

Shop = dict[str, Client]
NEW = {
    "formula": "PLAIN-OIL",
    "basis": "percent",
    "lines[0].item": "OLIVE-OIL",
    "lines[0].amount": "60",
    "lines[1].item": "SUNFLOWER-OIL",
    "lines[1].amount": "qs",
    "lines[1].substitutes": "CASTOR-OIL 1.1",
    "steps[0].text": "Stir the oils. Gloves.",
    "steps[0].minutes": "5",
    "checks[0].check": "clear",
    "checks[0].stage": "release",
    "checks[0].expected": "yes",
}


def new(**changes: str) -> dict[str, str]:
    item = Item.objects.filter(kind="intermediate", measure="mass").order_by("code")[0]
    return NEW | {"item": item.code} | changes


def test_a_new_formula_is_written_with_lines_stand_ins_steps_and_checks(workshop: Shop) -> None:
    answer = workshop["maker"].post(reverse("formula-new"), new())
    assert answer.status_code == 303
    version = FormulaVersion.objects.get(formula__code="PLAIN-OIL")
    assert version.status == "draft"
    assert [line.amount_written for line in version.lines.order_by("position")] == ["60", "qs"]
    assert version.lines.get(qs=True).substitutes.get().ratio == Decimal("1.1")
    assert "Stir the oils" in read(workshop["maker"].get(answer["Location"])).words


def test_a_look_tells_the_total_and_what_stands_against_it_and_writes_nothing(workshop: Shop) -> None:
    before = (Formula.objects.count(), FormulaVersion.objects.count())
    asked = new(**{"lines[1].amount": "30", "side": "look"})
    page = workshop["maker"].post(reverse("formula-new"), asked)
    assert page.status_code == 200
    assert page.context["total"] == Decimal(90)
    assert any("90" in told for told in page.context["findings"].faults)
    assert (Formula.objects.count(), FormulaVersion.objects.count()) == before
    right = workshop["maker"].post(reverse("formula-new"), new(side="look"))
    assert right.context["findings"].faults == []


def test_what_is_wrong_is_told_beside_its_input(workshop: Shop) -> None:
    for name, wrong in (
        ("lines[0].item", "NO-SUCH-OIL"),
        ("lines[0].amount", "a lot"),
        ("lines[1].substitutes", "CASTOR-OIL much"),
        ("yield_percent", "120"),
        ("checks[0].stage", "someday"),
    ):
        answer = workshop["maker"].post(reverse("formula-new"), new(**{name: wrong}))
        assert answer.status_code in (400, 404), name
        assert name in answer.context["form"].faults, (name, answer.context["form"].faults)
    assert not Formula.objects.filter(code="PLAIN-OIL").exists()


def test_a_draft_is_changed_and_what_it_held_stands_in_its_inputs(workshop: Shop) -> None:
    where = a_draft()
    address = reverse("formula-edit", kwargs=where)
    form = workshop["maker"].get(address).context["form"]
    texts = {name: text for name, text in form.texts.items() if text}
    assert workshop["maker"].post(address, texts).status_code == 303
    again = workshop["maker"].get(address).context["form"]
    assert {name: text for name, text in again.texts.items() if text} == texts


def test_approval_is_quality_s_and_an_approved_version_is_not_edited(workshop: Shop) -> None:
    where = a_draft()
    address = reverse("formula-version-approve", kwargs=where)
    assert workshop["maker"].post(address).status_code == 403
    assert workshop["quality"].post(address).status_code == 303
    version = FormulaVersion.objects.get(formula__code=where["formula"], version=where["version"])
    assert version.status == "approved"
    edit = reverse("formula-edit", kwargs=where)
    texts = {name: text for name, text in workshop["maker"].get(edit).context["form"].texts.items() if text}
    refused = workshop["maker"].post(edit, texts)
    assert refused.status_code == 409


def test_two_versions_stand_side_by_side_with_what_differs(workshop: Shop) -> None:
    first = (
        FormulaVersion.objects.select_related("formula").filter(status="approved", basis="percent").order_by("pk")[0]
    )
    second = new_version_from(version=first)
    line = second.lines.filter(qs=False).order_by("position")[0]
    line.amount_written = "1.5"
    line.save()
    page = workshop["viewer"].get(
        reverse("formula-compare", kwargs={"formula": first.formula.code}),
        {"left": first.version, "right": second.version},
    )
    differing = [row["key"] for row in page.context["lines"] if row["differs"]]
    assert differing == [line.item.code]


def test_a_helper_sees_no_formula(workshop: Shop) -> None:
    assert workshop["helper"].get(reverse("formulas")).status_code == 403


def test_what_a_kilogram_costs_by_hand(workshop: Shop) -> None:
    """60 % at 10.00 and 40 % at 5.00 a kilogram, of which 80 % comes out: (6.00 + 2.00) / 0.8 = 10.00."""
    answer = workshop["maker"].post(reverse("formula-new"), new(yield_percent="80"))
    assert answer.status_code == 303
    for code, cost_e6 in (("OLIVE-OIL", 10_000_000), ("SUNFLOWER-OIL", 5_000_000)):
        lots = Lot.objects.filter(item__code=code)
        assert lots.exists()
        lots.update(unit_cost_e6=cost_e6)
    cost = costs.cost_of(FormulaVersion.objects.select_related("formula__item").get(formula__code="PLAIN-OIL"))
    assert [row.cost for row in cost.lines] == [75_000, 25_000]
    assert (cost.total, cost.unknown) == (100_000, ())
