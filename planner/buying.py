"""What to order: the plan's proposals to buy, by supplier, the first to be ordered first. Reads only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from inventory import clock
from inventory.models import Item, Offer, Party
from planner import week
from planner.engine.result import Buy
from planner.kept import kept


@dataclass(frozen=True, slots=True)
class ToOrder:
    """One proposal. ``codes`` are the supplier's own numbers of the packs, by pack."""

    row: Buy
    item: Mapping[str, Any]
    order_by: date
    codes: Mapping[int, str]


@dataclass(frozen=True, slots=True)
class SupplierSheet:
    """What to order from one supplier. ``cost_e4`` is of the rows whose price is known, ``unpriced`` of the others."""

    supplier: Mapping[str, Any]
    rows: tuple[ToOrder, ...]
    order_by: date
    late: bool
    cost_e4: int
    unpriced: int


@dataclass(frozen=True, slots=True)
class BuyingSheet:
    suppliers: tuple[SupplierSheet, ...]
    unmet: tuple[Mapping[str, Any], ...]  # items that nobody offers
    made: Mapping[str, str]
    cost_e4: int


@kept
def buying_sheet() -> BuyingSheet:
    """By the plan of today. The plan, and three queries more."""
    netted = week.plan_from_today().netted
    buys = netted.buys
    codes = {row.item for row in buys} | {row.item for row in netted.unmet if row.reason == "no_offer"}
    items = {row["code"]: row for row in Item.objects.filter(code__in=codes).values("code", "name", "measure",
                                                                                     "density_g_per_ml")}  # fmt: skip
    named = {row.packs[0].supplier for row in buys}
    suppliers = {row["code"]: row for row in Party.objects.filter(code__in=named).values("code", "name", "phone")}
    numbers: dict[tuple[str, str], dict[int, str]] = {}
    for supplier, item, pack, number in Offer.objects.filter(
        supplier__code__in=named, item__code__in=codes
    ).values_list("supplier__code", "item__code", "pack", "supplier_code"):
        numbers.setdefault((supplier, item), {})[pack] = number
    grouped: dict[str, list[ToOrder]] = {}
    for row in buys:
        supplier = row.packs[0].supplier
        grouped.setdefault(supplier, []).append(
            ToOrder(
                row=row,
                item=items[row.item],
                order_by=date.fromordinal(row.order_by),
                codes=numbers.get((supplier, row.item), {}),
            )
        )
    today = clock.today()
    sheets = sorted(
        (_sheet_of(suppliers[code], rows, today) for code, rows in grouped.items()),
        key=lambda sheet: (sheet.order_by, sheet.supplier["code"]),
    )
    unmet = {row.item: items[row.item] for row in netted.unmet if row.reason == "no_offer"}
    return BuyingSheet(
        suppliers=tuple(sheets),
        unmet=tuple(unmet.values()),
        made={row.id: row.item for row in netted.makes},
        cost_e4=sum(sheet.cost_e4 for sheet in sheets),
    )


def _sheet_of(supplier: Mapping[str, Any], rows: list[ToOrder], today: date) -> SupplierSheet:
    first = min(row.order_by for row in rows)
    costs = [row.row.cost_e4 for row in rows]
    return SupplierSheet(
        supplier=supplier,
        rows=tuple(rows),
        order_by=first,
        late=first < today,
        cost_e4=sum(cost for cost in costs if cost is not None),
        unpriced=sum(cost is None for cost in costs),
    )
