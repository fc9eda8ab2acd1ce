"""A small invented workshop as tables, and the ways to write them: what the exchange tests start from."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path

import xlsxwriter  # type: ignore[import-untyped]

Rows = list[dict[str, str]]
Tables = dict[str, Rows]


def tables() -> Tables:
    """A fresh copy of the workshop: two made levels, a drawn water, stock, promises, a reserved batch."""
    return {
        "settings": [
            {"key": "currency", "value": "EUR"},
            {"key": "open_days", "value": "mon tue wed thu fri"},
        ],
        "items": [
            {"item": "WATER", "name": "Tap water", "kind": "raw", "drawn": "yes"},
            {"item": "OIL", "name": "Sunflower oil", "kind": "raw", "density_g_per_ml": "0.92",
             "opened_life_days": "90", "inci": "Helianthus Annuus Seed Oil", "cas": "8001-21-6",
             "safety_stock": "500 g", "min_percent": "1.5", "max_percent": "60.25",
             "min_remaining_days": "7", "retest_days": "400"},
            {"item": "WAX", "name": "Beeswax", "kind": "raw", "caution": "hot\nwax"},
            {"item": "ROSE", "name": "Rose infusion", "kind": "intermediate", "shelf_life_hours": "72"},
            {"item": "BALM", "name": "Balm bulk", "kind": "intermediate", "shelf_life_days": "180",
             "lead_time_days": "1", "release_by": "checks", "release_days": "2", "shelf_life_basis": "study"},
            {"item": "JAR", "name": "Jar 50 mL", "kind": "packaging", "measure": "count"},
            {"item": "JARBALM", "name": "Balm in jar", "kind": "product", "measure": "count", "gtin": "4006381333931",
             "shelf_life_days": "180", "storage": "cool"},
            {"item": "GLOVES", "name": "Gloves", "kind": "supply", "measure": "count"},
        ],
        "parties": [
            {"party": "OILCO", "name": "Oil house", "role": "supplier", "email": "oil@example.org", "phone": "1 2 3"},
            {"party": "SHOP", "name": "Corner shop", "role": "customer", "address": "Lane 1",
             "min_remaining_days": "60"},
        ],
        "offers": [
            {"supplier": "OILCO", "item": "OIL", "pack": "5 L", "price": "31.5", "lead_time_days": "4",
             "min_packs": "2", "supplier_code": "SO-5"},
            {"supplier": "OILCO", "item": "JAR", "pack": "24 pc", "lead_time_days": "10"},
        ],
        "formulas": [
            {"formula": "F-BALM", "item": "BALM", "basis": "percent", "yield_percent": "97.5", "loss": "20 g",
             "status": "approved", "min_batch": "500 g", "batch_multiple": "100 g", "max_batch": "5 kg",
             "preferred": "yes"},
            {"formula": "F-JAR", "item": "JARBALM", "basis": "per_unit", "status": "approved"},
            {"formula": "F-ROSE", "item": "ROSE", "basis": "percent", "status": "draft"},
        ],
        "formula_lines": [
            {"formula": "F-BALM", "phase": "A", "item": "OIL", "amount": "49.25", "tolerance_percent": "2"},
            {"formula": "F-BALM", "phase": "A", "item": "WAX", "amount": "20"},
            {"formula": "F-BALM", "phase": "B", "item": "WATER", "amount": "qs"},
            {"formula": "F-JAR", "item": "BALM", "amount": "49.5 g"},
            {"formula": "F-JAR", "item": "JAR", "amount": "1 pc"},
            {"formula": "F-ROSE", "item": "WATER", "amount": "200 g"},
            {"formula": "F-ROSE", "item": "OIL", "amount": "100 g"},
        ],
        "substitutes": [
            {"formula": "F-BALM", "item": "OIL", "substitute": "WAX", "ratio": "0.95"},
        ],
        "steps": [
            {"formula": "F-BALM", "position": "1", "phase": "A", "text": "Melt", "temperature_c": "-5",
             "minutes": "10", "hands_on": "no"},
        ],
        "checks": [
            {"formula": "F-BALM", "check": "pH", "stage": "release", "unit": "", "low": "5.2", "high": "5.8"},
            {"formula": "F-BALM", "check": "smell", "stage": "release", "expected": "as the retained sample"},
        ],
        "lots": [
            {"item": "OIL", "lot": "O-1", "quantity": "4 kg", "status": "released", "received_on": "2026-10-01",
             "expires_on": "2027-06", "supplier": "OILCO", "supplier_lot": "S1", "maker_lot": "M1",
             "unit_cost": "7.25", "place": "shelf"},
            {"item": "OIL", "lot": "O-1", "quantity": "500 mL", "status": "released", "received_on": "2026-10-01",
             "expires_on": "2027-06", "supplier": "OILCO", "supplier_lot": "S1", "maker_lot": "M1",
             "unit_cost": "7.25", "place": "bench", "container": "bottle", "opened_on": "2026-11-01"},
            {"item": "WAX", "lot": "W-1", "quantity": "2.5 kg", "status": "released", "retest_on": "2027-01-31"},
            {"item": "WAX", "lot": "W-2", "quantity": "1 kg", "status": "quarantine", "available_on": "2026-12-05"},
            {"item": "JAR", "quantity": "100 pc", "status": "released"},
        ],
        "demands": [
            {"item": "JARBALM", "quantity": "20 pc", "due_on": "2026-12-10", "customer": "SHOP", "reference": "A-7",
             "priority": "1"},
            {"item": "JARBALM", "quantity": "60 pc", "due_on": "2026-12-19"},
        ],
        "batches": [
            {"batch": "B-1", "formula": "F-BALM", "size": "1 kg", "planned_for": "2026-12-03", "status": "reserved",
             "priority": "2"},
            {"batch": "B-2", "formula": "F-JAR", "version": "1", "size": "10 pc", "planned_for": "2026-12-07"},
        ],
        "reservations": [
            {"batch": "B-1", "item": "OIL", "lot": "O-1", "quantity": "492.5 g", "place": "shelf"},
            {"batch": "B-1", "item": "WAX", "lot": "W-1", "quantity": "200 g"},
        ],
        "purchase_orders": [
            {"order": "PO-1", "supplier": "OILCO", "item": "JAR", "quantity": "48 pc", "due_on": "2026-12-01",
             "expires_on": "2030-12"},
        ],
    }  # fmt: skip


def columns_of(rows: Rows) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row))


def csv_bytes(rows: Rows, *, separator: str = ",") -> bytes:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns_of(rows), delimiter=separator)
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def as_csv(brought: Tables, **options: str) -> dict[str, bytes]:
    return {f"{name}.csv": csv_bytes(rows, **options) for name, rows in brought.items() if rows}


def as_workbook(brought: Mapping[str, Rows]) -> dict[str, bytes]:
    content = io.BytesIO()
    with xlsxwriter.Workbook(content, {"in_memory": True}) as book:
        for name, rows in brought.items():
            sheet = book.add_worksheet(name)
            for at, column in enumerate(columns_of(rows)):
                sheet.write_string(0, at, column)
                for number, row in enumerate(rows, start=1):
                    sheet.write_string(number, at, row.get(column, ""))
    return {"workshop.xlsx": content.getvalue()}


def write_folder(folder: Path, files: Mapping[str, bytes]) -> Path:
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def plan_bytes(day: str = "2026-11-25", weeks: int = 8) -> bytes:
    """What ``plan --json`` prints: what must come out equal after an export is loaded elsewhere."""
    from datetime import date

    import orjson

    from planner import services

    return orjson.dumps(services.run_plan(from_day=date.fromisoformat(day), weeks=weeks).document())
