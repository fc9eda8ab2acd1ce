"""Two people with a device each at one batch sheet: nothing is lost, nothing goes in twice, and the second is told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignedIn, sign_in
from tests.browser.served import PASSWORD, Served, serve_copy
from tests.browser.small_workshop import stocked, workbook

TABLET = {"width": 820, "height": 1180}
BATCHES = ["TURNS", "LINES", "ONCE", "ENDS", "DARK", "SHARED", "UNLIT"]


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory, staffed_workshop: Path) -> Iterator[Served]:
    """A workshop with a batch for each test, everything for it on the shelf."""
    folder = tmp_path_factory.mktemp("bench")
    with serve_copy(staffed_workshop, folder) as served:
        today = datetime.now(tz=UTC).date()
        served.manage("load", str(workbook(folder / "tables.xlsx", stocked(today, BATCHES))))
        yield served


def begun(signed_in: SignedIn, bench: Served, batch: str, scripts: bool = True) -> tuple[Page, Page]:
    """The batch started, and its sheet open on a helper's and a maker's tablet at the same moment."""
    expect.set_options(timeout=30_000)
    pages = []
    for person in ("maker", "helper"):
        page: Page = signed_in(person, at=bench, viewport=TABLET, java_script_enabled=scripts)
        page.set_default_timeout(60_000)
        pages.append(page)
    maker, helper = pages
    maker.goto(f"/batch-sheets/{batch}/start")
    maker.get_by_role("button", name="Start").click()
    expect(maker.locator("#told")).to_contain_text("is started")
    helper.goto(f"/batch-sheets/{batch}")
    return maker, helper


def weigh(page: Page, reading: str) -> None:
    page.get_by_label("Reading of the scale").fill(reading)
    page.get_by_role("button", name="It went in").click()


def row(page: Page, item: str) -> Any:
    return page.get_by_role("region", name="To weigh").get_by_role("row").filter(has_text=item)


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_the_second_is_told_what_the_first_put_in(signed_in: SignedIn, bench: Served, scripts: bool) -> None:
    batch = "TURNS" if scripts else "DARK"
    maker, helper = begun(signed_in, bench, batch, scripts)
    lot = helper.get_by_label("Lot, typed or scanned").input_value()
    weigh(helper, "100 g")
    expect(helper.locator("#told")).to_contain_text("went in")

    weigh(maker, "100 g")  # the sheet on this tablet is from before: it must not go in a second time unseen
    refused = maker.get_by_role("alert")
    expect(refused).to_contain_text("Nothing was changed")
    expect(refused).to_contain_text(f"helper weighed 100 g of lot {lot} into this line meanwhile", ignore_case=True)
    expect(maker.get_by_label("Reading of the scale")).to_have_value("100 g")  # what was typed is still there
    expect(row(maker, "PLUM-OIL")).to_contain_text("100 g")
    said = " ".join(row(maker, "PLUM-OIL").inner_text().split())
    assert said.count("100 g") == 2  # in all, and the helper's reading

    maker.get_by_role("button", name="It went in").click()  # having looked: it is a second reading
    expect(maker.locator("#told")).to_contain_text("went in")
    helper.reload()
    for page in (maker, helper):
        line = row(page, "PLUM-OIL")
        expect(line).to_contain_text("200 g")
        expect(line).to_contain_text("helper")
        expect(line).to_contain_text("maker")


def test_each_at_a_line_of_their_own_neither_waits(signed_in: SignedIn, bench: Served) -> None:
    maker, helper = begun(signed_in, bench, "LINES")
    helper.goto("/batch-sheets/LINES?line=2")
    maker.get_by_label("Reading of the scale").fill("50 g")
    helper.get_by_label("Reading of the scale").fill("220 g")
    both_press(maker, helper, "It went in")
    for page in (maker, helper):
        expect(page.locator("#told")).to_contain_text("went in")
    helper.goto("/batch-sheets/LINES")
    expect(row(helper, "PLUM-OIL")).to_contain_text("50 g")
    expect(row(helper, "RICE-WAX")).to_contain_text("✓")


def test_pressed_in_the_same_moment_one_goes_in(signed_in: SignedIn, bench: Served) -> None:
    maker, helper = begun(signed_in, bench, "ONCE")
    for page in (maker, helper):
        page.get_by_label("Reading of the scale").fill("80 g")
    both_press(maker, helper, "It went in")
    said = [outcome(page) for page in (maker, helper)]
    assert sorted(said) == ["refused", "told"], said
    maker.goto("/batch-sheets/ONCE")
    went_in = row(maker, "PLUM-OIL").get_by_role("cell").nth(4)
    assert went_in.inner_text().split() == ["80", "g"]


def test_an_empty_battery_loses_no_reading_and_the_end_is_told_once(signed_in: SignedIn, bench: Served) -> None:
    """One tablet dies with a reading typed and not sent; the other device goes on; both press Finish."""
    maker, helper = begun(signed_in, bench, "ENDS")
    weigh(helper, "300 g")
    expect(helper.locator("#told")).to_contain_text("went in")
    helper.get_by_label("Reading of the scale").fill("480 g")
    helper.context.close()

    maker.reload()
    expect(maker.locator("#now")).to_contain_text("in so far 300 g")
    weigh(maker, "480 g")
    weigh(maker, "220 g")
    expect(maker.locator("#now")).to_have_count(0)
    other: Page = signed_in("owner", at=bench, viewport=TABLET)
    other.set_default_timeout(60_000)
    for page in (maker, other):
        page.goto("/batch-sheets/ENDS/finish")
        page.get_by_label("What came out").fill("990 g")
    both_press(maker, other, "Finish")
    said = [outcome(page) for page in (maker, other)]
    assert sorted(said) == ["refused", "told"], said
    second = (maker, other)[said.index("refused")]
    expect(second.get_by_role("alert")).to_contain_text(re.compile("finished"))
    maker.goto("/shelf?find=ENDS")
    expect(maker.get_by_role("main")).to_contain_text("990 g")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_two_sign_at_one_screen_by_their_pins(browser: Any, signed_in: SignedIn, bench: Served, scripts: bool) -> None:
    """The maker's tablet, handed over: each reading is theirs whose PIN was typed; the maker's rights are gone."""
    batch = "SHARED" if scripts else "UNLIT"
    for person, pin in (("helper", "2580"), ("owner", "8642")):
        sets_a_pin(signed_in(person, at=bench, java_script_enabled=scripts), pin)
    options = {"base_url": bench.url, "viewport": TABLET, "java_script_enabled": scripts}
    with browser.new_context(**options) as context:  # a session of its own: a shared one goes back to nobody's
        tablet: Page = context.new_page()
        tablet.set_default_timeout(60_000)
        sign_in(tablet, "maker")
        tablet.goto(f"/batch-sheets/{batch}/start")
        tablet.get_by_role("button", name="Start").click()
        tablet.get_by_role("link", name="Somebody else signs at this screen").click()
        chooses(tablet, "helper", "9999")
        expect(tablet.get_by_role("alert")).to_contain_text("4 more wrong tries")
        chooses(tablet, "helper", "2580")
        expect(tablet.locator("#who")).to_contain_text("At the bench: helper")
        expect(tablet.get_by_role("link", name="Finish")).to_have_count(0)
        weigh(tablet, "100 g")
        expect(tablet.locator("#told")).to_contain_text("went in")
        tablet.get_by_role("link", name="Change who is at the bench").click()
        chooses(tablet, "owner", "8642")
        weigh(tablet, "200 g")
        expect(row(tablet, "PLUM-OIL")).to_contain_text("helper")
        expect(row(tablet, "PLUM-OIL")).to_contain_text("owner")
        expect(row(tablet, "PLUM-OIL")).not_to_contain_text("maker")
        tablet.goto("/shelf")
        expect(tablet.get_by_role("heading", level=1)).to_have_text("Not at the bench")
        tablet.goto(f"/batch-sheets/{batch}")
        tablet.get_by_role("link", name="Change who is at the bench").click()
        tablet.get_by_role("button", name="owner leaves the bench").click()
        tablet.goto(f"/batch-sheets/{batch}")
        expect(tablet.get_by_role("button", name="It went in")).to_have_count(0)
        strip = tablet.locator("#who").bounding_box()
        assert strip is not None
        assert strip["x"] + strip["width"] <= TABLET["width"]
        tablet.get_by_label("Your name").select_option("helper")
        tablet.get_by_label("Your PIN").fill("2580")
        tablet.get_by_role("button", name="Sign here").click()
        tablet.get_by_role("button", name="Sign step 1").click()
        expect(tablet.get_by_role("listitem").filter(has_text="signed by")).to_contain_text("helper")


def sets_a_pin(page: Page, pin: str) -> None:
    page.set_default_timeout(60_000)
    page.goto("/workshop/myself")
    page.get_by_role("link", name=re.compile("Set a PIN|Another PIN")).click()
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_label("The PIN", exact=True).fill(pin)
    page.get_by_label("The PIN once more").fill(pin)
    page.get_by_role("button", name=re.compile("Set it|Change it")).click()
    expect(page.locator("#told")).to_contain_text("You sign at the bench with this PIN now")


def chooses(page: Page, name: str, pin: str) -> None:
    page.get_by_label("Your name").select_option(name)
    page.get_by_label("Your PIN").fill(pin)
    page.get_by_role("button", name="Sign here").click()


def both_press(one: Page, other: Page, button: str) -> None:
    """Both buttons pressed before either answer is waited for."""
    for page in (one, other):
        page.evaluate("document.body.dataset.before = 'yes'")
    for page in (one, other):
        page.get_by_role("button", name=button).evaluate("pressed => { setTimeout(() => pressed.click(), 0); }")


def outcome(page: Page) -> str:
    """What came of a press, on the page after it: "told" of what was done, or "refused"."""
    page.locator("body:not([data-before])").wait_for()
    page.locator("#told p, [role=alert]").first.wait_for()
    return "refused" if page.get_by_role("alert").count() else "told"
