"""A small workshop for tests of the bench: items, stock and formulas in one line each."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal

from inventory import clock
from inventory.models import Item, Lot, Movement, Portion, Reservation, StockEvent
from inventory.quantities import parse_percent, parse_quantity
from inventory.services.ledger import Change, portion_of, post
from production.models import Batch, FormulaVersion
from production.services import formulas
from production.services.formulas import CheckSpec, LineSpec, StepSpec, VersionSpec


def item(code: str, kind: str = "raw", measure: str = "mass", **more: object) -> Item:
    more.setdefault("caps_life", kind == "raw")
    more.setdefault("name", code.title())
    if kind in ("intermediate", "product"):
        more.setdefault("shelf_life_days", 365)
    for limit in ("min_percent", "max_percent"):
        if isinstance(more.get(limit), str):
            more[limit] = parse_percent(more[limit])
    return Item.objects.create(code=code, kind=kind, measure=measure, **more)


def steps(of: Item, text: str) -> int:
    return parse_quantity(text, measure=of.measure, density_g_per_ml=of.density_g_per_ml).steps


def stock(
    of: Item,
    quantity: str,
    number: str = "L1",
    status: str = "released",
    expires_on: date | None = None,
    place: str = "",
    unit_cost_e6: int | None = None,
    received_on: date | None = None,
    **more: object,
) -> Portion:
    """Opening stock of one lot in one place."""
    lot, _ = Lot.objects.get_or_create(
        item=of,
        number=number,
        defaults={
            "origin": Lot.Origin.OPENING,
            "status": status,
            "number_folded": number.lower(),
            "expires_on": expires_on,
            "unit_cost_e6": unit_cost_e6,
            "received_on": received_on,
            **more,
        },
    )
    portion = portion_of(lot=lot, place=place)
    post(kind=StockEvent.Kind.OPENING, changes=[Change(portion, steps(of, quantity))])
    return Portion.objects.select_related("lot__item").get(pk=portion.pk)


def formula(
    code: str,
    makes: Item,
    lines: list[tuple[Item, str]] | list[LineSpec],
    *,
    basis: str = "percent",
    approve: bool = True,
    checks: list[CheckSpec] | None = None,
    step_texts: tuple[str, ...] = (),
    **more: object,
) -> FormulaVersion:
    """A formula version from (item, "12.5") pairs, approved unless told otherwise."""
    specs = [line if isinstance(line, LineSpec) else LineSpec(*line) for line in lines]
    spec = VersionSpec(
        formula_code=code,
        item=makes,
        basis=basis,
        lines=specs,
        checks=checks or [],
        steps=[StepSpec(text) for text in step_texts],
        **more,
    )
    version = formulas.write_version(spec=spec)
    if approve:
        formulas.approve(version=version)
    return version


def ph_check(stage: str = "release") -> CheckSpec:
    return CheckSpec("pH", stage, low=Decimal("4.5"), high=Decimal("5.5"))


def in_days(days: int) -> date:
    return clock.today() + timedelta(days=days)


def hours_ago(hours: float) -> datetime:
    return clock.now() - timedelta(hours=hours)


def books() -> tuple[object, ...]:
    """Everything a refused act must leave as it was."""
    return (
        list(Portion.objects.order_by("pk").values_list("pk", "on_hand", "reserved")),
        list(Reservation.objects.order_by("pk").values_list("pk", "quantity")),
        list(Lot.objects.order_by("pk").values_list("pk", "status", "expires_on")),
        list(Batch.objects.order_by("pk").values_list("pk", "status", "charge")),
        StockEvent.objects.count(),
        Movement.objects.count(),
    )
