"""A new workshop from its first evening to a recall, walked by one person in a browser: with and without scripts.

Nothing is set up behind the pages: what the walk needs, it makes by the pages themselves.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignedIn
from tests.browser.served import Served, serve_copy
from tests.browser.small_workshop import CUSTOMER, FOR_THE_MARKET, FOR_THE_SHOP, MARKET, tables, with_a_fault, workbook

TABLET = {"width": 820, "height": 1180}
DESK = {"width": 1280, "height": 900}
SIZE_G, MADE_G = 1000, 985
WAITS_MS = 120_000  # for what runs in the background
LOT_OF_OIL = "WM-4471"  # the supplier's number, as it stands on the canister


@pytest.fixture(params=[True, False], ids=["scripts", "no-scripts"])
def scripts(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


@pytest.fixture
def new_shop(tmp_path: Path, scripts: bool, staffed_workshop: Path) -> Iterator[Served]:
    with serve_copy(staffed_workshop, tmp_path) as served:
        yield served


def test_from_the_first_evening_to_a_recall(
    signed_in: SignedIn, new_shop: Served, tmp_path: Path, scripts: bool
) -> None:
    page: Page = signed_in("all", at=new_shop, java_script_enabled=scripts)
    page.set_default_timeout(60_000)
    expect.set_options(timeout=30_000)

    nothing_is_here_yet(page)
    brings_its_tables(page, tmp_path)
    balm = plans_a_batch(page)
    tins = accepts_what_to_make(page)
    order = accepts_what_to_buy(page)
    receives(page, order)

    reserves(page, balm)
    weighs(page, balm, {"PLUM-OIL": SIZE_G * 0.78, "RICE-WAX": SIZE_G * 0.22})
    signs_and_looks(page, balm)
    finishes(page, balm, made=f"{MADE_G} g", left_in_vessel="10 g")
    releases(page, balm)

    reserves(page, tins)
    weighs(page, tins, {"ELBOW-BALM": 40 * (FOR_THE_SHOP + FOR_THE_MARKET), "TIN-40": FOR_THE_SHOP + FOR_THE_MARKET})
    finishes(page, tins, made=f"{FOR_THE_SHOP + FOR_THE_MARKET} pc", place="shelf")
    releases(page, tins)

    dispatches(page, tins)
    goes_to_market(page, tins)
    comes_back(page, sold=5, back=3)
    traces(page, tins)
    holds_what_is_affected(page, balm, tins)
    # What was refused on purpose is all that the browser's console has to say.
    assert [said for said in page.complaints if "status of 400 (Bad Request)" not in said] == []


# --- the first evening --------------------------------------------------------------------------------------


def go(page: Page, word: str) -> None:
    """A word of the navigation."""
    page.get_by_role("navigation", name="Pages of the workshop").get_by_role("link", name=word).click()


def told(page: Page) -> Any:
    """Where a page says what was done."""
    return page.locator("#told")


def nothing_is_here_yet(page: Page) -> None:
    go(page, "Shelf")
    expect(page.get_by_text("Nothing is kept yet")).to_be_visible()


def brings_its_tables(page: Page, folder: Path) -> None:
    """One workbook, with a weight below nothing in it: told in its cell, mended, looked at once more, agreed to."""
    whole = tables(datetime.now(tz=UTC).date())
    looks_at(page, workbook(folder / "first-evening.xlsx", with_a_fault(whole)))
    expect(page.get_by_role("heading", level=1)).to_have_text("Faults in the tables")
    expect(page.get_by_role("alert")).to_contain_text("Nothing was changed")
    cell = page.get_by_role("region", name="Faults in lots").get_by_role("cell").filter(has_text="-300 g")
    expect(cell).to_contain_text('a quantity above 0 such as "2.5 kg"')
    go(page, "Shelf")
    expect(page.get_by_text("Nothing is kept yet")).to_be_visible()

    looks_at(page, workbook(folder / "mended.xlsx", whole))
    expect(page.get_by_role("heading", level=1)).to_have_text("What would change")
    expect(page.get_by_role("region", name="Changes in items").get_by_role("row")).to_have_count(6)  # with its head
    go(page, "Shelf")
    expect(page.get_by_text("Nothing is kept yet")).to_be_visible()
    page.go_back()
    page.get_by_role("button", name="Agree: bring it in").click()
    expect(page.get_by_role("heading", name="What was brought in")).to_be_visible(timeout=WAITS_MS)
    go(page, "Shelf")
    expect(page.get_by_role("link", name="PLUM-OIL")).to_be_visible()


def looks_at(page: Page, book: Path) -> None:
    """The file chosen and looked at in the background; without scripts the page loads itself anew."""
    go(page, "Workshop")
    page.get_by_role("link", name="Bring tables in").first.click()
    page.get_by_label("One workbook").set_input_files(str(book))
    page.get_by_role("button", name="Look at it").click()
    waiting = page.get_by_role("heading", level=1, name="Looking at the tables")
    expect(waiting).to_have_count(0, timeout=WAITS_MS)


# --- planning and buying ------------------------------------------------------------------------------------


def plans_a_batch(page: Page) -> str:
    """One batch of balm for today, short of oil and wax. Its number."""
    go(page, "Week sheet")
    page.get_by_role("link", name="Plan a batch").click()
    page.get_by_label("Formula").select_option("BALM")
    page.get_by_label("Size (what goes in)").fill(f"{SIZE_G} g")
    page.get_by_role("button", name="Plan it").click()
    expect(told(page)).to_contain_text("is planned for")
    expect(page.locator(".lead .stamp.short")).to_be_visible()
    line = page.get_by_role("row").filter(has_text="PLUM-OIL")
    expect(line.get_by_role("link", name="PK-1")).to_be_visible()
    expect(line).to_contain_text("480 g")
    return page.locator("h1 .code").inner_text()


def accepts_what_to_make(page: Page) -> str:
    """The plan proposes to fill tins of that balm: ticked and accepted. The number of that batch."""
    go(page, "Week sheet")
    to_make = page.get_by_role("region", name="To make")
    expect(to_make.get_by_role("row")).to_have_count(2)  # the head, and one proposal
    to_make.get_by_role("checkbox", name=re.compile("Take ELBOW-TIN")).check()
    page.get_by_role("button", name="Accept what is ticked").click()
    expect(told(page)).to_contain_text("Accepted: batch")
    found = re.search(r"batch (\S+?)\.?$", told(page).inner_text().strip())
    assert found
    expect(page.get_by_text("Nothing more needs to be made")).to_be_visible()
    return found[1]


def accepts_what_to_buy(page: Page) -> str:
    """All that is short, of one supplier, becomes one order with its sheet. The order's number."""
    go(page, "Orders")
    page.get_by_role("link", name="What to order").first.click()
    boxes = page.get_by_role("checkbox")
    expect(boxes).to_have_count(3)
    for at in range(3):
        boxes.nth(at).check()
    page.get_by_role("button", name="Order what is ticked").click()
    expect(told(page)).to_contain_text("is written down")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Order")
    sheet = page.get_by_role("region", name="Lines of the order")
    for item in ("Plum kernel oil", "Rice bran wax", "Tin for 40 g"):
        expect(sheet).to_contain_text(item)
    return page.locator("h1 .code").inner_text()


