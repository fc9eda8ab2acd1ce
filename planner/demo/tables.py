"""The demo's workshop as the tables that people bring: rows by table, and the CSV folder that is loaded."""

from __future__ import annotations

import csv
from pathlib import Path

from planner.demo import materials, methods, present
from planner.demo.days import Days
from planner.demo.materials import Row


def tables(days: Days) -> dict[str, list[Row]]:
    """Every table of the demo, by name; blank cells are left out."""
    return {
        "settings": list(materials.SETTINGS),
        "items": list(materials.ITEMS),
        "parties": list(materials.PARTIES),
        "offers": list(materials.OFFERS),
        "formulas": list(methods.FORMULAS),
        "formula_lines": list(methods.FORMULA_LINES),
        "substitutes": list(methods.SUBSTITUTES),
        "steps": list(methods.STEPS),
        "checks": list(methods.CHECKS),
        "lots": present.lots(days),
        "demands": present.demands(days),
        "batches": present.batches(days),
        "purchase_orders": present.purchase_orders(days),
    }


def write_folder(folder: Path, found: dict[str, list[Row]]) -> None:
    """Write one CSV file for each table, with the columns that any of its rows has."""
    for name, rows in found.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, columns, restval="")
            writer.writeheader()
            writer.writerows(rows)
