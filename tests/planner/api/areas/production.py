"""Formulas and batches."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from unittest import mock
from uuid import UUID

from inventory.models import Item, Reservation
from production import selectors
from production.models import Batch
from production.services import batches, finishing, formulas, weighing
from production.services.formulas import CheckSpec, LineSpec, StepSpec, VersionSpec
from tests.inventory.builders import make_item
from tests.production.builders import formula, item, stock

PLANNED_FOR = date(2027, 3, 3)
READING = UUID("5f0c1f5e-6f2b-4a53-9d51-3c1f9a7f0b10")
OF_B_1 = {"batch-weigh", "batch-add", "batch-finish", "batch-abandon", "batch-reopen", "batch-correct-weighing"}
OF_B_3 = {"batch-draw-water", "batch-sign-step", "batch-record-check", "batch-make-and-fill"}


def prepare(operation: tuple[str, str]) -> None:
    route = operation[1]
    if operation in {("PUT", "formula-version"), ("POST", "formula-version-approve")}:
        _draft_of_rub()
    if route == "formula-version-approve":
        Item.objects.filter(code="WAX").update(max_percent=220_000)
    if route == "batch-unreserve":
        batches.reserve(batch=selectors.find_batch("B-1"))
    if route in OF_B_1:
        _started_rub(route)
    if route in OF_B_3:
        _started_gel(weighed=route == "batch-make-and-fill")
    if route == "batch-reserve":
        _stand_in_for_wax()


def _draft_of_rub() -> None:
    """Version 2 of RUB, with more wax."""
    rub, oil, wax = (Item.objects.get(code=code) for code in ("RUB", "OIL", "WAX"))
    formula("RUB", rub, [(oil, "75"), (wax, "25")], approve=False)


def _started_rub(route: str) -> None:
    """B-1 on the bench; weighed where it is to end, ended where it is to be opened again."""
    batch = batches.start(batch=selectors.find_batch("B-1"))
    if route == "batch-correct-weighing":
        with mock.patch("inventory.services.ledger.uuid.uuid4", return_value=READING):
            weigh_all(batch, positions=(1,))
    elif route not in ("batch-weigh", "batch-add"):
        weigh_all(batch)
    if route == "batch-reopen":
        finishing.finish(batch=batch, made=970_000)


def weigh_all(batch: Batch, positions: tuple[int, ...] = ()) -> None:
    """What the sheet asks for, from what is set aside."""
    for line in list(batch.lines.select_related("item", "batch").order_by("position")):
        if positions and line.position not in positions:
            continue
        if line.item.drawn:
            weighing.draw_water(line=line, quantity=line.required)
            continue
        held = Reservation.objects.select_related("portion__lot__item").get(
            transformation=batch.pk, portion__lot__item=line.item
        )
        weighing.weigh(line=line, portion=held.portion, quantity=line.required)


def gel_and_its_filling() -> None:
    """A gel of water and oil, released by its pH, with a step; and its filling into tins, which are here."""
    water = item("WATER", drawn=True)
    gel = item("GEL", "intermediate", release_by="checks")
    oil, tin = Item.objects.get(code="OIL"), Item.objects.get(code="TIN")
    steps = [StepSpec("Warm the water. Hot vessel: gloves.", temperature_c=Decimal(70), minutes=10)]
    ph = CheckSpec("pH", "release", low=Decimal("4.5"), high=Decimal("5.5"))
    lines = [LineSpec(water, "80"), LineSpec(oil, "20")]
    spec = VersionSpec("GEL", gel, "percent", lines, steps=steps, checks=[ph])
    formulas.approve(version=formulas.write_version(spec=spec))
    tins = item("GEL-50", "product", "count")
    tight = [CheckSpec("lid tight", "release", expected="yes")]
    formula("GEL-FILL", tins, [(gel, "50 g"), (tin, "1 pc")], basis="per_unit", checks=tight)
    stock(tin, "100 pc", "T1")


def _started_gel(weighed: bool) -> None:
    gel_and_its_filling()
    version = selectors.find_version("GEL")
    batch = batches.plan(version=version, charge=500_000, planned_for=PLANNED_FOR, code="B-3")
    batches.start(batch=batch)
    if weighed:
        weigh_all(batch)
        weighing.record_check(batch=batch, check=selectors.find_check(batch, "pH"), value="5")


def _stand_in_for_wax() -> None:
    """A firmer wax, here, of which less does: it may stand in for the wax of RUB."""
    other = item("FIRM-WAX")
    stock(other, "1 kg", "F1")
    line = selectors.find_version("RUB").lines.get(position=2)
    line.substitutes.create(item=other, ratio=Decimal("0.8"))


def _formulas(count: int) -> None:
    oil = Item.objects.get(code="OIL")
    for _ in range(count):
        made = make_item(kind=Item.Kind.INTERMEDIATE)
        version = formula(made.code, made, [(oil, "100")])
        formulas.new_version_from(version=selectors.find_version(version.formula.code, 1))


def _batches(count: int) -> None:
    for _ in range(count):
        batches.plan(version=selectors.find_version("RUB"), charge=100_000, planned_for=PLANNED_FOR)


FILLERS = {"formulas": _formulas, "batches": _batches}
IN_A_MINUTE = ["2027-03-01T09:01:00+00:00"]
WRONG = {
    ("POST", "formulas", "formula"): ["RUB"],
    ("POST", "batches", "batch"): ["B-1"],
    ("POST", "batches", "version"): [9],
    ("POST", "batches", "size"): ["3 pc", "5 mL"],
    ("PATCH", "batch", "size"): ["3 pc", "5 mL"],
    ("POST", "batch-reserve", "substitutes.position"): [9],
    ("POST", "batch-reserve", "substitutes.substitute"): ["OIL", "TIN"],
    ("POST", "batch-start", "happened_at"): IN_A_MINUTE,
    ("POST", "batch-weigh", "position"): [9],
    ("POST", "batch-weigh", "lot"): ["NO-SUCH-LOT"],
    ("POST", "batch-weigh", "place"): ["nowhere"],
    ("POST", "batch-weigh", "container"): ["nothing"],
    ("POST", "batch-weigh", "quantity"): ["3 pc", "5 mL"],
    ("POST", "batch-weigh", "happened_at"): [*IN_A_MINUTE, "2027-03-01T08:59:00+00:00"],
    ("POST", "batch-draw-water", "position"): [9],
    ("POST", "batch-draw-water", "quantity"): ["3 pc", "5 mL"],
    ("POST", "batch-draw-water", "happened_at"): IN_A_MINUTE,
    ("POST", "batch-add", "lot"): ["NO-SUCH-LOT"],
    ("POST", "batch-add", "place"): ["nowhere"],
    ("POST", "batch-add", "quantity"): ["3 pc", "5 mL"],
    ("POST", "batch-add", "happened_at"): IN_A_MINUTE,
    ("POST", "batch-correct-weighing", "event"): ["00000000-0000-4000-8000-000000000000"],
    ("POST", "batch-sign-step", "position"): [9],
    ("POST", "batch-sign-step", "signed_at"): IN_A_MINUTE,
    ("POST", "batch-record-check", "check"): ["colour"],
    ("POST", "batch-record-check", "value"): ["sour", "NaN"],
    ("POST", "batch-record-check", "looked_at"): IN_A_MINUTE,
    ("POST", "batch-finish", "made"): ["3 pc", "5 mL"],
    ("POST", "batch-finish", "residue"): ["3 pc"],
    ("POST", "batch-finish", "left_in_vessel"): ["3 pc"],
    ("POST", "batch-finish", "made_at"): [*IN_A_MINUTE, "2027-03-01T08:59:00+00:00"],
    ("POST", "batch-make-and-fill", "made"): ["3 pc"],
    ("POST", "batch-make-and-fill", "residue"): ["3 pc"],
    ("POST", "batch-make-and-fill", "left_in_vessel"): ["3 pc"],
    ("POST", "batch-make-and-fill", "made_at"): IN_A_MINUTE,
    ("POST", "batch-make-and-fill", "filling.batch"): ["B-1"],
    ("POST", "batch-make-and-fill", "filling.version"): [9],
    ("POST", "batch-make-and-fill", "filling.size"): ["3 g"],
    ("POST", "batch-make-and-fill", "filling.made"): ["3 g"],
    ("POST", "batch-make-and-fill", "filling.bulk_used"): ["3 pc"],
    ("POST", "batch-make-and-fill", "filling.checks.value"): ["rather"],
    ("POST", "batch-abandon", "rejected"): ["3 pc"],
    ("POST", "batch-abandon", "waste"): ["3 pc"],
    ("POST", "batch-abandon", "left_in_vessel"): ["3 pc"],
    ("POST", "batch-abandon", "happened_at"): IN_A_MINUTE,
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
VOLATILE = {"event"}
