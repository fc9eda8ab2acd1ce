"""The workshop's own pages in the browser: tables brought in with a fault, mended and agreed to, on a tablet."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignedIn
from tests.browser.served import Served
from tests.browser.test_every_page import COLOURS, violations

TABLET = {"width": 1024, "height": 768}
HEADER = "item,name,kind,shelf_life_days\n"


def items(content: str) -> list[dict[str, Any]]:
    return [{"name": "items.csv", "mimeType": "text/csv", "buffer": (HEADER + content).encode()}]


def look(page: Page, content: str, heading: str) -> None:
    """Choose a file and wait: with scripts the bar moves on by itself, without them the page loads itself anew."""
    page.goto("/workshop/bring-in")
    page.get_by_label("One workbook").set_input_files(items(content))
    page.get_by_role("button", name="Look at it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(heading, timeout=120_000)


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_a_fault_is_seen_in_its_cell_mended_and_brought_in(signed_in: SignedIn, shop: Served, scripts: bool) -> None:
    code = f"CLAY-{scripts:d}"
    page: Page = signed_in("owner", viewport=TABLET, java_script_enabled=scripts)
    look(page, f"{code},A clay of the river,powder,720\n", "Faults in the tables")
    wrong = page.locator("td.wrong")
    expect(wrong).to_have_count(1)
    expect(wrong).to_contain_text("powder")
    expect(wrong).to_contain_text("one of raw, packaging")
    page.get_by_role("link", name="Bring the mended file").click()
    look(page, f"{code},A clay of the river,raw,720\n", "What would change")
    expect(page.get_by_role("row", name=f"2 new {code}")).to_be_visible()
    assert code not in shop.manage(
        "shell", "-v0", "-c", "from inventory.models import Item; print([*Item.objects.values_list('code', flat=True)])"
    )
    page.get_by_role("button", name="Agree").click()
    expect(page.get_by_text("1 new in items")).to_be_visible(timeout=120_000)
    page.goto(f"/shelf/item/{code}")
    expect(page.get_by_role("heading", level=1)).to_contain_text("A clay of the river")
    assert page.complaints == []  # type: ignore[attr-defined]


def test_axe_finds_nothing_where_faults_stand_in_their_cells(signed_in: SignedIn) -> None:
    page: Page = signed_in("owner", viewport=TABLET)
    look(page, "CLAY-9,,powder,soon\n", "Faults in the tables")
    assert violations(page) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, COLOURS) == []


def test_tables_are_taken_out_as_a_file(signed_in: SignedIn) -> None:
    page: Page = signed_in("maker", viewport=TABLET)
    page.goto("/workshop/take-out")
    page.get_by_role("button", name="Make the file").click()
    link = page.get_by_role("link", name="Take the file")
    expect(link).to_be_visible(timeout=120_000)
    with page.expect_download() as found:
        link.click()
    assert found.value.suggested_filename.endswith(".xlsx")
    assert page.complaints == []  # type: ignore[attr-defined]


def test_a_person_is_added_by_keyboard_and_given_a_link(signed_in: SignedIn, browser: Any, shop: Served) -> None:
    page: Page = signed_in("owner", viewport=TABLET)
    page.goto("/workshop/people/new")
    page.keyboard.type("tilda")
    page.keyboard.press("Tab")
    page.keyboard.type("Tilda")
    page.get_by_label("helper: sees batch sheets").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Add them").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Make the link").press("Enter")
    link = page.locator(".secret code").inner_text()
    with browser.new_context() as context:
        other = context.new_page()
        other.goto(link)
        for one in other.locator("input[type=password]").all():
            one.fill("nine green bottles")
        other.get_by_role("button", name="Set the password").click()
        expect(other.get_by_role("heading", level=1)).to_contain_text("Sign in")
    assert page.complaints == []  # type: ignore[attr-defined]
