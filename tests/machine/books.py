"""The workshop of the random days: its master data, written once, and its books as the model would tell them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from inventory import models as stored
from production import models as made
from production.services import formulas
from production.services.formulas import CheckSpec, LineSpec, SubstituteSpec, VersionSpec
from tests.machine import bench
from tests.machine.bench import FormulaLine, FormulaRules
from tests.machine.model import Holder, ItemRules, LotKey, Spot

GRAM = 1000

ITEMS = {
    rules.code: rules
    for rules in (
        ItemRules("OIL", life_days=12, opened_life_days=2, release_days=2),
        ItemRules("BUTTER", retest_days=6),
        ItemRules("WAX"),
        ItemRules("WATER", drawn=True),
        ItemRules("JAR", "packaging", counted=True, min_remaining_days=1),
        ItemRules("BASE", "intermediate", life_hours=72, released_by_checks=True, release_days=1),
        ItemRules("BALM", "intermediate"),
        ItemRules("CREAM", "product", counted=True, life_days=10, min_remaining_days=1),
    )
}
BOUGHT = ("OIL", "BUTTER", "WAX", "JAR")
CUSTOMERS: dict[str, int | None] = {"ANNA": 3, "BERT": None}
PUBLIC = ""
FORMULAS = {
    rules.name: rules
    for rules in (
        FormulaRules(
            "base",
            "BASE",
            True,
            (FormulaLine("OIL", 30), FormulaLine("BUTTER", 10, substitute="WAX", ratio=2), FormulaLine("WATER", 60)),
            yield_percent=90,
            loss=1 * GRAM,
            checks=("pH",),
        ),
        FormulaRules("balm", "BALM", True, (FormulaLine("BUTTER", 50), FormulaLine("OIL", 50))),
        FormulaRules("cream", "CREAM", False, (FormulaLine("BASE", 2 * GRAM, single_lot=True), FormulaLine("JAR", 1))),
        FormulaRules("draft", "BASE", True, (FormulaLine("OIL", 50), FormulaLine("WATER", 50)), draft=True),
    )
}


def step_of(item: str) -> int:
    """A gram or a piece in base steps."""
    return 1 if ITEMS[item].counted else GRAM


@dataclass
class Books:
    """The master data in the database, by code and name."""

    items: dict[str, stored.Item] = field(default_factory=dict)
    parties: dict[str, stored.Party | None] = field(default_factory=dict)
    versions: dict[str, made.FormulaVersion] = field(default_factory=dict)
    supplier: stored.Party = field(default_factory=lambda: stored.Party.objects.create(code="MILL", role="supplier"))


def write_master_data() -> Books:
    """Items, parties and formulas as the model knows them."""
    books = Books()
    stored.Setting.objects.create(key="time_zone", value="UTC")
    for code, rules in ITEMS.items():
        books.items[code] = stored.Item.objects.create(
            code=code,
            name=code.title(),
            kind=rules.kind,
            measure="count" if rules.counted else "mass",
            shelf_life_days=rules.life_days,
            shelf_life_hours=rules.life_hours,
            shelf_life_basis=rules.life_basis,
            caps_life=rules.caps_life,
            opened_life_days=rules.opened_life_days,
            min_remaining_days=rules.min_remaining_days,
            retest_days=rules.retest_days,
            release_days=rules.release_days,
            release_by="checks" if rules.released_by_checks else "decision",
            drawn=rules.drawn,
        )
    books.parties = {PUBLIC: None}
    for code, remaining in CUSTOMERS.items():
        books.parties[code] = stored.Party.objects.create(code=code, role="customer", min_remaining_days=remaining)
    for rules in FORMULAS.values():
        version = books.versions[rules.name] = formulas.write_version(spec=_spec_of(rules, books.items))
        if not rules.draft:
            formulas.approve(version=version)
    return books


def _spec_of(rules: FormulaRules, items: dict[str, stored.Item]) -> VersionSpec:
    lines = [
        LineSpec(
            items[line.item],
            _amount_of(line, rules),
            tolerance_percent=bench.TOLERANCE_PERCENT * 10_000,
            single_lot=line.single_lot,
            substitutes=[SubstituteSpec(items[line.substitute], Decimal(line.ratio))] if line.substitute else [],
        )
        for line in rules.lines
    ]
    return VersionSpec(
        formula_code=rules.name,
        item=items[rules.makes],
        basis="percent" if rules.percent else "per_unit",
        lines=lines,
        yield_percent=rules.yield_percent * 10_000,
        loss_mg=rules.loss,
        checks=[CheckSpec(name, "release", low=Decimal("4.5"), high=Decimal("5.5")) for name in rules.checks],
    )


def _amount_of(line: FormulaLine, rules: FormulaRules) -> str:
    if rules.percent:
        return str(line.amount)
    return f"{line.amount} pc" if ITEMS[line.item].counted else f"{line.amount} mg"


def spot_of(portion: stored.Portion) -> Spot:
    return Spot(portion.lot.item.code, portion.lot.number, portion.place, portion.container, portion.set_apart)


def find_lot(key: LotKey) -> stored.Lot:
    return stored.Lot.objects.select_related("item").get(item__code=key.item, number=key.number)


def find_portion(spot: Spot) -> stored.Portion:
    return stored.Portion.objects.select_related("lot__item").get(
        lot__item__code=spot.item,
        lot__number=spot.number,
        place=spot.place,
        container=spot.container,
        set_apart=spot.set_apart,
    )


def find_batch(code: str) -> made.Batch:
    return made.Batch.objects.select_related("transformation__item", "version__formula__item").get(
        transformation__code=code
    )


SPOT = ("lot__item__code", "lot__number", "place", "container", "set_apart")


def portions_in_books() -> dict[Spot, tuple[int, int, date | None]]:
    rows = stored.Portion.objects.exclude(on_hand=0, reserved=0)
    return {
        Spot(*spot): (on_hand, reserved, opened_on)
        for *spot, on_hand, reserved, opened_on in rows.values_list(*SPOT, "on_hand", "reserved", "opened_on")
    }


def reservations_in_books() -> dict[tuple[Spot, Holder], int]:
    rows = stored.Reservation.objects.values_list(
        *(f"portion__{name}" for name in SPOT), "transformation__code", "demand__reference", "quantity"
    )
    return {
        (Spot(*spot), Holder("batch", batch) if batch else Holder("demand", demand)): quantity
        for *spot, batch, demand, quantity in rows
    }


def lots_in_books() -> dict[LotKey, tuple[Any, ...]]:
    rows = stored.Lot.objects.values_list(
        "item__code",
        "number",
        "status",
        "released_by",
        "received_on",
        "available_on",
        "expires_on",
        "trial",
        "transformation__code",
    )
    return {LotKey(item, number): tuple(rest) for item, number, *rest in rows}


def batches_in_books() -> dict[str, tuple[Any, ...]]:
    lines: dict[str, dict[int, tuple[Any, ...]]] = {}
    for code, position, *rest in made.BatchLine.objects.values_list(
        "batch__transformation__code", "position", "item__code", "required", "tolerance", "done"
    ):
        lines.setdefault(code, {})[position] = tuple(rest)
    weighings: dict[str, list[tuple[Any, ...]]] = {}
    for code, position, item, lot, quantity, corrected in made.Weighing.objects.order_by("pk").values_list(
        "line__batch__transformation__code", "line__position", "lot__item__code", "lot__number", "quantity", "corrected"
    ):
        weighings.setdefault(code, []).append((position, LotKey(item, lot), quantity, corrected))
    rows = made.Batch.objects.values_list(
        "transformation__code",
        "status",
        "charge",
        "transformation__planned_for",
        "transformation__residue_mg",
        "transformation__evaporated_mg",
        "transformation__left_in_vessel_mg",
    )
    return {
        code: (state, charge, planned_for, lines.get(code, {}), weighings.get(code, []), tuple(losses))
        for code, state, charge, planned_for, *losses in rows
    }
