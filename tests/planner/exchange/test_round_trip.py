"""What is brought is there, once; and what is written out comes back the same."""

from __future__ import annotations

import io
import json
from contextlib import closing

import orjson
import pytest
from django.core.management import call_command
from django.db import connection, transaction

from inventory.models import Item, Lot, Offer, Portion, Reservation, Setting, StockEvent
from planner.exchange import export_tables, load_tables
from planner.exchange.exporting import csv_files, exported_tables, workbook_bytes
from production.models import Batch, FormulaVersion, Line
from tests.planner.exchange.workshop import as_csv, as_workbook, csv_bytes, plan_bytes, tables, write_folder
from tests.whole_database import every_row

pytestmark = pytest.mark.django_db


class Undone(Exception):
    pass


def in_an_empty_workshop(act):
    """Run ``act`` and undo what it wrote: the next one starts from nothing again."""
    answer = None
    try:
        with transaction.atomic():
            answer = act()
            raise Undone
    except Undone:
        return answer


def load_and_export(files):
    load_tables(files)
    return csv_files(exported_tables())


def test_what_is_loaded_is_there():
    report = load_tables(as_csv(tables()))
    assert report.added["lots"] == 5
    assert report.updated == report.unchanged == {}
    oil = Lot.objects.get(item__code="OIL", number="O-1")
    assert str(oil.expires_on) == "2027-06-30"
    assert oil.unit_cost_e6 == 7_250_000
    assert (oil.origin, oil.released_by) == ("opening", "by_decision")
    portions = {row.place: row for row in oil.portions.all()}
    assert portions["shelf"].on_hand == 4_000_000
    assert portions["shelf"].reserved == 492_500
    assert portions["bench"].on_hand == 460_000  # 500 mL at 0.92 g/mL
    offer = Offer.objects.get(item__code="OIL")
    assert (offer.pack, offer.pack_written, offer.price_e4) == (4_600_000, "5 L", 315_000)
    assert Item.objects.get(code="WAX").caps_life
    assert not Item.objects.get(code="BALM").caps_life
    assert Line.objects.get(version__formula__code="F-JAR", item__code="BALM").single_lot
    assert FormulaVersion.objects.get(formula__code="F-BALM").status == "approved"
    assert Batch.objects.get(transformation__code="B-1").status == "reserved"
    assert Reservation.objects.count() == 2
    assert StockEvent.objects.filter(kind="opening").count() == 5


def test_a_blank_lot_number_is_given_and_known_again():
    load_tables(as_csv(tables()))
    jar = Lot.objects.get(item__code="JAR")
    assert jar.number
    assert jar.note == "opening stock, origin unknown"


def test_a_formula_in_grams_becomes_percent_and_the_report_says_so():
    report = load_tables(as_csv(tables()))
    lines = Line.objects.filter(version__formula__code="F-ROSE")
    assert sorted(lines.values_list("percent", flat=True)) == [333_333, 666_667]
    assert any("F-ROSE" in line and "66.6667" in line for line in report.report)


def test_loading_twice_adds_nothing():
    load_tables(as_csv(tables()))
    before = every_row()
    report = load_tables(as_csv(tables()))
    assert report.added == report.updated == {}
    assert every_row() == before


def test_checking_writes_nothing():
    before = every_row()
    assert load_tables(as_csv(tables()), check_only=True).added["items"] == 8
    assert every_row() == before


def test_csv_and_workbook_give_the_same():
    from_csv = in_an_empty_workshop(lambda: load_and_export(as_csv(tables())))
    from_workbook = in_an_empty_workshop(lambda: load_and_export(as_workbook(tables())))
    assert from_csv == from_workbook


def test_semicolons_with_decimal_commas_give_the_same_as_commas_with_points():
    brought = tables()
    for rows in brought.values():
        for row in rows:
            for column in ("quantity", "amount", "price", "density_g_per_ml", "size", "loss", "yield_percent", "low",
                           "high", "ratio", "unit_cost", "min_percent", "max_percent", "safety_stock"):  # fmt: skip
                if column in row:
                    row[column] = row[column].replace(".", ",")
    with_commas = in_an_empty_workshop(lambda: load_and_export(as_csv(brought, separator=";")))
    with_points = in_an_empty_workshop(lambda: load_and_export(as_csv(tables())))
    assert with_commas == with_points