def receives(page: Page, order: str) -> None:
    """Against the order: number, last day and place of each parcel. Labels follow."""
    go(page, "Orders")
    page.get_by_role("link", name="To come").click()
    page.get_by_role("link", name=f"Receive order {order}").click()
    year = datetime.now(tz=UTC).year + 2
    for at, (number, until) in enumerate({LOT_OF_OIL: f"{year}-06", "WM-90": f"{year}-08", "TN-3": ""}.items()):
        line = page.get_by_role("group", name=re.compile(rf"{at + 1}$"))
        item = line.get_by_label("Item").input_value()
        assert item == ("PLUM-OIL", "RICE-WAX", "TIN-40")[at]
        line.get_by_label("Lot number on it").fill(number)
        line.get_by_label("Place").fill("shelf")
        if until:
            line.get_by_label("Last day").fill(until)
        line.locator("summary").click()
        line.get_by_label("State").select_option("released")
    page.get_by_role("button", name="Put it on the shelf").click()
    expect(told(page)).to_contain_text("Received 3 lots")
    expect(page.locator(".label")).to_have_count(3)
    go(page, "Orders")
    page.get_by_role("link", name="To come").click()
    expect(page.get_by_text("Nothing is on order")).to_be_visible()


# --- making -------------------------------------------------------------------------------------------------


