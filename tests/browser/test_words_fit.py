"""Words have the room that they need: codes stay whole, endless names are wrapped, boxes show what stands in them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import SignedIn
from tests.browser.served import Served

ENDLESS = "ENDLESS-NAME"
_MADE = f"""
from inventory.models import Item
Item.objects.create(code='{ENDLESS}', name='N' * 200, kind='raw', caps_life=True)
"""
_GONE = f"from inventory.models import Item; Item.objects.filter(code='{ENDLESS}').delete()"


@pytest.fixture
def endless(shop: Served) -> Iterator[str]:
    shop.manage("shell", "-v0", "-c", _MADE)
    yield ENDLESS
    shop.manage("shell", "-v0", "-c", _GONE)


@pytest.mark.parametrize("width", [1280, 1024])
def test_codes_on_the_week_sheet_stay_whole_and_names_stand_below_them(signed_in: SignedIn, width: int) -> None:
    page: Page = signed_in("all", viewport={"width": width, "height": 900})
    page.goto("/week")
    assert page.locator(".ruled tbody th").count() > 10
    assert page.evaluate(_CODES) == []
    assert page.evaluate(_HIDDEN) == []


def test_a_name_without_a_space_is_wrapped(signed_in: SignedIn, endless: str) -> None:
    page: Page = signed_in("all")
    for address in (f"/shelf/item/{endless}", f"/week/item/{endless}"):
        page.goto(address)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), address


@pytest.mark.parametrize("width", [1280, 1024])
def test_what_is_written_in_a_formula_is_seen_in_its_box(signed_in: SignedIn, width: int) -> None:
    page: Page = signed_in("all", viewport={"width": width, "height": 900})
    page.goto("/formulas/HAND-CREAM/1/copy")
    if not page.url.endswith("/edit"):
        page.locator("main form button").first.click()
        page.wait_for_url("**/edit")
    assert page.get_by_label("Check").count() > 2
    assert page.evaluate(_CUT) == []


# The codes that are broken over two lines or stand in their name.
_CODES = """() => Array.from(document.querySelectorAll('.ruled tbody th'), head => {
    const code = head.querySelector('.code'), lines = code.getClientRects();
    const words = document.createRange();
    words.setStartAfter(head.querySelector('a'));
    words.setEndAfter(head.lastChild);
    const below = Math.min(...Array.from(words.getClientRects(), box => box.width ? box.top : Infinity));
    return lines.length === 1 && below >= lines[0].bottom - 1 ? null : code.textContent;
}).filter(Boolean)"""

# The tables that are wider than what they stand in.
_HIDDEN = """() => Array.from(document.querySelectorAll('.ruled'))
    .filter(one => one.scrollWidth > one.clientWidth).map(one => one.ariaLabel)"""

# The boxes that show only a part of what was typed; a choice needs room for its arrow too.
_CUT = """() => Array.from(document.querySelectorAll('table.typed input:not([type=checkbox]), table.typed select'))
    .filter(one => {
        if (one.tagName === 'INPUT') return one.scrollWidth > one.clientWidth;
        const pen = document.createElement('canvas').getContext('2d'), style = getComputedStyle(one);
        pen.font = style.font;
        const words = pen.measureText(one.selectedOptions[0].textContent).width;
        return words + parseFloat(style.paddingLeft) + parseFloat(style.paddingRight) + 20 > one.clientWidth;
    }).map(one => one.name)"""
