"""A small workshop of our own invention for the walk: elbow balm in tins, for one shop and one market."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import xlsxwriter

Tables = dict[str, tuple[Sequence[str], list[list[str]]]]
SUPPLIER, CUSTOMER, MARKET = "WHINMOOR", "HAZELGATE", "Quay market"
FOR_THE_SHOP, FOR_THE_MARKET = 12, 8


def tables(today: date) -> Tables:
    """Everything is wanted today: oil stands on the shelf but not enough of it, wax and tins are still to be bought."""
    day = today.isoformat()
    return {
        "settings": (("key", "value"), [["time_zone", "UTC"], ["currency", "EUR"], ["scales", "0.1 g to 2 kg"]]),
        "items": (
            ("item", "name", "kind", "measure", "shelf_life_days", "caution"),
            [
                ["PLUM-OIL", "Plum kernel oil", "raw", "mass", "400", ""],
                ["RICE-WAX", "Rice bran wax", "raw", "mass", "900", "Melts hot: goggles and gloves."],
                ["TIN-40", "Tin for 40 g", "packaging", "count", "", ""],
                ["ELBOW-BALM", "Elbow balm", "intermediate", "mass", "300", ""],
                ["ELBOW-TIN", "Elbow balm, tin of 40 g", "product", "count", "300", ""],
            ],
        ),
        "parties": (
            ("party", "name", "role", "email", "phone"),
            [
                [SUPPLIER, "Whinmoor Oils", "supplier", "orders@whinmoor.example", ""],
                [CUSTOMER, "Hazelgate shop", "customer", "", "000 5550 17"],
            ],
        ),
        "offers": (
            ("supplier", "item", "pack", "price", "lead_time_days"),
            [
                [SUPPLIER, "PLUM-OIL", "1 kg", "14", "0"],
                [SUPPLIER, "RICE-WAX", "500 g", "9", "0"],
                [SUPPLIER, "TIN-40", "50 pc", "11", "0"],
            ],
        ),
        "formulas": (
            ("formula", "item", "basis", "status"),
            [["BALM", "ELBOW-BALM", "percent", "approved"], ["TIN", "ELBOW-TIN", "per_unit", "approved"]],
        ),
        "formula_lines": (
            ("formula", "item", "amount"),
            [
                ["BALM", "PLUM-OIL", "78"],
                ["BALM", "RICE-WAX", "qs"],
                ["TIN", "ELBOW-BALM", "40 g"],
                ["TIN", "TIN-40", "1 pc"],
            ],
        ),
        "steps": (
            ("formula", "position", "text", "temperature_c", "minutes"),
            [["BALM", "1", "Melt the wax in the oil on a water bath, lid off, never alone.", "78", "15"]],
        ),
        "checks": (("formula", "check", "stage", "expected"), [["BALM", "Look", "release", "yes"]]),
        "lots": (
            ("item", "lot", "quantity", "status", "expires_on", "place"),
            [["PLUM-OIL", "PK-1", "300 g", "released", f"{today.year + 1}-12", "shelf"]],
        ),
        "demands": (
            ("item", "quantity", "due_on", "customer", "reference"),
            [
                ["ELBOW-TIN", f"{FOR_THE_SHOP} pc", day, CUSTOMER, "HZ-7"],
                ["ELBOW-TIN", f"{FOR_THE_MARKET} pc", day, "", MARKET],
            ],
        ),
    }


def workbook(path: Path, given: Mapping[str, tuple[Sequence[str], list[list[str]]]]) -> Path:
    """The tables as one XLSX, a sheet each."""
    with xlsxwriter.Workbook(str(path), {"strings_to_numbers": False}) as book:
        for name, (head, rows) in given.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate([list(head), *rows]):
                sheet.write_row(at, 0, row)
    return path


def with_a_fault(given: Tables) -> Tables:
    """The same with one cell wrong: the lot on the shelf weighs less than nothing."""
    head, (row,) = given["lots"]
    wrong = ["-300 g" if name == "quantity" else cell for name, cell in zip(head, row, strict=True)]
    return given | {"lots": (head, [wrong])}


def stocked(today: date, batches: Sequence[str]) -> Tables:
    """The same with all that is needed on the shelf, nothing wanted, and batches of 1 kg of balm planned for today."""
    given = tables(today)
    del given["demands"]
    head, rows = given["lots"]
    bought = [
        ["PLUM-OIL", "PK-2", "9 kg", "released", f"{today.year + 2}-06", "shelf"],
        ["RICE-WAX", "RW-1", "5 kg", "released", f"{today.year + 2}-08", "shelf"],
        ["TIN-40", "TN-1", "90 pc", "released", "", "shelf"],
    ]
    planned = [[code, "BALM", "1 kg", today.isoformat()] for code in batches]
    return given | {"lots": (head, rows + bought), "batches": (("batch", "formula", "size", "planned_for"), planned)}
