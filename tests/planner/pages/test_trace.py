"""The trace's pages: found by any number, shown as tables and a picture, written to a file, held after a look."""

from __future__ import annotations

import csv
import io
from urllib.parse import urlencode

import python_calamine
from django.test import Client
from django.urls import reverse

from inventory.models import DispatchLine, Lot, LotDecision
from inventory.numbers import fold
from inventory.tracing import lots_reached
from planner.trace_sheet import COLUMNS
from tests.planner.pages.house import read

Shop = dict[str, Client]


def an_origin() -> Lot:
    """A raw lot of which something left the workshop."""
    sold = set(DispatchLine.objects.filter(corrected=False).values_list("lot", flat=True))
    raws = Lot.objects.select_related("item").filter(item__kind="raw").exclude(origin="drawn").order_by("pk")
    return next(lot for lot in raws if lots_reached([lot.pk], forward=True) & sold)


def named(lot: Lot, **more: str) -> str:
    return "?" + urlencode({"lot": lot.number, "item": lot.item.code} | more)


def test_a_lot_is_found_by_any_number_however_it_is_written(workshop: Shop) -> None:
    lot = next(one for one in Lot.objects.exclude(supplier_lot="") if any(map(str.isalpha, one.supplier_lot)))
    typed = f" {lot.supplier_lot.lower().replace('-', ' ')} "
    answer = workshop["viewer"].get(reverse("trace"), {"lot": typed})
    assert answer.status_code == 200
    assert lot.number in read(answer).words


def test_the_page_tells_who_received_it_and_where_the_rest_is(workshop: Shop) -> None:
    origin = an_origin()
    page = read(workshop["viewer"].get(reverse("trace") + named(origin)))
    reached = lots_reached([origin.pk], forward=True)
    lines = DispatchLine.objects.select_related("lot", "dispatch__customer").filter(lot__in=reached, corrected=False)
    for line in lines:
        assert line.lot.number in page.words
        if line.dispatch.customer:
            assert line.dispatch.customer.name in page.words
    assert str(len(reached) - 1) in page.words
    assert page.tags["img"][0]["alt"].startswith("From left to right")


def test_an_unknown_number_is_told_and_an_empty_page_says_what_to_do(workshop: Shop) -> None:
    assert "no lot bears the number" in read(workshop["viewer"].get(reverse("trace"), {"lot": "NOWHERE"})).words.lower()
    assert "Type or scan the number" in read(workshop["viewer"].get(reverse("trace"))).words


def test_a_number_that_several_lots_bear_is_asked_about(workshop: Shop) -> None:
    one, other = Lot.objects.filter(origin="received").order_by("pk")[:2]
    Lot.objects.filter(pk__in=[one.pk, other.pk]).update(supplier_lot="TWICE-1", supplier_lot_folded=fold("TWICE-1"))
    page = read(workshop["viewer"].get(reverse("trace"), {"lot": "twice 1"}))
    links = [one["href"] for one in page.tags["a"] if "lot=" in one.get("href", "")]
    assert len(links) == 2
    assert workshop["viewer"].get(links[0]).context["sheet"] is not None


def test_the_file_is_one_table_that_spreadsheets_do_not_run(workshop: Shop) -> None:
    origin = an_origin()
    Lot.objects.filter(pk=origin.pk).update(number="=1+1", number_folded=fold("=1+1"))
    origin.refresh_from_db()
    address = reverse("trace-file", kwargs={"kind": "csv"}) + named(origin)
    answer = workshop["viewer"].get(address)
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert tuple(rows[0]) == COLUMNS
    assert {row["record"] for row in rows} == {"lot", "went into", "left", "is here"}
    assert rows[0]["lot"] == "'=1+1"
    book = workshop["viewer"].get(address.replace("file.csv", "file.xlsx"))
    sheet = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(book.content)).get_sheet_by_index(0).to_python()
    assert len(sheet) == len(rows) + 1
    assert sheet[1][COLUMNS.index("lot")] == "'=1+1"
    left = sum(float(row["quantity"]) for row in rows if row["record"] == "left")
    assert left == sum(row[COLUMNS.index("quantity")] for row in sheet if row[0] == "left")
    assert workshop["viewer"].get(address.replace("file.csv", "file.pdf")).status_code == 404


def test_everything_affected_is_held_after_a_look_and_released_again(workshop: Shop) -> None:
    origin = an_origin()
    reached = lots_reached([origin.pk], forward=True)
    address = reverse("trace-hold") + named(origin)
    before = dict(Lot.objects.values_list("pk", "status"))
    page = read(workshop["quality"].get(address))
    assert all(lot.number in page.words for lot in Lot.objects.filter(pk__in=reached))
    assert dict(Lot.objects.values_list("pk", "status")) == before  # looking changes nothing
    refused = workshop["quality"].post(address, {"lot": origin.number, "item": origin.item.code, "why": ""})
    assert refused.status_code == 400
    assert dict(Lot.objects.values_list("pk", "status")) == before
    done = workshop["quality"].post(
        address, {"lot": origin.number, "item": origin.item.code, "why": "the supplier doubts it"}, follow=True
    )
    assert set(Lot.objects.filter(pk__in=reached).values_list("status", flat=True)) <= {"held", "rejected"}
    assert "decided in one action" in read(done).words
    assert LotDecision.objects.filter(why="the supplier doubts it").values("action_uid").distinct().count() == 1
    answer = workshop["quality"].post(
        reverse("trace-release") + named(origin),
        {"lot": origin.number, "item": origin.item.code, "why": "the second test is clean"},
    )
    assert answer.status_code == 303
    assert dict(Lot.objects.filter(pk__in=reached).values_list("pk", "status"))[origin.pk] == before[origin.pk]


def test_only_quality_holds(workshop: Shop) -> None:
    origin = an_origin()
    address = reverse("trace-hold") + named(origin)
    for role in ("viewer", "maker", "buyer", "owner"):
        assert workshop[role].get(address).status_code == 403
        posted = {"lot": origin.number, "item": origin.item.code, "why": "x"}
        assert workshop[role].post(address, posted).status_code == 403
    assert "Hold everything affected" not in read(workshop["maker"].get(reverse("trace") + named(origin))).words
