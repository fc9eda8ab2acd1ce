"""The shelf in the browser: a delivery by scanner and keyboard, with and without scripts; labels that can be read."""

from __future__ import annotations

import re

import numpy as np
import pytest
import zxingcpp
from playwright.sync_api import Page, expect

from inventory.gs1 import read_scan
from tests.browser.conftest import SignedIn
from tests.browser.served import Served

SYMBOL = "(01)09506000134352(17)291231(10)"  # GS1's own example of a GTIN, from memory
NUMBERED = "from inventory.models import Item; Item.objects.filter(code='KAOLIN').update(gtin='09506000134352')"


@pytest.fixture(scope="session")
def numbered(shop: Served) -> Served:
    """White clay bears a GTIN."""
    shop.manage("shell", "-v0", "-c", NUMBERED)
    return shop


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_a_delivery_is_scanned_and_put_on_the_shelf(signed_in: SignedIn, numbered: Served, scripts: bool) -> None:
    """By keyboard alone: a scanner types and sends Enter; the rest is typed; the last key is Enter on the button."""
    lot = f"SM-8{scripts:d}"
    page: Page = signed_in("buyer", java_script_enabled=scripts)
    page.goto("/shelf/receive")
    page.get_by_label("From", exact=True).select_option(index=1)
    page.get_by_label("Scan a symbol").focus()
    page.keyboard.type(f"{SYMBOL}{lot}\n", delay=2)
    expect(page.get_by_text("Line 1: KAOLIN White clay")).to_be_visible()
    line = page.get_by_role("group", name=re.compile("1$"))
    expect(line.get_by_label("Item")).to_have_value("KAOLIN")
    expect(line.get_by_label("Lot number on it")).to_have_value(lot)
    expect(page.get_by_label("Scan a symbol")).to_be_focused()
    line.get_by_label("How much").focus()
    page.keyboard.type("2.5 kg")
    page.get_by_role("button", name="Put it on the shelf").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/shelf/labels?**")
    expect(page.get_by_role("status").first).to_contain_text("Received 1 lot")
    page.goto(f"/shelf?find={lot}")
    expect(page.get_by_role("heading", level=1)).to_contain_text("White clay")
    assert page.complaints == []


def test_what_is_sought_is_shown_while_it_is_typed(signed_in: SignedIn) -> None:
    page: Page = signed_in("viewer")
    page.goto("/shelf")
    expect(page.get_by_role("link", name="BEESWAX")).to_be_visible()
    page.get_by_label("Find by").press_sequentially("white cl", delay=20)
    expect(page.get_by_role("link", name="BEESWAX")).to_be_hidden()
    expect(page.get_by_role("link", name="KAOLIN")).to_be_visible()
    expect(page).to_have_url(re.compile("find=white"))
    assert page.complaints == []


def test_a_wrong_weight_is_told_beside_its_box(signed_in: SignedIn) -> None:
    page: Page = signed_in("maker")
    page.goto("/shelf/lot/KAOLIN/WC-1")
    page.get_by_role("link", name="Discard").click()
    page.get_by_label("How much of it").fill("lots of it")
    page.get_by_role("button", name="Discard").click()
    box = page.get_by_label("How much of it")
    expect(box).to_have_attribute("aria-invalid", "true")
    expect(box).to_have_accessible_description(re.compile("is not taken"))
    expect(page.get_by_role("alert")).to_contain_text("Nothing was changed")
    page.get_by_role("alert").get_by_role("link").first.click()
    expect(box).to_be_focused()


def test_a_label_is_read_by_a_camera(signed_in: SignedIn) -> None:
    page: Page = signed_in("viewer")
    page.goto("/shelf/labels?lot=KAOLIN/WC-1")
    picture = page.get_by_role("img", name="Symbol of WC-1")
    expect(picture).to_be_visible()
    size, grey = picture.evaluate(_DRAWN)
    (found,) = zxingcpp.read_barcodes(np.array(grey, dtype=np.uint8).reshape(size, size))
    assert read_scan(found.text).lot == "WC-1"


# The picture as this browser draws it, in its size on the label: the red of each pixel.
_DRAWN = """picture => {
    const paper = document.createElement('canvas');
    paper.width = paper.height = Math.round(picture.getBoundingClientRect().width);
    const pen = paper.getContext('2d');
    pen.drawImage(picture, 0, 0, paper.width, paper.height);
    const pixels = pen.getImageData(0, 0, paper.width, paper.height).data;
    return [paper.width, Array.from(pixels.filter((_, at) => at % 4 === 0))];
}"""