def test_a_byte_order_mark_and_windows_line_ends_change_nothing():
    files = {name: b"\xef\xbb\xbf" + content.replace(b"\n", b"\r\n") for name, content in as_csv(tables()).items()}
    plain = in_an_empty_workshop(lambda: load_and_export(as_csv(tables())))
    marked = in_an_empty_workshop(lambda: load_and_export(files))
    del plain["items.csv"], marked["items.csv"]  # a caution of two lines has the file's own line ends
    assert marked == plain


@pytest.mark.parametrize("form", ["folder", "workbook.xlsx"])
def test_an_export_loads_to_the_same_export_and_the_same_plan(tmp_path, form):
    first, second = tmp_path / f"first-{form}", tmp_path / f"second-{form}"

    def original():
        load_tables(as_csv(tables()))
        export_tables(first)
        return csv_files(exported_tables()), plan_bytes()

    def again():
        load_tables(first)
        export_tables(second)
        return csv_files(exported_tables()), plan_bytes()

    assert in_an_empty_workshop(original) == in_an_empty_workshop(again)
    if first.is_dir():
        assert {one.name: one.read_bytes() for one in first.iterdir()} == {
            one.name: one.read_bytes() for one in second.iterdir()
        }
    else:
        assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    "name", ["=1+2", "+49", "-x", "@now", "\tx", "'=x", "''", "'", 'a;b,c"d', " edge ", "ü—'", "0012", "TRUE", "1,5"]
)
def test_text_comes_back_as_it_was_and_never_runs(name):
    Item.objects.create(code="A", name=name, kind="raw", caps_life=True, caution=name)
    for form in (csv_files, lambda exported: {"w.xlsx": workbook_bytes(exported)}):
        exported = exported_tables()
        assert not any(line.startswith(("=", "+", "-", "@")) for line in _names_in(csv_files(exported)["items.csv"]))
        load_tables(form(exported))
        item = Item.objects.get(code="A")
        assert (item.name, item.caution) == (name, name)


def _names_in(content: bytes) -> list[str]:
    import csv

    return [cell for row in csv.reader(io.StringIO(content.decode(), newline="")) for cell in row]


def test_numbers_typed_in_a_workbook_are_exact():
    import xlsxwriter

    content = io.BytesIO()
    with closing(xlsxwriter.Workbook(content)) as book:
        sheet = book.add_worksheet("items")
        sheet.write_row(0, 0, ["item", "name", "kind", "density_g_per_ml", "drawn", "shelf_life_days"])
        sheet.write_row(1, 0, ["A", "Alpha", "raw", 0.1, True, 30])
        sheet.write_row(2, 0, [1201, "Beta", "raw", 0.1 + 0.2, False, 7.0])
        lots = book.add_worksheet("lots")
        lots.write_row(0, 0, ["item", "lot", "quantity", "status", "expires_on"])
        lots.write_row(1, 0, ["A", 20260101, "1 kg", "released"])
        import datetime

        lots.write_datetime(1, 4, datetime.datetime(2027, 3, 31), book.add_format({"num_format": "dd.mm.yyyy"}))  # noqa: DTZ001
    load_tables({"w.xlsx": content.getvalue()})
    alpha, beta = Item.objects.get(code="A"), Item.objects.get(code="1201")
    assert str(alpha.density_g_per_ml) == "0.100000"
    assert str(beta.density_g_per_ml) == "0.300000"
    assert alpha.drawn
    assert beta.shelf_life_days == 7
    lot = Lot.objects.get()
    assert (lot.number, str(lot.expires_on)) == ("20260101", "2027-03-31")


