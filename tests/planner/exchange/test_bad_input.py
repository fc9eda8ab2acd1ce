"""Bad tables get a clear error and change nothing: every column, every kind of file, every rule between rows."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from typing import Any

import pytest

from inventory.models import Lot
from planner.exchange import LoadRefused, load_tables, sentence_of, workbook
from planner.exchange.faults import MAX_FAULTS
from planner.exchange.tables import TABLES
from tests.planner.exchange.workshop import (
    Tables,
    as_csv,
    as_workbook,
    columns_of,
    csv_bytes,
    tables,
    write_folder,
)
from tests.whole_database import every_row

pytestmark = pytest.mark.django_db

LONG = "x" * 201
HUGE = "x" * 6_000

# One wrong value or more for every column of every table; "" where a required cell is blank.
WRONG: dict[str, dict[str, list[str]]] = {
    "settings": {
        "key": ["colour", ""],
        "value": ["", "euro"],
    },
    "items": {
        "item": ["", "a" * 65, "a\tb", "\u200b", "A\u00a0B", "=1+1"],
        "name": ["", LONG, "=1+1", " =A1", "@SUM(A1:A9)", "-2+3+cmd|' /C calc'!A0"],
        "kind": ["", "Raw", "oil"],
        "measure": ["volume"],
        "inci": [LONG],
        "cas": ["8001216", "abc"],
        "gtin": ["4006381333932", "12345", "400638133393A"],
        "density_g_per_ml": ["0", "-1", "0.9 g/mL", "1e2", "0.1234567", "nan"],
        "shelf_life_days": ["-1", "1.5", "forever", "36501"],
        "shelf_life_hours": ["0", "192"],
        "shelf_life_basis": ["guess"],
        "caps_life": ["maybe", "1"],
        "opened_life_days": ["-3"],
        "min_remaining_days": ["x"],
        "safety_stock": ["-1 g", "500", "3 pc", "0.0001 g"],
        "lead_time_days": ["-1"],
        "release_by": ["nobody"],
        "release_days": ["2 days"],
        "retest_days": ["-1"],
        "drawn": ["y"],
        "min_percent": ["-1", "101"],
        "max_percent": ["100.00001", "lots"],
        "storage": [LONG],
        "caution": [HUGE, "a\x07b"],
    },
    "parties": {
        "party": [""],
        "name": ["", LONG],
        "role": ["", "friend"],
        "email": ["not an address"],
        "phone": ["1" * 61],
        "address": [HUGE],
        "min_remaining_days": ["-1"],
    },
    "offers": {
        "supplier": ["", "NOBODY", "SHOP"],
        "item": ["", "NOTHING"],
        "pack": ["", "0 kg", "5", "-5 L", "24 pc", "1000001 kg", "5 gallon"],
        "price": ["-1", "cheap", "1.23456"],
        "lead_time_days": ["", "-1", "soon"],
        "min_packs": ["0", "1.5"],
        "supplier_code": ["x" * 65],
    },
    "lots": {
        "item": ["", "NOTHING"],
        "lot": ["x" * 65, "--"],
        "quantity": ["", "-400 g", "0 g", "400", "1.5 mg", "4 pc", "1 ton"],
        "status": ["", "ok", "Released"],
        "received_on": ["2026-02-30", "01.10.2026", "2026-10", "1899-12-31"],
        "available_on": ["tomorrow"],
        "expires_on": ["2026-09-30", "2027-13", "2027", "9999-12-31", "2027-06-31"],
        "retest_on": ["2027-06"],
        "opened_on": ["2026-09-30", "x"],
        "supplier": ["NOBODY", "SHOP"],
        "supplier_lot": ["x" * 65],
        "maker_lot": ["x" * 65],
        "unit_cost": ["-0.01", "1.2345678", "free"],
        "place": ["x" * 65],
        "container": ["x" * 65],
    },
    "formulas": {
        "formula": ["", "x" * 65],
        "version": ["0", "one", "1.5"],
        "item": ["", "NOTHING", "JAR"],
        "basis": ["", "parts"],
        "yield_percent": ["0", "100.1", "-5"],
        "loss": ["-1 g", "20", "20 mL"],
        "status": ["final"],
        "preferred": ["x"],
        "min_batch": ["-1 g", "5 pc"],
        "batch_multiple": ["0 g", "100 mL"],
        "max_batch": ["0 kg", "50 g", "5"],
    },
    "formula_lines": {
        "formula": ["", "F-NONE"],
        "version": ["0", "7"],
        "position": ["0", "x"],
        "phase": ["x" * 65],
        "item": ["", "NOTHING", "GLOVES", "JAR"],
        "amount": ["", "0", "-5", "101", "49.25001", "49.25 pc", "some", "q.s.", "5 mL"],
        "tolerance_percent": ["-1", "101"],
        "single_lot": ["x"],
    },
    "substitutes": {
        "formula": ["", "F-NONE"],
        "version": ["2"],
        "position": ["2", "9", "x"],
        "item": ["", "NOTHING", "BALM"],
        "substitute": ["", "NOTHING", "OIL", "JAR"],
        "ratio": ["", "0", "-1", "x"],
    },
    "steps": {
        "formula": ["", "F-NONE"],
        "version": ["2"],
        "position": ["", "0"],
        "phase": ["x" * 65],
        "text": ["", HUGE],
        "temperature_c": ["hot", "1.55", "-101"],
        "minutes": ["-1", "ten"],
        "hands_on": ["x"],
    },
    "checks": {
        "formula": ["", "F-NONE"],
        "version": ["2"],
        "check": ["", LONG],
        "stage": ["", "later"],
        "unit": ["x" * 41],
        "low": ["x", "6"],
        "high": ["x", "5.1"],
        "expected": [LONG],
    },
    "demands": {
        "item": ["", "NOTHING"],
        "quantity": ["", "0 pc", "1.5 pc", "20", "20 g", "-1 pc"],
        "due_on": ["", "2026-12-32", "soon"],
        "customer": ["NOBODY", "OILCO"],
        "reference": ["x" * 65],
        "priority": ["0", "first"],
    },
    "batches": {
        "batch": ["", "x" * 65],
        "formula": ["", "F-NONE"],
        "version": ["2", "x"],
        "size": ["", "0 g", "1 L", "10 pc", "1000"],
        "planned_for": ["", "2026-11-31"],
        "status": ["started", "done"],
        "priority": ["0"],
    },
    "reservations": {
        "batch": ["", "B-9"],
        "item": ["", "NOTHING", "JAR"],
        "lot": ["", "O-9"],
        "quantity": ["", "0 g", "-1 g", "5 kg", "492.5"],
        "place": ["cellar", ""],
        "container": ["bottle"],
    },
    "purchase_orders": {
        "order": [""],
        "supplier": ["", "NOBODY", "SHOP"],
        "item": ["", "NOTHING"],
        "quantity": ["", "0 pc", "48"],
        "due_on": ["", "x"],
        "expires_on": ["2026-11-30", "x"],
    },
}

CASES = [
    (table, column, value) for table, columns in WRONG.items() for column, values in columns.items() for value in values
]


def refusal(files: Any, *, check_only: bool = False) -> list[str]:
    """The sentences of a refused load, which changed nothing."""
    before = every_row()
    with pytest.raises(LoadRefused) as refused:
        load_tables(files, check_only=check_only)
    assert every_row() == before
    sentences = [sentence_of(fault) for fault in refused.value.faults]
    assert all("; accepted: " in sentence or ": accepted: " in sentence for sentence in sentences)
    return sentences


def test_every_column_has_a_wrong_value():
    without = [
        f"{name}.{column.name}"
        for name, spec in TABLES.items()
        for column in spec.columns
        if not WRONG.get(name, {}).get(column.name)
    ]
    assert without == []


def test_the_workshop_itself_is_without_fault():
    load_tables(as_csv(tables()), check_only=True)


@pytest.mark.parametrize(("table", "column", "value"), CASES)
def test_a_wrong_value_is_told_with_its_row_and_column(table, column, value):
    brought = tables()
    brought[table][0][column] = value
    sentences = refusal(as_csv(brought), check_only=True)
    told = TOLD_ELSEWHERE.get((table, column, value), f"{table}.csv row 2 column {column}")
    assert any(sentence.startswith(f"{told}: ") for sentence in sentences), sentences


# What is wrong is the fit of two cells or rows: it is told where it can be mended.
TOLD_ELSEWHERE = {
    ("settings", "key", "colour"): "settings.csv row 2 column key",
    ("checks", "high", "5.1"): "checks.csv row 2 column low",
    ("formulas", "item", "JAR"): "formulas.csv row 2 column basis",
    ("formulas", "max_batch", "50 g"): "formulas.csv row 2 column max_batch",
    ("substitutes", "position", "2"): "substitutes.csv row 2 column item",
    ("substitutes", "position", "9"): "substitutes.csv row 2 column item",
    ("reservations", "item", "JAR"): "reservations.csv row 2 column quantity",
    ("reservations", "container", "bottle"): "reservations.csv row 2 column place",
}


def changed(change: Callable[[Tables], object]) -> Tables:
    brought = tables()
    change(brought)
    return brought


def without_table(name: str) -> Tables:
    return {table: rows for table, rows in tables().items() if table != name}


RULES: list[tuple[str, Callable[[Tables], object], str]] = [
    ("both lives", lambda t: t["items"][3].update(shelf_life_days="3"), "items.csv row 5 column shelf_life_hours"),
    ("use limits turned", lambda t: t["items"][1].update(min_percent="61"), "items.csv row 3 column min_percent"),
    ("item twice", lambda t: t["items"].append(t["items"][1]), "row 3 has the same"),
    ("party twice", lambda t: t["parties"].append(t["parties"][0]), "parties.csv row 4 column party"),
    ("offer twice, other unit", lambda t: t["offers"].append({**t["offers"][0], "pack": "4.6 kg"}),
     "offers.csv row 4 column supplier"),
    ("lot portion twice", lambda t: t["lots"].append(t["lots"][2]), "lots.csv row 7 column item"),
    ("blank lot twice", lambda t: t["lots"].append(t["lots"][4]), "lots.csv row 7 column item"),
    ("portions that disagree", lambda t: t["lots"][1].update(status="held"),
     'lots.csv row 3 column status: "held"; accepted: "released", as row 2 of the same lot has'),
    ("version twice", lambda t: t["formulas"].append(t["formulas"][0]), "formulas.csv row 5 column formula"),
    ("position twice", lambda t: t["formula_lines"][0].update(position="2"), "formula_lines.csv row 3"),
    ("demand twice", lambda t: t["demands"].append(t["demands"][1]), "demands.csv row 4 column item"),
    ("batch twice", lambda t: t["batches"].append(t["batches"][1]), "batches.csv row 4 column batch"),
    ("order line twice", lambda t: t["purchase_orders"].append(t["purchase_orders"][0]), "purchase_orders.csv row 3"),
    ("setting twice", lambda t: t["settings"].append(t["settings"][0]), "settings.csv row 4 column key"),
    ("reservation twice", lambda t: t["reservations"].append(t["reservations"][0]), "reservations.csv row 4"),
    ("99.9 %", lambda t: (t["formula_lines"][2].update(amount="30.65")), "sum to 99.9 %, not to 100"),
    ("over 100 with qs", lambda t: (t["formula_lines"][1].update(amount="60")), "nothing is left for the qs line"),
    ("two qs", lambda t: t["formula_lines"][1].update(amount="qs"), "two lines are qs"),
    ("grams and percent", lambda t: t["formula_lines"][6].update(amount="30"), "formula_lines.csv row 7 column amount"),
    ("no lines", lambda t: t["formulas"].append({"formula": "F-X", "item": "ROSE", "basis": "percent",
                                                 "status": "approved"}), "a formula with lines"),
    ("loss on per_unit", lambda t: t["formulas"][1].update(loss="5 g"), "formulas.csv row 3 column loss"),
    ("two approved versions", lambda t: (
        t["formulas"].append({**t["formulas"][1], "version": "2"}),
        t["formula_lines"].append({"formula": "F-JAR", "version": "2", "item": "BALM", "amount": "50 g"}),
    ), "formulas.csv row 5 column status"),
    ("one formula, two outputs", lambda t: t["formulas"].append({**t["formulas"][2], "version": "2", "item": "BALM"}),
     'formulas.csv row 5 column item: "BALM"; accepted: ROSE'),
    ("a loop", lambda t: (
        t["formulas"][2].update(status="approved"),
        t["formula_lines"][6].update(item="BALM"),
        t["formula_lines"][1].update(item="ROSE"),
    ), '"BALM -> ROSE -> BALM"'),
    ("itself", lambda t: t["formula_lines"][1].update(item="BALM"), '"BALM -> BALM"'),
    ("substitute of an absent line", lambda t: t["substitutes"][0].update(item="JAR", substitute="OIL"),
     "substitutes.csv row 2"),
    ("batch of nothing", lambda t: t["batches"][1].update(formula="F-NONE"), "batches.csv row 3 column formula"),
    ("promised twice", lambda t: t["reservations"].append(
        {"batch": "B-2", "item": "OIL", "lot": "O-1", "quantity": "3900 g", "place": "shelf"}),
     'reservations.csv row 4 column quantity: "3900 g"; accepted: at most "3507.5 g"'),
    ("reserved too much", lambda t: t["reservations"][1].update(quantity="201 g"), "of WAX, which its lines need"),
    ("not of the formula", lambda t: t["reservations"].append(
        {"batch": "B-2", "item": "WAX", "lot": "W-1", "quantity": "1 g"}), "an item of formula F-JAR version 1"),
    ("order of two suppliers", lambda t: (
        t["parties"].append({"party": "P2", "name": "Two", "role": "both"}),
        t["purchase_orders"].append({**t["purchase_orders"][0], "supplier": "P2", "due_on": "2026-12-02"}),
    ), "purchase_orders.csv row 3 column supplier"),
    ("unknown column", lambda t: t["items"][0].update(colour="red"), "items.csv row 1 column colour"),
    ("missing column", lambda t: [row.pop("status") for row in t["lots"]], "lots.csv row 1 column status"),
    ("decimal signs mixed", lambda t: t["lots"][0].update(quantity="1,250 g"),
     '"1.250 g" or "1250 g", whichever is meant'),
    ("two decimal signs", lambda t: t["lots"][0].update(quantity="1,250.5 g"), "at most one decimal sign"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "told"), [rule[1:] for rule in RULES], ids=[rule[0] for rule in RULES])
@pytest.mark.parametrize("form", [as_csv, as_workbook], ids=["csv", "xlsx"])
def test_rows_that_do_not_fit_together_are_refused(change, told, form):
    sentences = refusal(form(changed(change)))
    if form is as_workbook:
        told = told.replace(".csv", "")
    assert any(told in sentence for sentence in sentences), sentences


def test_a_comma_that_may_be_a_thousands_separator_is_not_guessed():
    brought = {"items": [{"item": "A", "name": "a", "kind": "raw"}],
               "lots": [{"item": "A", "lot": "1", "quantity": "1,250 g", "status": "released"}]}  # fmt: skip
    (sentence,) = refusal(as_csv(brought))
    assert '"1.250 g" or "1250 g"' in sentence
    brought["lots"].append({"item": "A", "lot": "2", "quantity": "2,5 kg", "status": "released"})
    load_tables(as_csv(brought))
    assert Lot.objects.get(number="1").portions.get().on_hand == 1_250


def test_all_faults_are_told_at_once_up_to_a_cap():
    brought = tables()
    brought["lots"] = [
        {"item": "WAX", "lot": str(number), "quantity": "-1 g", "status": "released"} for number in range(300)
    ]
    brought["reservations"] = []
    brought["batches"].pop(0)
    with pytest.raises(LoadRefused) as refused:
        load_tables(as_csv(brought))
    assert len(refused.value.faults) == MAX_FAULTS
    assert refused.value.left_out == 300 - MAX_FAULTS
    brought = tables()
    brought["items"][1]["kind"] = "oil"
    brought["demands"][0]["due_on"] = "soon"
    brought["lots"][0]["quantity"] = "-400 g"
    assert len(refusal(as_csv(brought))) == 3


# --- the files themselves ----------------------------------------------------------------------------------


def items_only() -> dict[str, bytes]:
    return {"items.csv": csv_bytes([{"item": "A", "name": "a", "kind": "raw"}])}


FILES: list[tuple[str, dict[str, bytes], str]] = [
    ("no items", {"lots.csv": b"item,lot\n"}, "a table items: it is required"),
    ("nothing", {}, "a table items: it is required"),
    ("stray file", {**items_only(), "notes.csv": b"a,b\n"}, "notes.csv: accepted: only settings.csv, items.csv"),
    ("other ending", {**items_only(), "lots.txt": b""}, "lots.txt: accepted: only"),
    ("empty file", {**items_only(), "lots.csv": b""}, "lots.csv row 1: accepted: the column names in row 1"),
    ("column twice", {"items.csv": b"item,name,kind,name\nA,a,raw,b\n"}, "items.csv row 1 column name"),
    ("column without name", {"items.csv": b"item,name,,kind\nA,a,x,raw\n"}, "a name above every column"),
    ("too many cells", {"items.csv": b"item,name,kind\nA,a,raw,more\n"}, 'items.csv row 2: "4 cells"'),
    ("latin-1", {"items.csv": "item,name,kind\nA,a,raw\nB,Öl,raw\n".encode("latin-1")},
     'items.csv row 3: "byte 0xd6"; accepted: text in UTF-8'),
    ("utf-16", {"items.csv": "item,name,kind\n".encode("utf-16")}, 'items.csv: "UTF-16"; accepted: text in UTF-8'),
    ("NUL", {"items.csv": b"item,name,kind\nA,a\0,raw\n"}, 'items.csv row 2: "a NUL byte"'),
    ("open quote", {"items.csv": b'item,name,kind\nA,"a,raw\nB,b,raw\n'}, "with quotes closed"),
    ("endless cell", {"items.csv": b"item,name,kind\nA," + b"x" * 20_000 + b",raw\n"}, "at most 10000 characters"),
    ("no workbook", {"w.xlsx": b"PK\x03\x04 nonsense"}, "w.xlsx: \"not readable\"; accepted: a workbook"),
    ("other zip", {"w.xlsx": b""}, "not readable"),
]  # fmt: skip


@pytest.mark.parametrize(("files", "told"), [case[1:] for case in FILES], ids=[case[0] for case in FILES])
def test_a_file_that_cannot_be_read_is_refused(files, told):
    sentences = refusal(files)
    assert any(told in sentence for sentence in sentences), sentences


def test_a_file_too_large_is_refused(monkeypatch, tmp_path):
    monkeypatch.setattr("planner.exchange.reading.MAX_FILE_BYTES", 1024**2)
    big = {"items.csv": b"item,name,kind\n" + b"A,a,raw\n" * 140_000}
    assert "at most 1 MiB" in refusal(big)[0]
    assert "at most 1 MiB" in refusal(write_folder(tmp_path, big))[0]


def test_too_many_rows_are_refused(monkeypatch):
    monkeypatch.setattr("planner.exchange.reading.MAX_ROWS", 100)
    assert "at most 100 rows" in refusal({"items.csv": b"item,name,kind\n" + b"A,a,raw\n" * 200})[0]


def test_paths_that_are_neither_form_are_refused(tmp_path):
    lonely = tmp_path / "items.csv"
    lonely.write_bytes(items_only()["items.csv"])
    assert "a folder of CSV files or one .xlsx workbook" in refusal(lonely)[0]
    assert "not found" in refusal(tmp_path / "nowhere")[0]
    assert "that exists and may be read" in refusal(tmp_path / ("x" * 5_000))[0]
    folder = write_folder(tmp_path / "in", {**items_only(), ".DS_Store": b"x", ".~lock.items.csv#": b""})
    load_tables(folder, check_only=True)
    (folder / "old").mkdir()
    assert "no folders within the folder" in refusal(folder)[0]


def test_an_unknown_sheet_is_refused():
    assert any("notes: accepted: only the sheets" in line for line in refusal(as_workbook({**tables(), "notes": []})))


# --- workbooks made to harm --------------------------------------------------------------------------------


def changed_workbook(change: Callable[[dict[str, bytes]], object], **options: Any) -> dict[str, bytes]:
    content = as_workbook({"items": [{"item": "A", "name": "a", "kind": "raw"}]})["workshop.xlsx"]
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    change(parts)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as book:
        for name, part in parts.items():
            book.writestr(name, part)
    return {"w.xlsx": packed.getvalue()}


SHEET = "xl/worksheets/sheet1.xml"
TEXTS = "xl/sharedStrings.xml"


def test_a_workbook_that_unpacks_to_gigabytes_is_refused_by_its_directory(monkeypatch):
    bomb = changed_workbook(lambda parts: parts.update({"xl/media.xml": b" " * (300 * 1024**2)}))
    assert len(bomb["w.xlsx"]) < 1024**2
    opened = []
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *a, **k: opened.append(a))
    assert "unpacks to at most 256 MiB" in refusal(bomb)[0]
    assert opened == []


def test_a_directory_that_lies_about_sizes_reaches_no_reader(monkeypatch):
    monkeypatch.setattr(workbook, "MAX_UNPACKED_BYTES", 1024**2)
    bomb = changed_workbook(lambda parts: parts.update({"xl/media.xml": b" " * (4 * 1024**2)}))
    true_size, small = (4 * 1024**2).to_bytes(4, "little"), (100).to_bytes(4, "little")
    content = bomb["w.xlsx"].replace(true_size, small)
    assert content != bomb["w.xlsx"]
    assert "not readable" in refusal({"w.xlsx": content})[0]


def test_a_cell_far_out_does_not_make_a_huge_sheet():
    far = changed_workbook(
        lambda parts: parts.update(
            {
                SHEET: parts[SHEET].replace(
                    b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
                )
            }
        )
    )
    assert "spans 1048576 rows and 16384 columns" in refusal(far)[0]


def test_a_shared_text_named_by_many_cells_is_bounded(monkeypatch):
    monkeypatch.setattr(workbook, "MAX_SHARED_CHARACTERS", 100_000)
    cells = b"".join(b'<c r="A%d" t="s"><v>0</v></c>' % row for row in range(9, 200))

    def grow(parts: dict[str, bytes]) -> None:
        parts[TEXTS] = parts[TEXTS].replace(b"<t>item</t>", b"<t>" + b"x" * 5_000 + b"</t>")
        parts[SHEET] = parts[SHEET].replace(b"</sheetData>", b'<row r="9">' + cells + b"</row></sheetData>")

    assert "too much text" in refusal(changed_workbook(grow))[0]


def test_a_document_type_is_refused():
    entity = b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x "y">]>'
    assert "without a document type" in refusal(changed_workbook(lambda parts: parts.update({SHEET: entity})))[0]


def test_broken_xml_is_refused():
    assert "not readable" in refusal(changed_workbook(lambda parts: parts.update({"xl/workbook.xml": b"<a"})))[0]


@pytest.mark.parametrize(
    "cell",
    [b'<c r="C2" t="e"><v>#DIV/0!</v></c>', b'<c r="C2"><f>1+1</f></c>', b'<c r="C2" t="str"><f>A1</f><v></v></c>'],
)
def test_a_cell_with_an_error_or_without_a_result_is_told(cell):
    import re

    def put(parts: dict[str, bytes]) -> None:
        parts[SHEET] = re.sub(rb'<c r="C2".*?</c>', cell, parts[SHEET])

    sentences = refusal(changed_workbook(put))
    assert any('items row 2: "cell C2"; accepted: a value' in sentence for sentence in sentences), sentences


# --- against the database ----------------------------------------------------------------------------------


BOOKS: list[tuple[str, Callable[[Tables], object], str]] = [
    ("other quantity", lambda t: t["lots"][2].update(quantity="3 kg"),
     'lots.csv row 4 column quantity: "3 kg"; accepted: "2500 g", which the books have; count the lot instead'),
    ("other status", lambda t: t["lots"][3].update(status="released"), "decide on the lot instead"),
    ("other expiry", lambda t: [row.update(expires_on="2027-07") for row in t["lots"][:2]], "row 2 column expires_on"),
    ("other place", lambda t: t["lots"][2].update(place="cellar"), "move the lot instead"),
    ("approved line", lambda t: t["formula_lines"][3].update(amount="50 g"),
     "this version is approved; bring the change as a new version"),
    ("approved head", lambda t: t["formulas"][0].update(yield_percent="95"), "formulas.csv row 2 column version"),
    ("approved step", lambda t: t["steps"][0].update(minutes="11"), "steps.csv row 2 column version"),
    ("approved check", lambda t: t["checks"][0].update(high="6"), "checks.csv row 2 column version"),
    ("approved substitute", lambda t: t["substitutes"][0].update(ratio="1"), "substitutes.csv row 2 column version"),
    ("unapproved", lambda t: t["formulas"][1].update(status="draft"), "formulas.csv row 3 column status"),
    ("other size", lambda t: t["batches"][1].update(size="12 pc"),
     'batches.csv row 3 column size: "12 pc"; accepted: "10 pc", which batch B-2 has on the books'),
    ("other day", lambda t: t["batches"][0].update(planned_for="2026-12-04"), "change it in its place"),
    ("other reservation", lambda t: t["reservations"][1].update(quantity="199 g"), "reserve it in its place"),
    ("other measure", lambda t: t["items"][2].update(measure="count"), "items.csv row 4 column measure"),
    ("other kind", lambda t: t["items"][2].update(kind="packaging"), "items.csv row 4 column kind"),
    ("other supplier of an order", lambda t: (
        t["parties"].append({"party": "P2", "name": "Two", "role": "both"}),
        t["purchase_orders"][0].update(supplier="P2"),
    ), "purchase_orders.csv row 2 column supplier"),
    ("other output", lambda t: t["formulas"][2].update(item="BALM"), 'accepted: ROSE, which formula F-ROSE makes'),
]  # fmt: skip


@pytest.mark.parametrize(("change", "told"), [case[1:] for case in BOOKS], ids=[case[0] for case in BOOKS])
def test_what_the_books_hold_is_not_changed_by_a_load(change, told):
    load_tables(as_csv(tables()))
    sentences = refusal(as_csv(changed(change)))
    assert any(told in sentence for sentence in sentences), sentences


def test_a_blank_lot_that_was_used_since_is_counted_instead():
    load_tables(as_csv(tables()))
    jar = Lot.objects.get(item__code="JAR")
    jar.portions.update(on_hand=90)
    sentences = refusal(as_csv(tables()))
    assert any(f"its lot is on the books as {jar.number}" in sentence for sentence in sentences)


def test_a_demand_that_was_partly_sent_is_not_wanted_anew():
    load_tables(as_csv(tables()))
    from inventory.models import Demand

    Demand.objects.filter(reference="A-7").update(dispatched=5)
    assert any('accepted: "15 pc", which is still open' in sentence for sentence in refusal(as_csv(tables())))
    assert columns_of(tables()["demands"])