def reserves(page: Page, batch: str) -> None:
    go(page, "Week sheet")
    page.get_by_role("link", name=re.compile(batch)).first.click()
    expect(page.locator(".lead .stamp.covered")).to_be_visible()
    page.get_by_role("link", name="Set stock aside").click()
    page.get_by_role("button", name="Set it aside").click()
    expect(told(page)).to_contain_text("set aside for batch")


def weighs(page: Page, batch: str, wanted: dict[str, float]) -> None:
    """At the bench, on a tablet: the sheet names lot and weight, the reading is typed, until no line is left."""
    page.set_viewport_size(TABLET)
    go(page, "Batch sheets")
    page.get_by_role("link", name=batch).click()
    page.get_by_role("link", name="Start").click()
    page.get_by_role("button", name="Start").click()
    expect(told(page)).to_contain_text("is started")
    readings = 0
    for _ in range(6):
        line = page.locator("#now")
        if not line.count():
            break
        fits_the_screen(page)
        expect(line.get_by_label("Lot, typed or scanned")).not_to_have_value("")
        # What the sheet says to take of this lot: the first of "Take 300 g of lot PK-1, at shelf".
        take = re.search(r"Take ([\d.,]+\s(?:kg|g|pc)) of", line.locator(".take").first.inner_text())
        assert take
        line.get_by_label("Reading of the scale").fill(take[1].replace(",", ""))
        line.get_by_role("button", name="It went in").click()
        expect(told(page)).to_contain_text("went in")
        readings += 1
    expect(page.locator("#now")).to_have_count(0)
    assert readings >= len(wanted)
    sheet = page.get_by_role("region", name="To weigh")
    for item, quantity in wanted.items():
        row = sheet.get_by_role("row").filter(has_text=item)
        unit = "pc" if item == "TIN-40" else "g"
        expect(row.get_by_role("cell").filter(has_text="✓")).to_contain_text(f"{quantity:g} {unit}")


def fits_the_screen(page: Page) -> None:
    """Nothing at the bench is pushed over the edge of the tablet, and what is touched is large."""
    width = TABLET["width"]
    for box in [page.locator("#now").bounding_box(), page.get_by_role("button", name="It went in").bounding_box()]:
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    button = page.get_by_role("button", name="It went in").bounding_box()
    assert button is not None
    assert button["height"] >= 44


def signs_and_looks(page: Page, batch: str) -> None:
    page.get_by_role("button", name="Sign step 1").click()
    expect(told(page)).to_contain_text("Step 1 is signed")
    page.get_by_label("What Look showed").fill("yes")
    page.get_by_role("button", name="Record Look").click()
    expect(told(page)).to_contain_text("passed")


def finishes(page: Page, batch: str, *, made: str, left_in_vessel: str = "", place: str = "") -> None:
    page.get_by_role("link", name="Finish").click()
    page.get_by_label("What came out").fill(made)
    page.get_by_label("Left in the vessel").fill(left_in_vessel)
    page.get_by_label("Where it stands").fill(place)
    page.get_by_role("button", name="Finish").click()
    expect(told(page)).to_contain_text(f"Batch {batch} is finished")
    page.set_viewport_size(DESK)


def releases(page: Page, lot: str) -> None:
    """The lot of a batch bears its number; it waits for a word, with what is known of it."""
    go(page, "Decisions")
    row = page.get_by_role("region", name="Waiting for a word").get_by_role("row").filter(has_text=lot)
    row.get_by_role("link", name="Release").click()
    page.get_by_label("Why").fill("looks and smells as it should")
    page.get_by_role("button", name="Release").click()
    expect(page.locator(".stamp.released").first).to_be_visible()


