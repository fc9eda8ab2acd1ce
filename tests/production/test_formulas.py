"""Formulas: written as drafts, approved when they can be made, never edited once used."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.errors import BadInput, Conflict, WrongState
from production.models import FormulaVersion, Line
from production.services import formulas
from production.services.formulas import CheckSpec, LineSpec, StepSpec, SubstituteSpec, VersionSpec
from tests.production.builders import formula, item

pytestmark = pytest.mark.django_db


@pytest.fixture
def oil():
    return item("OIL", density_g_per_ml=Decimal("0.9"))


@pytest.fixture
def wax():
    return item("WAX", max_percent="20", min_percent="2")


@pytest.fixture
def balm():
    return item("BALM", "intermediate")


@pytest.fixture
def tin():
    return item("TIN", "packaging", "count")


@pytest.fixture
def packed():
    return item("BALM-50", "product", "count")


def refused(version: FormulaVersion) -> str:
    before = list(FormulaVersion.objects.order_by("pk").values_list("pk", "status"))
    with pytest.raises(BadInput) as error:
        formulas.approve(version=version)
    assert list(FormulaVersion.objects.order_by("pk").values_list("pk", "status")) == before
    return error.value.message


def draft(makes, lines, code="F", **more) -> FormulaVersion:
    return formula(code, makes, lines, approve=False, **more)


def test_a_version_is_written_as_a_draft_and_numbered_on(oil, wax, balm):
    first = draft(balm, [(oil, "qs"), (wax, "12.50 %")])
    assert (first.version, first.status) == (1, "draft")
    assert list(first.lines.order_by("position").values_list("position", "percent", "qs", "amount_written")) == [
        (1, None, True, "qs"),
        (2, 125_000, False, "12.5"),
    ]
    assert draft(balm, [(oil, "100")]).version == 2


def test_writing_a_draft_again_under_its_number_replaces_its_content(oil, wax, balm):
    first = draft(balm, [(oil, "80"), (wax, "20")])
    again = draft(balm, [(oil, "100")], version=1)
    assert again.pk == first.pk
    assert Line.objects.count() == 1


def test_an_approved_version_is_never_edited(oil, balm):
    formula("F", balm, [(oil, "100")])
    with pytest.raises(WrongState, match="new version"):
        draft(balm, [(oil, "qs")], version=1)
    assert Line.objects.get().percent == 1_000_000


def test_a_formula_keeps_the_item_it_makes(oil, balm, wax):
    draft(balm, [(oil, "100")])
    with pytest.raises(BadInput, match="BALM"):
        draft(wax, [(oil, "100")])


def test_each_wrong_value_is_told_with_what_is_accepted_and_nothing_is_written(oil, wax, balm):
    with pytest.raises(BadInput) as error:
        draft(balm, [(oil, "98,5"), LineSpec(wax, "1.5", position=1)], yield_percent=0, batch_multiple=0)
    assert [fault.field for fault in error.value.faults] == ["yield_percent", "batch_multiple", "amount", "position"]
    assert not FormulaVersion.objects.exists()


def test_a_mass_intermediate_of_a_per_unit_formula_comes_from_a_single_lot_unless_told(balm, tin, packed):
    version = draft(packed, [(balm, "50 g"), (tin, "1 pc")], basis="per_unit")
    assert list(version.lines.order_by("position").values_list("single_lot", flat=True)) == [True, False]
    version = draft(packed, [LineSpec(balm, "50 g", single_lot=False)], basis="per_unit")
    assert not version.lines.get().single_lot


@pytest.mark.parametrize(
    "amounts, words",
    [
        (("80", "19.9999"), "99.9999"),
        (("80", "20.0001"), "100.0001"),
        (("qs", "100"), "nothing is left"),
        (("qs", "qs"), "two lines are qs"),
    ],
)
def test_totals_that_do_not_make_a_whole_are_refused(oil, wax, balm, amounts, words):
    assert words in refused(draft(balm, list(zip((oil, wax), amounts, strict=True))))


def test_no_lines_are_refused(balm):
    assert "no lines" in refused(draft(balm, []))


def test_a_percent_formula_makes_a_mass_and_a_per_unit_formula_makes_pieces(oil, tin, balm, packed):
    assert "is counted" in refused(draft(packed, [(oil, "100")]))
    assert "is a mass" in refused(draft(balm, [(tin, "1 pc")], code="G", basis="per_unit"))


def test_pieces_have_no_percentage_and_a_mass_has_no_pieces(oil, tin, balm, packed):
    with pytest.raises(BadInput, match="no pieces"):
        draft(balm, [(tin, "100")])
    with pytest.raises(BadInput):
        draft(packed, [(oil, "1 pc")], basis="per_unit")


def test_a_density_taken_away_later_is_found_when_approved(oil, packed):
    version = draft(packed, [(oil, "30 mL")], basis="per_unit")
    oil.density_g_per_ml = None
    oil.save()
    assert "density" in refused(version)


def test_a_supply_is_never_in_a_formula(balm):
    assert "supply" in refused(draft(balm, [(item("GLOVES", "supply"), "100")]))


@pytest.mark.parametrize(
    "sizes, words",
    [
        ({"batch_multiple": 1000, "max_batch": 999}, "no batch fits"),
        ({"min_batch": 1500, "batch_multiple": 1000, "max_batch": 1999}, "no batch fits"),
        ({"loss_mg": 1000, "max_batch": 1000}, "no output"),
    ],
)
def test_sizes_that_cannot_be_cut_are_refused(oil, balm, sizes, words):
    assert words in refused(draft(balm, [(oil, "100")], **sizes))


def test_a_loop_is_refused_with_its_path(oil, balm):
    gel, base = item("GEL", "intermediate"), item("BASE", "intermediate")
    formula("BALM", balm, [(gel, "50"), (oil, "50")])
    formula("GEL", gel, [(base, "50"), (oil, "50")])
    version = draft(base, [(balm, "50"), (oil, "50")], code="BASE")
    assert "BASE -> BALM -> GEL -> BASE" in refused(version)


def test_a_formula_that_needs_itself_is_a_loop(balm):
    assert "BALM -> BALM" in refused(draft(balm, [(balm, "100")]))


def test_two_versions_approved_together_are_checked_together(oil, balm):
    gel = item("GEL", "intermediate")
    one = draft(balm, [(gel, "100")], code="BALM")
    other = draft(gel, [(balm, "100")], code="GEL")
    assert formulas.check_version(one).faults == []
    with pytest.raises(BadInput, match="loop"):
        formulas.approve_versions(versions=[one, other])
    assert not FormulaVersion.objects.filter(status="approved").exists()


def test_a_new_version_that_opens_the_loop_may_be_approved(oil, balm):
    gel = item("GEL", "intermediate")
    formula("BALM", balm, [(gel, "100")])
    with_loop = draft(gel, [(balm, "100")], code="GEL")
    opened = draft(balm, [(oil, "100")], code="BALM")
    formulas.approve_versions(versions=[with_loop, opened])
    assert FormulaVersion.objects.filter(status="approved").count() == 2


def test_use_limits_are_warned_of_and_do_not_refuse(oil, wax, balm):
    over = draft(balm, [(oil, "79"), (wax, "21")])
    assert formulas.approve(version=over) == ["WAX: 21 % is over its use limit of 20 %"]
    under = draft(balm, [(oil, "qs"), (wax, "1")])
    assert formulas.approve(version=under) == ["WAX: 1 % is under its minimum of 2 %"]
    twice = draft(balm, [(oil, "75"), (wax, "15"), (wax, "10")])
    assert formulas.approve(version=twice) == ["WAX: 25 % is over its use limit of 20 %"]


def test_approving_a_new_version_retires_the_old(oil, balm):
    first = formula("F", balm, [(oil, "100")])
    second = formula("F", balm, [(oil, "qs")])
    first.refresh_from_db()
    assert (first.status, second.status) == ("retired", "approved")
    with pytest.raises(WrongState, match="approved already"):
        formulas.approve(version=second)


def test_a_retired_version_stays_retired_once(oil, balm):
    version = formula("F", balm, [(oil, "100")])
    formulas.retire(version=version)
    with pytest.raises(WrongState):
        formulas.retire(version=version)


def test_a_new_version_from_another_has_the_same_content(oil, wax, balm):
    line = LineSpec(oil, "qs", phase="A", tolerance_percent=5_000, substitutes=[SubstituteSpec(wax, Decimal("1.1"))])
    first = formula("F", balm, [line, LineSpec(wax, "12.5", position=7)], step_texts=("Melt.",), loss_mg=12)
    second = formulas.new_version_from(version=first)
    assert (second.version, second.status, second.loss_mg) == (2, "draft", 12)
    kept = ("position", "phase", "item_id", "percent", "qs", "tolerance_percent", "single_lot")
    assert list(second.lines.order_by("position").values_list(*kept)) == list(
        first.lines.order_by("position").values_list(*kept)
    )
    assert second.lines.get(qs=True).substitutes.get().ratio == Decimal("1.1")
    assert second.steps.get().text == "Melt."


def test_a_substitute_has_the_lines_measure(oil, tin, balm):
    with pytest.raises(BadInput, match="same measure"):
        draft(balm, [LineSpec(oil, "100", substitutes=[SubstituteSpec(tin, Decimal(1))])])


def count_queries(act) -> int:
    with CaptureQueriesContext(
        connection,
    ) as queries:
        act()
    return len(queries)


def test_two_formulas_and_twenty_are_written_and_approved_with_the_same_number_of_queries(oil, wax):
    def write_and_approve(names):
        specs = [
            VersionSpec(name, item(name, "intermediate"), "percent", [LineSpec(oil, "qs"), LineSpec(wax, "5")])
            for name in names
        ]
        return count_queries(lambda: formulas.approve_versions(versions=formulas.write_versions(specs=specs)))

    few = write_and_approve([f"A{n}" for n in range(2)])
    assert write_and_approve([f"B{n}" for n in range(20)]) == few


LONG = "x" * 201


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"formula_code": LONG}, "formula"),
        ({"formula_code": ""}, "formula"),
        ({"version": 2**31}, "version"),
        ({"yield_percent": 1.5}, "yield_percent"),
        ({"loss_mg": True}, "loss"),
        ({"batch_multiple": 1.5}, "batch_multiple"),
        ({"steps": [StepSpec("Stir.", phase=LONG)]}, "phase"),
        ({"steps": [StepSpec(" ")]}, "text"),
        ({"steps": [StepSpec("Stir.", position=-1)]}, "step"),
        ({"steps": [StepSpec("Stir.", minutes=-5)]}, "minutes"),
        ({"steps": [StepSpec("Stir.", temperature_c=Decimal("99999"))]}, "temperature_c"),
        ({"checks": [CheckSpec(LONG, "release")]}, "check"),
        ({"checks": [CheckSpec("pH", "release", unit=LONG)]}, "unit"),
        ({"checks": [CheckSpec("look", "release", expected=LONG)]}, "expected"),
        ({"checks": [CheckSpec("pH", "release", low=Decimal("NaN"))]}, "low"),
        ({"checks": [CheckSpec("pH", "release", high=Decimal(10) ** 20)]}, "high"),
        ({"checks": [CheckSpec("pH", "release", high=Decimal("5.12345"))]}, "high"),
    ],
)
def test_a_value_that_the_tables_do_not_keep_is_told_and_nothing_is_written(oil, balm, facts, field):
    spec = VersionSpec(
        **{"formula_code": "F", "item": balm, "basis": "percent", "lines": [LineSpec(oil, "100")]} | facts
    )
    with pytest.raises(BadInput) as refused:
        formulas.write_version(spec=spec)
    assert field in [fault.field for fault in refused.value.faults]
    assert not FormulaVersion.objects.exists()


@pytest.mark.parametrize("ratio", ["0", "-1", "NaN", "0.0000001", "1000000"])
def test_a_ratio_is_kept_exactly_or_refused(oil, wax, balm, ratio):
    line = LineSpec(oil, "100", substitutes=[SubstituteSpec(wax, Decimal(ratio))])
    with pytest.raises(BadInput) as refused:
        formulas.write_version(spec=VersionSpec("F", balm, "percent", [line]))
    assert [fault.field for fault in refused.value.faults] == ["ratio"]


def test_two_versions_of_one_formula_are_not_approved_together(oil, balm):
    first = formula("F", balm, [(oil, "100")], approve=False)
    second = formulas.new_version_from(version=first)
    with pytest.raises(BadInput):
        formulas.approve_versions(versions=[first, second])
    assert not FormulaVersion.objects.exclude(status="draft").exists()


def test_a_new_formula_takes_a_code_that_no_formula_has(oil, balm):
    spec = VersionSpec("F", balm, "percent", [LineSpec(oil, "100")])
    assert formulas.make_formula(spec=spec).version == 1
    with pytest.raises(Conflict) as error:
        formulas.make_formula(spec=spec)
    assert (error.value.code, error.value.faults[0].field) == ("code_taken", "formula")
    assert FormulaVersion.objects.count() == 1


def test_an_item_stands_in_for_a_line_once(oil, wax, balm):
    twice = [SubstituteSpec(wax, Decimal(1)), SubstituteSpec(wax, Decimal("1.1"))]
    with pytest.raises(BadInput) as error:
        draft(balm, [LineSpec(oil, "100", substitutes=twice)])
    (fault,) = error.value.faults
    assert (fault.field, fault.value, fault.row) == ("substitute", "WAX", 1)
    assert not FormulaVersion.objects.exists()