def test_a_cell_shown_as_a_percentage_is_read_as_it_is_shown():
    """A spreadsheet holds "0.8%" as 0.008, and only the cell's number format tells (ECMA-376 part 1, 18.8.30)."""
    import xlsxwriter

    content = io.BytesIO()
    with closing(xlsxwriter.Workbook(content)) as book:
        percent, fine, quoted = (book.add_format({"num_format": each}) for each in ("0%", "0.0000%", '0.0" %"'))
        items = book.add_worksheet("items")
        items.write_row(0, 0, ["item", "name", "kind", "max_percent", "release_by"])
        items.write_row(1, 0, ["OIL", "Oil", "raw"])
        items.write_row(2, 0, ["PRES", "Preservative", "raw"])
        items.write_number(2, 3, 0.01, percent)
        items.write_row(3, 0, ["LOTION", "Lotion", "product", "", "by_checks"])
        formulas = book.add_worksheet("formulas")
        formulas.write_row(0, 0, ["formula", "item", "basis", "yield_percent", "status"])
        formulas.write_row(1, 0, ["LOTION", "LOTION", "percent"])
        formulas.write_number(1, 3, 0.97, percent)
        formulas.write_string(1, 4, "approved")
        lines = book.add_worksheet("formula_lines")
        lines.write_row(0, 0, ["formula", "position", "item", "amount"])
        lines.write_row(1, 0, ["LOTION", 1, "OIL"])
        lines.write_number(1, 3, 99.2, quoted)
        lines.write_row(2, 0, ["LOTION", 2, "PRES"])
        lines.write_number(2, 3, 0.008, fine)
    load_tables({"w.xlsx": content.getvalue()})
    version = FormulaVersion.objects.get()
    assert version.yield_percent == 970_000
    assert list(version.lines.order_by("position").values_list("percent", flat=True)) == [992_000, 8_000]
    assert Item.objects.get(code="PRES").max_percent == 10_000
    assert Item.objects.get(code="LOTION").release_by == "checks"


def test_master_data_is_updated_and_absent_columns_are_kept():
    load_tables(as_csv(tables()))
    items = csv_bytes([{"item": "OIL", "name": "Sunflower oil, refined", "kind": "raw", "cas": ""}])
    parties = csv_bytes([{"party": "SHOP", "name": "Corner shop", "role": "both", "min_remaining_days": "30"}])
    report = load_tables({"items.csv": items, "parties.csv": parties})
    assert report.updated == {"items": 1, "parties": 1}
    oil = Item.objects.get(code="OIL")
    assert (oil.name, oil.cas, str(oil.density_g_per_ml)) == ("Sunflower oil, refined", "", "0.920000")


def test_open_promises_are_updated():
    load_tables(as_csv(tables()))
    brought = tables()
    brought["demands"][0]["quantity"] = "25 pc"
    brought["purchase_orders"][0]["quantity"] = "72 pc"
    brought["settings"][1]["value"] = "mon tue"
    report = load_tables(as_csv(brought))
    assert report.updated == {"settings": 1, "demands": 1, "purchase_orders": 1}
    assert Setting.objects.get(key="open_days").value == "mon tue"


def test_a_new_version_takes_over_and_a_draft_is_rewritten():
    load_tables(as_csv(tables()))
    brought = tables()
    brought["formulas"] = [
        {"formula": "F-JAR", "version": "2", "item": "JARBALM", "basis": "per_unit", "status": "approved"},
        {"formula": "F-ROSE", "version": "1", "item": "ROSE", "basis": "percent", "yield_percent": "80"},
    ]
    brought["formula_lines"] = [
        {"formula": "F-JAR", "version": "2", "item": "BALM", "amount": "48 g"},
        {"formula": "F-JAR", "version": "2", "item": "JAR", "amount": "1 pc"},
        {"formula": "F-ROSE", "version": "1", "item": "WATER", "amount": "100"},
    ]
    for name in ("substitutes", "steps", "checks", "lots", "batches", "reservations"):
        brought[name] = []
    load_tables(as_csv(brought))
    states = FormulaVersion.objects.filter(formula__code="F-JAR").order_by("version").values_list("status", flat=True)
    assert list(states) == ["retired", "approved"]
    rose = FormulaVersion.objects.get(formula__code="F-ROSE")
    assert rose.yield_percent == 800_000
    assert [line.item.code for line in rose.lines.all()] == ["WATER"]


def test_a_batch_reserved_in_part_stays_reserved_and_the_report_says_what_is_open(tmp_path):
    """Stock that was counted away leaves such batches: the plan still serves them first."""

    def original():
        rows = tables()
        rows["reservations"] = rows["reservations"][:1]
        report = load_tables(as_csv(rows)).report
        assert "batch B-1: reserved, but 200 g of WAX is not set aside for it" in report
        assert export_tables(tmp_path / "out").left_out == []
        return csv_files(exported_tables()), plan_bytes()

    def again():
        load_tables(tmp_path / "out")
        return csv_files(exported_tables()), plan_bytes()

    assert in_an_empty_workshop(original) == in_an_empty_workshop(again)


