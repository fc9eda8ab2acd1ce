"""Pictures in the browser: their colours are those of the page, also in dark."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from tests.browser.conftest import SignedIn

PAPER = {"light": (253, 252, 248), "dark": (24, 29, 30)}


@pytest.mark.parametrize("scheme", PAPER)
@pytest.mark.parametrize("shown_on", ["/trace?lot=SM+2281", "/week"])
def test_a_picture_has_the_colours_of_the_page(signed_in: SignedIn, scheme: str, shown_on: str) -> None:
    page = signed_in("viewer", color_scheme=scheme)
    page.goto(shown_on)
    if shown_on == "/week":  # of a scarce item
        page.goto(page.locator("a[href^='/week/item/']").first.get_attribute("href"))  # until images are there too
    picture = page.locator(".picture img")
    shown = Image.open(io.BytesIO(picture.screenshot())).convert("RGB")
    assert shown.getpixel((4, 4)) == PAPER[scheme]
    page.goto(picture.get_attribute("src"))  # alone, as a file that a person opens
    assert Image.open(io.BytesIO(page.screenshot())).convert("RGB").getpixel((4, 4)) == PAPER[scheme]
    assert page.complaints == []
