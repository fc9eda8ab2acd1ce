"""Orders on a tablet: what to order becomes an order that is sent and received; what is wanted leaves; a market day."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignedIn
from tests.browser.served import Served

TABLET = {"width": 1024, "height": 768}
LAID_OUT = """
from inventory import clock
from tests.inventory.pages import counter
counter.lay_out(received_on=clock.today())
"""


@pytest.fixture(scope="session")
def counter(shop: Served) -> Served:
    """A product of this module's own, a customer who waits for it, and a market where it is expected."""
    shop.manage("shell", "-v0", "-c", LAID_OUT)
    return shop


def test_what_is_ticked_becomes_an_order_that_is_sent_and_received(signed_in: SignedIn, counter: Served) -> None:
    page: Page = signed_in("buyer", viewport=TABLET)
    page.goto("/orders/to-order")
    part = page.get_by_role("region", name="To order from").first
    tick = part.get_by_role("checkbox").first
    item = re.match(r"Take (\S+), ", tick.get_attribute("aria-label") or "")
    assert item is not None
    tick.check()
    page.get_by_role("button", name="Order what is ticked").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Order")
    expect(page.get_by_role("status").first).to_contain_text("is written down. Now send it.")
    expect(page.get_by_role("row").nth(1)).to_contain_text(item[1])
    code = page.locator("h1 .code").inner_text()
    page.goto("/orders")
    page.get_by_role("link", name=f"Receive order {code}").click()
    page.get_by_role("group", name=re.compile("1$")).get_by_label("Lot number on it").fill("T-1")
    page.get_by_role("button", name="Put it on the shelf").click()
    page.wait_for_url("**/shelf/labels?**")
    page.goto(f"/orders/order/{code}")
    expect(page.get_by_text("Nothing more is to come")).to_be_visible()
    assert page.complaints == []


def test_a_customer_gets_the_lots_that_end_first(signed_in: SignedIn, counter: Served) -> None:
    page: Page = signed_in("buyer", viewport=TABLET)
    page.goto("/orders/party/CORNER")
    page.get_by_role("link", name="Send what they want").click()
    first = page.get_by_role("group", name=re.compile("1$"))
    expect(first.get_by_label("Lot")).to_have_value("BAR-2")
    page.get_by_label("Scan a lot label").focus()
    page.keyboard.type("BAR-1\n", delay=2)
    expect(page.get_by_text("Line 2: BAR-90 lot BAR-1. It is the right one.")).to_be_visible()
    page.get_by_role("button", name="It leaves").click()
    page.get_by_role("link", name="Packing list to print").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Packing list")
    expect(page.get_by_text("Keep out of eyes.").first).to_be_visible()
    page.go_back()
    page.get_by_role("link", name="Take back of line 2").click()
    page.get_by_label("How many, or how much").fill("1")
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_role("status").first).to_contain_text("1 pc came back. It stands apart")
    assert page.complaints == []


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_lots_are_picked(signed_in: SignedIn, counter: Served, scripts: bool) -> None:
    page: Page = signed_in("buyer", viewport=TABLET, java_script_enabled=scripts)
    page.goto("/orders/left/new")
    line = page.get_by_role("group", name=re.compile("1$"))
    line.get_by_label("Item").fill("BAR-90")
    line.get_by_label("How many, or how much").fill("400")
    page.get_by_role("button", name="Pick the lots").click()
    expect(page.get_by_text("Nothing more may leave for")).to_be_visible()
    expect(line.get_by_label("Stands at")).not_to_have_value("")
    assert page.complaints == []


def test_a_market_day_goes_out_and_comes_back(signed_in: SignedIn, counter: Served) -> None:
    maker: Page = signed_in("maker", viewport=TABLET)
    maker.goto("/orders/market")
    maker.get_by_role("link", name=re.compile("Pack for .* Fair")).click()
    maker.get_by_role("button", name="It goes to the stall").click()
    expect(maker.get_by_role("status").first).to_contain_text("went to Fair")
    page: Page = signed_in("buyer", viewport=TABLET)
    page.goto("/orders/market")
    page.get_by_role("link", name="Back from Fair").click()
    rows = page.get_by_role("region", name="What stood at Fair").locator("tbody tr")
    for at in range(rows.count()):
        rows.nth(at).get_by_label("Sold").fill("0")
        rows.nth(at).get_by_label("Came back").fill("0")
    page.get_by_role("button", name="Put it on the books").click()
    why = rows.first.get_by_label("What became of the difference")
    expect(why).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_role("alert")).to_contain_text("less than went out")
    for at in range(rows.count()):
        rows.nth(at).get_by_label("What became of the difference").fill("the rain took the stall")
    page.get_by_role("button", name="Put it on the books").click()
    expect(page.get_by_role("status").first).to_contain_text("put on the books")
    expect(page.get_by_role("link", name="Back from Fair")).to_have_count(0)
    assert [said for said in page.complaints if "400 (Bad Request)" not in said] == []  # the refusal above
