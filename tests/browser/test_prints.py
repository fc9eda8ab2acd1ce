"""Printed pages as PDF: each sheet of paper says what it belongs to and which of how many it is, and nothing is cut."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from tests.browser.conftest import SignedIn
from tests.browser.served import Served

MM = 72 / 25.4
MARGIN_MM = 14  # that of the style sheet's @page
A4 = (210 * MM, 297 * MM)
MOST_SHEETS = 30

# What may be printed, and what each sheet of paper must say, in the demo's workshop.
_WHERE = """
from inventory.models import DispatchLine, Lot, PurchaseOrder
from production.models import Batch
batch = max(Batch.objects.select_related("transformation"), key=lambda one: one.version.lines.count())
code = batch.transformation.code
order = PurchaseOrder.objects.order_by("-code").first().code
sent = DispatchLine.objects.order_by("pk").first().dispatch.code
labels = "&".join(f"lot={one.item.code}/{one.number}" for one in Lot.objects.select_related("item").order_by("pk")[:30])
print(f"weighing sheet|/batch-sheets/{code}|Batch {code}")
print(f"order sheet|/orders/order/{order}/sheet|Order {order}")
print("trace report|/trace?lot=SM+2281&all=yes|Trace of lot MF-2")
print(f"lot labels|/shelf/labels?{labels}|")
print("week sheet|/week|Week ")
print(f"packing list|/orders/left/dispatch/{sent}/packing-list|dispatch {sent}")
"""
SHEETS = ["weighing sheet", "order sheet", "trace report", "lot labels", "week sheet", "packing list"]


@pytest.fixture(scope="session")
def where(shop: Served) -> dict[str, tuple[str, str]]:
    """Address and mark of each printed sheet."""
    said = shop.manage("shell", "-v0", "-c", _WHERE)
    rows = [line.split("|") for line in said.splitlines() if line.count("|") == 2]
    return {name: (address, mark) for name, address, mark in rows}


def printed(page: Page, address: str) -> PdfReader:
    answer = page.goto(address)
    assert answer is not None
    assert answer.ok, (address, answer.status)
    page.wait_for_function("Array.from(document.images).every(one => one.complete)")
    return PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True, format="A4")))


def texts_at(sheet: Any) -> Iterator[tuple[float, float, str]]:
    """Each piece of text with the place of its first letter, in points from the lower left."""
    found: list[tuple[float, float, str]] = []

    def look(text: str, cm: list[float], tm: list[float], font: Any, size: float) -> None:
        if text.strip():
            found.append((tm[4] * cm[0] + cm[4], tm[5] * cm[3] + cm[5], text))

    sheet.extract_text(visitor_text=look)
    yield from found


@pytest.mark.parametrize("name", SHEETS)
def test_every_sheet_of_paper_says_what_it_is(
    signed_in: SignedIn, where: dict[str, tuple[str, str]], name: str
) -> None:
    """And no text reaches over what the sheet has between its margins."""
    address, mark = where[name]
    page: Page = signed_in("all")
    paper = printed(page, address)
    count = len(paper.pages)
    assert 1 <= count <= MOST_SHEETS
    width, height = (float(side) for side in paper.pages[0].mediabox[2:])
    assert sorted((width, height)) == pytest.approx(A4, abs=2)
    for at, sheet in enumerate(paper.pages):
        words = " ".join(sheet.extract_text().split())
        assert mark in words, f"sheet {at + 1} of {count} does not say {mark!r}: {words[:200]}"
        assert f"{at + 1} / {count}" in words, f"sheet {at + 1} of {count} bears no number: {words[-200:]}"
        for x, y, text in texts_at(sheet):
            assert 0 < x < width - MARGIN_MM * MM, f"{text!r} begins at {x:.0f} of {width:.0f} points"
            assert 0 < y < height, f"{text!r} stands at {y:.0f} of {height:.0f} points"
    assert over_the_edge(page, between_margins(width)) == []


def test_each_label_is_whole_on_one_sheet(signed_in: SignedIn, where: dict[str, tuple[str, str]]) -> None:
    address, _ = where["lot labels"]
    asked = [one.rpartition("/")[2] for one in address.partition("?")[2].split("&")]
    sheets = [sheet.extract_text().split() for sheet in printed(signed_in("all"), address).pages]
    for number in set(asked):
        assert sum(words.count(number) for words in sheets) == asked.count(number), number
    assert all(any(number in words for number in asked) for words in sheets)


# A supplier's lot number of 60 letters without a space, a long caution, and a lot beside it in the second column.
_CROWDED = """
from inventory.models import Item, Lot
lots = [lot for lot in Lot.objects.select_related("item").filter(origin="received").order_by("pk")[:4]]
Lot.objects.filter(pk__in=[lots[0].pk, lots[3].pk]).update(supplier_lot="W" * 60)
Item.objects.filter(pk=lots[0].item_id).update(caution="Goggles and gloves, water at hand. " * 9)
print("&".join(f"lot={lot.item.code}/{lot.number}" for lot in lots))
"""


def test_labels_stay_on_the_paper_however_much_they_bear(signed_in: SignedIn, shop: Served) -> None:
    page: Page = signed_in("all")
    query = shop.manage("shell", "-v0", "-c", _CROWDED).splitlines()[-1]
    (sheet,) = printed(page, f"/shelf/labels?{query}").pages
    assert "Goggles and gloves" in " ".join(sheet.extract_text().split())
    assert over_the_edge(page, between_margins(A4[0])) == []
    widths = page.locator(".labels .label").evaluate_all("all => all.map(one => one.offsetWidth)")
    assert max(widths) - min(widths) <= 1


def test_what_is_cut_would_be_found(signed_in: SignedIn) -> None:
    page: Page = signed_in("all")
    page.goto("/shelf")
    page.evaluate(
        "const main = document.querySelector('main'); main.style.overflowWrap = 'normal';"
        "main.append('ONEVERYLONGWORD'.repeat(20))"
    )
    assert any("ONEVERYLONGWORD" in text for text in over_the_edge(page, between_margins(A4[0])))


def between_margins(width: float) -> int:
    """The pixels of the style sheet that a sheet of so many points has beside its margins."""
    return round((width / MM - 2 * MARGIN_MM) / 25.4 * 96)


def over_the_edge(page: Page, width: int) -> list[str]:
    """The texts that end beyond so many pixels, where the page is laid out for paper of that width."""
    page.emulate_media(media="print")
    page.set_viewport_size({"width": width, "height": 1000})
    return list(page.evaluate(_OVER, width))


# The texts whose boxes end beyond this many pixels, or are cut by a box around them that hides what does not fit.
_OVER = """width => {
    const found = [], walker = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
        const text = walker.currentNode.data.trim(), holder = walker.currentNode.parentElement;
        if (!text || holder.closest('.unseen, option, datalist')) continue;
        const range = document.createRange();
        range.selectNodeContents(walker.currentNode);
        for (const box of range.getClientRects()) {
            const over = box.width && box.right > width + 1;
            if (over) { found.push(`${text.slice(0, 60)}: ${box.right} of ${width}`); break; }
        }
        for (let one = holder; one; one = one.parentElement) {
            const style = getComputedStyle(one), edge = one.getBoundingClientRect();
            const right = Math.max(...Array.from(range.getClientRects(), box => box.right));
            const hidden = style.overflowX !== 'visible' && right > edge.right + 1;
            if (hidden) { found.push(`${text.slice(0, 60)}: hidden`); break; }
        }
    }
    return found;
}"""