# --- what leaves, and what comes back -----------------------------------------------------------------------


def dispatches(page: Page, lot: str) -> None:
    """To the shop that ordered: lots picked, looked at, sent."""
    go(page, "Orders")
    page.get_by_role("link", name="Wanted").click()
    page.get_by_role("link", name=re.compile("Send ELBOW-TIN")).click()
    expect(page.get_by_label("To a customer")).to_have_value(CUSTOMER)
    line = page.get_by_role("group", name=re.compile("1$"))
    expect(line.get_by_label("Lot")).to_have_value(lot)
    page.get_by_role("button", name="It leaves").click()
    expect(page.get_by_role("main")).to_contain_text(lot)
    expect(told(page)).not_to_be_empty()


def goes_to_market(page: Page, lot: str) -> None:
    go(page, "Orders")
    page.get_by_role("link", name="Market days").click()
    page.get_by_role("link", name=re.compile(f"Pack for .* {MARKET}")).click()
    expect(page.get_by_label("The stall's place")).to_have_value(MARKET)
    line = page.get_by_role("group", name=re.compile("1$"))
    expect(line.get_by_label("Lot")).to_have_value(lot)
    expect(line.get_by_label("How many")).to_have_value(f"{FOR_THE_MARKET} pc")
    page.get_by_role("button", name="It goes to the stall").click()
    expect(told(page)).to_contain_text(f"went to {MARKET}")


def comes_back(page: Page, *, sold: int, back: int) -> None:
    """Two figures that do not add up are refused until words say why; these do."""
    page.get_by_role("link", name=f"Back from {MARKET}").click()
    page.get_by_label("Sold", exact=True).fill(f"{sold + 1}")
    page.get_by_label("Came back").fill(f"{back + 1}")
    page.get_by_label("Where the rest goes").fill("shelf")
    page.get_by_role("button", name="Put it on the books").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing was changed")
    page.get_by_label("Sold", exact=True).fill(f"{sold}")
    page.get_by_label("Came back").fill(f"{back}")
    page.get_by_role("button", name="Put it on the books").click()
    expect(told(page)).to_contain_text("What was sold is dispatch")


# --- the bad lot --------------------------------------------------------------------------------------------


def traces(page: Page, tins: str) -> None:
    """By the number that the supplier writes in the letter: who received it, what is here, every gram accounted for."""
    go(page, "Trace")
    page.get_by_label(re.compile("Lot numbers")).fill(LOT_OF_OIL)
    page.get_by_role("button", name="Trace").click()
    received = page.get_by_role("region", name="Who received it")
    expect(received.get_by_role("row").filter(has_text="Hazelgate shop")).to_contain_text(f"{FOR_THE_SHOP} pc")
    expect(received.get_by_role("row").filter(has_text=MARKET)).to_contain_text("5 pc")
    here = page.get_by_role("region", name="Still here")
    expect(here.get_by_role("row").filter(has_text="ELBOW-TIN")).to_contain_text("3 pc")
    expect(here.get_by_role("row").filter(has_text="PLUM-OIL")).to_contain_text("520 g")
    expect(page.get_by_text("every lot, to the milligram")).to_be_visible()
    expect(page.get_by_role("region", name="Every lot").get_by_role("link", name=tins)).to_be_visible()


def holds_what_is_affected(page: Page, balm: str, tins: str) -> None:
    page.get_by_role("link", name="Hold everything affected").click()
    expect(page.get_by_text("3 of 3 would be held")).to_be_visible()
    page.get_by_label("Why").fill("the supplier's letter: turned rancid")
    page.get_by_role("button", name="Hold them all").click()
    expect(told(page)).to_contain_text("3 lots decided")
    go(page, "Decisions")
    held = page.get_by_role("region", name="Held")
    for lot in (balm, tins):
        expect(held.get_by_role("row").filter(has_text=lot)).to_contain_text("turned rancid")