def test_a_substitute_that_is_set_aside_stays_so_and_the_plan_knows_it(tmp_path):
    def original():
        rows = tables()
        rows["items"].append({"item": "SOFTWAX", "name": "Soft wax", "kind": "raw"})
        rows["lots"].append({"item": "SOFTWAX", "lot": "X-1", "quantity": "1 kg", "status": "released"})
        rows["substitutes"] = [
            {"formula": "F-BALM", "position": "2", "item": "WAX", "substitute": "SOFTWAX", "ratio": "1.25"}
        ]
        rows["reservations"][1] = {"batch": "B-1", "item": "SOFTWAX", "lot": "X-1", "quantity": "250 g"}
        assert not any("not set aside" in line for line in load_tables(as_csv(rows)).report)
        assert export_tables(tmp_path / "out").left_out == []
        (line,) = [line for line in json.loads(plan_bytes())["batches"][0]["lines"] if line["item"] == "WAX"]
        assert (line["required"], line["short"]) == ("0 g", "0 g")
        return csv_files(exported_tables()), plan_bytes()

    def again():
        load_tables(tmp_path / "out")
        return csv_files(exported_tables()), plan_bytes()

    assert in_an_empty_workshop(original) == in_an_empty_workshop(again)


def test_what_the_tables_cannot_say_is_listed(tmp_path):
    load_tables(as_csv(tables()))
    Portion.objects.create(lot=Lot.objects.get(number="W-1"), set_apart=True, on_hand=5_000)
    Batch.objects.filter(transformation__code="B-2").update(status="started")
    report = export_tables(tmp_path / "out")
    assert report.left_out == ["batch B-2: started", "lot W-1 of WAX: 5 g, set apart"]
    assert report.written["batches"] == 1


@pytest.mark.parametrize("name", ["x" * 5_000, "x" * 5_000 + ".xlsx", "nowhere/out", "nowhere/out.xlsx"])
def test_a_place_that_cannot_be_written_is_told(tmp_path, name):
    from inventory.errors import BadInput

    with pytest.raises(BadInput) as refused:
        export_tables(tmp_path / name)
    assert refused.value.faults[0].accepted == "a folder or file that may be written"


def test_nothing_is_overwritten(tmp_path):
    from inventory.errors import Conflict

    (tmp_path / "notes.txt").write_text("mine")
    book = tmp_path / "a.xlsx"
    book.write_bytes(b"mine")
    for path in (tmp_path, book):
        with pytest.raises(Conflict, match="nothing is overwritten"):
            export_tables(path)
    assert book.read_bytes() == b"mine"


def run(*arguments: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command(*arguments, stdout=out, stderr=err)
    except SystemExit as end:
        return int(end.code or 0), out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_the_commands_answer_one_object(tmp_path):
    folder = write_folder(tmp_path / "in", as_csv(tables()))
    code, out, err = run("load", str(folder), "--json")
    assert (code, err) == (0, "")
    document = orjson.loads(out)
    assert document["ok"] is True
    assert document["added"]["items"] == 8
    code, out, err = run("export", str(tmp_path / "out"), "--json")
    assert (code, orjson.loads(out)["written"]["items"]) == (0, 8)
    (folder / "lots.csv").write_text("item,quantity,status\nOIL,-400 g,released\n")
    code, out, err = run("load", str(folder), "--json")
    assert code == 1
    assert orjson.loads(out)["faults"] == [
        {
            "file": "lots.csv",
            "row": 2,
            "column": "quantity",
            "value": "-400 g",
            "accepted": 'a quantity above 0 such as "2.5 kg" or "500 mL"',
        }
    ]
    code, out, err = run("load", str(folder), "--check")
    assert (code, out) == (1, "")
    assert 'lots.csv row 2 column quantity: "-400 g"; accepted: a quantity above 0' in err


def test_a_load_takes_a_number_of_statements_that_hardly_grows(django_assert_max_num_queries):
    assert connection.vendor
    with django_assert_max_num_queries(160):
        load_tables(as_csv(tables()))
