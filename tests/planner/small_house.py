"""A small invented workshop for the planner's tests: a rub of oil and wax, poured into tins."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from tests.tables import load

FROM = date(2027, 3, 1)  # a Monday


def tables(**more: list[dict[str, object]]) -> dict[str, list[dict[str, object]]]:
    """Oil for 3 kg of rub is here, wax for 1 kg of it; tins come from a supplier in five days."""
    base: dict[str, list[dict[str, object]]] = {
        "items": [
            {"item": "OIL", "name": "Sunny oil", "kind": "raw"},
            {"item": "WAX", "name": "Pale wax", "kind": "raw", "caution": "Hot wax: no water in, never left alone."},
            {"item": "TIN", "name": "Tin 50 g", "kind": "packaging", "measure": "count"},
            {"item": "RUB", "name": "Rub, bulk", "kind": "intermediate", "shelf_life_days": 180, "lead_time_days": 1},
            {"item": "RUB-50", "name": "Rub in a tin", "kind": "product", "measure": "count", "shelf_life_days": 180},
        ],
        "parties": [
            {"party": "HOLLOW", "name": "Hollow Hill Supplies", "role": "supplier"},
            {"party": "LANE", "name": "The Lane Shop", "role": "customer"},
        ],
        "offers": [
            {"supplier": "HOLLOW", "item": "OIL", "pack": "5 kg", "price": "40.00", "lead_time_days": 3},
            {"supplier": "HOLLOW", "item": "WAX", "pack": "1 kg", "price": "12.50", "lead_time_days": 3},
            {"supplier": "HOLLOW", "item": "TIN", "pack": "100 pc", "price": "30", "lead_time_days": 5},
        ],
        "lots": [
            {"item": "OIL", "lot": "O1", "quantity": "2.4 kg", "status": "released", "expires_on": "2028-01",
             "unit_cost": "8", "supplier_lot": "HH 77-a", "supplier": "HOLLOW"},
            {"item": "WAX", "lot": "W1", "quantity": "200 g", "status": "released", "expires_on": "2028-06-30"},
            {"item": "WAX", "lot": "W2", "quantity": "5 kg", "status": "quarantine", "supplier_lot": "HH 77-a"},
        ],
        "formulas": [
            {"formula": "RUB", "item": "RUB", "basis": "percent", "status": "approved"},
            {"formula": "FILL", "item": "RUB-50", "basis": "per_unit", "status": "approved"},
        ],
        "formula_lines": [
            {"formula": "RUB", "position": 1, "item": "OIL", "amount": "80"},
            {"formula": "RUB", "position": 2, "item": "WAX", "amount": "20"},
            {"formula": "FILL", "position": 1, "item": "RUB", "amount": "50 g"},
            {"formula": "FILL", "position": 2, "item": "TIN", "amount": "1 pc"},
        ],
        "batches": [
            {"batch": "B-1", "formula": "RUB", "version": 1, "size": "1 kg", "planned_for": "2027-03-03"},
            {"batch": "B-2", "formula": "RUB", "version": 1, "size": "1 kg", "planned_for": "2027-03-05"},
        ],
        "demands": [
            {"item": "RUB-50", "quantity": "60 pc", "due_on": "2027-03-19", "customer": "LANE", "reference": "L-9"}
        ],
    }  # fmt: skip
    return base | more


def set_up(folder: Path, **more: list[dict[str, object]]) -> dict[str, Any]:
    return load(folder / "tables", tables(**more))
