"""Every page by keyboard alone: past the navigation, from stop to stop with the focus in sight, and its main act done.

What came of an act is said where a screen reader listens: in a live region, or in an alert that has the refusal.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import SignedIn, sign_in
from tests.browser.served import PASSWORD, Served, serve_copy
from tests.browser.small_workshop import CUSTOMER, MARKET, stocked, tables, workbook
from tests.browser.test_every_page import addresses, goes_to

__all__ = ["addresses"]  # a fixture

MOST_STOPS = 400
STOPS_OF_A_PAGE = 45
PARTS_OF_A_STOP = 8
TODAY = datetime.now(tz=UTC).date()


# --- every page: where the keys lead ------------------------------------------------------------------------


def test_every_page_is_walked_by_the_tab_key(signed_in: SignedIn, addresses: dict[str, str]) -> None:
    """The first stop skips to the page; from there each stop is in sight, in the page's order, and none is left out.

    A browser sends no form while a required input is empty: none of a list's spare lines may have one.
    """
    page: Page = signed_in("all")
    page.set_default_timeout(30_000)
    wrong: dict[str, list[str]] = {}
    spare: dict[str, list[str]] = {}
    walked = 0
    for route, address in addresses.items():
        if not goes_to(page, address):
            continue
        required = required_and_empty(page)
        if required:
            spare[route] = required
        found = _walk(page)
        if found:
            wrong[route] = found
        walked += 1
    assert walked > 20
    assert not wrong
    assert not spare


def _walk(page: Page) -> list[str]:
    skip = page.locator("a.skip")
    if not skip.count():
        return []  # a page of a package's own, such as that of the schema
    page.evaluate("document.activeElement && document.activeElement.blur()")
    page.evaluate("document.body.tabIndex = -1; document.body.focus(); document.body.removeAttribute('tabindex')")
    page.keyboard.press("Tab")
    if not is_focused(skip):
        return ["the first stop is not the link that skips to the page"]
    if not page.evaluate(_SHOWS_FOCUS):
        return ["the link that skips to the page is not in sight"]
    page.keyboard.press("Enter")
    if page.locator(":focus").get_attribute("id") != "main":
        return ["the link does not skip to the page"]
    stops = page.evaluate(_STOPS)
    found = []
    for at, name in enumerate(stops[:STOPS_OF_A_PAGE]):
        here, shows = None, False
        for _ in range(PARTS_OF_A_STOP):  # a day has a part for day, month, year and calendar
            page.keyboard.press("Tab")
            here, shows = page.evaluate(f"[document.activeElement.dataset.stop, ({_SHOWS_FOCUS})()]")
            if here != str(at - 1):
                break
        if here != str(at):
            return [f"after stop {at} ({name}) the keys led to {here}"]
        if not shows:
            found.append(f"stop {at} ({name}) does not show that it has the focus")
    return found


def is_focused(what: Locator) -> bool:
    return bool(what.evaluate("one => one === document.activeElement"))


# Numbers all that may be reached in the page, in its order; their names.
_STOPS = """() => {
    const all = 'a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex="0"]';
    const main = document.querySelector('main');
    const open = Array.from(main.querySelectorAll(all)).filter(one => !one.disabled && one.getClientRects().length
        && getComputedStyle(one).visibility !== 'hidden'
        && !(one.closest('details:not([open])') && !one.matches('summary')));
    open.forEach((one, at) => { one.dataset.stop = at; });
    const named = one => one.getAttribute('aria-label') || one.innerText || one.name || '';
    return open.map(one => `${one.tagName.toLowerCase()} ${named(one)}`.slice(0, 60));
}"""
# The focused thing lies in the window and is drawn otherwise than without the focus: a ring of at least two pixels.
_SHOWS_FOCUS = """() => {
    const one = document.activeElement, box = one.getBoundingClientRect(), style = getComputedStyle(one);
    const inside = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
    return inside && style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
}"""


def required_and_empty(page: Page) -> list[str]:
    """The inputs of spare lines that would hold their form up."""
    found: list[str] = page.locator("main form").evaluate_all(_REQUIRED_AND_EMPTY)
    return found


def test_a_spare_line_that_holds_its_form_up_would_be_found(signed_in: SignedIn) -> None:
    page: Page = signed_in("all")
    page.set_content("<main><form><input name='lines[0].item'><input name='lines[0].amount' required></form></main>")
    assert required_and_empty(page) == ["lines[0].amount"]


# A line that the page filled in part is no spare one: what stood at a stall is to be counted.
_REQUIRED_AND_EMPTY = """forms => forms.flatMap(form => {
    const all = Array.from(form.elements).filter(one => one.name && one.name.includes(']'));
    const line = one => one.name.slice(0, one.name.indexOf(']'));
    const begun = new Set(all.filter(one => one.value && one.type !== 'checkbox').map(line));
    return all.filter(one => one.required && !one.value && !begun.has(line(one))).map(one => one.name);
})"""


def test_a_stop_without_a_ring_would_be_found(signed_in: SignedIn) -> None:
    page: Page = signed_in("all")
    page.goto("/shelf")
    page.evaluate("Array.from(document.querySelectorAll('main a')).forEach(one => { one.tabIndex = -1; })")
    assert any("the keys led to" in told for told in _walk(page))


# --- main acts, by Tab, Enter, Space, arrows and letters alone ----------------------------------------------


class Keys:
    """A person at a keyboard: ``to`` presses Tab until the thing has the focus, and sees that it has."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def to(self, what: Locator) -> Keys:
        what.first.wait_for()
        for _ in range(MOST_STOPS):
            if is_focused(what.first):
                break
            self.page.keyboard.press("Tab")
        assert is_focused(what.first), f"the Tab key does not lead to {what}"
        assert self.page.evaluate(_SHOWS_FOCUS), f"{what} has the focus and does not show it"
        return self

    def to_field(self, label: str) -> Keys:
        return self.to(self.page.get_by_label(label))

    def types(self, text: str) -> Keys:
        """Over what stands there."""
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)
        return self

    def chooses(self, words: str) -> Keys:
        """Of a list that has the focus, the first that begins so."""
        self.page.keyboard.type(words)
        return self

    def presses(self, *keys: str) -> Keys:
        for key in keys:
            self.page.keyboard.press(key)
        return self

    def follows(self, name: str | re.Pattern[str]) -> Keys:
        return self.to(self.page.get_by_role("link", name=name)).presses("Enter")

    def pushes(self, name: str | re.Pattern[str], key: str = "Enter") -> Keys:
        return self.to(self.page.get_by_role("button", name=name)).presses(key)

    def hears(self, words: str | re.Pattern[str]) -> Keys:
        """It is said in the live region that every page has."""
        region = self.page.locator("[role=status][aria-live=polite]#told")
        expect(region).to_contain_text(words)
        return self


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory, staffed_workshop: Path) -> Iterator[Served]:
    """The small workshop, stocked, with a batch, something wanted by a shop and something expected at a market."""
    folder = tmp_path_factory.mktemp("keys")
    with serve_copy(staffed_workshop, folder) as served:
        given = stocked(TODAY, ["KEYS", "MOVED", "PAPER"]) | {"demands": tables(TODAY)["demands"]}
        soon = (TODAY + timedelta(days=10)).isoformat()
        given["demands"][1].append(["ELBOW-TIN", "200 pc", soon, CUSTOMER, "HZ-9"])
        head, rows = given["lots"]
        tins = ["ELBOW-TIN", "ET-1", "60 pc", "released", f"{TODAY.year + 1}-10", "shelf"]
        waiting = ["ELBOW-BALM", "EB-1", "400 g", "quarantine", f"{TODAY.year + 1}-10", "shelf"]
        held = [["ELBOW-BALM", lot, "100 g", "held", f"{TODAY.year + 1}-10", "shelf"] for lot in ("EB-2", "EB-4")]
        studied = ["ELBOW-BALM", "EB-3", "2 kg", "quarantine", f"{TODAY.year + 1}-10", "shelf"]
        given["lots"] = (head, [*rows, tins, waiting, *held, studied])
        served.manage("load", str(workbook(folder / "tables.xlsx", given)))
        yield served


@pytest.fixture
def keys(signed_in: SignedIn, bench: Served) -> Keys:
    page: Page = signed_in("all", at=bench)
    page.set_default_timeout(30_000)
    expect.set_options(timeout=30_000)
    return Keys(page)


def test_signing_in(browser: Any, bench: Served) -> None:
    with browser.new_context(base_url=bench.url) as context:
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.goto("/sign-in")
        Keys(page).to_field("Name").types("viewer").to_field("Password").types(PASSWORD).presses("Enter")
        page.wait_for_url(lambda url: "/sign-in" not in url)


def test_the_week_is_planned(keys: Keys) -> None:
    keys.page.goto("/week")
    keys.follows("Plan a batch")
    keys.to_field("Formula").chooses("Elbow balm")
    keys.to_field("Size (what goes in)").types("500 g").pushes("Plan it").hears("is planned for")


def test_a_batch_is_moved_after_a_look(keys: Keys) -> None:
    keys.page.goto("/week/batch/MOVED")
    keys.to_field("Size (what goes in)").types("2 kg").pushes("See what that does")
    expect(keys.page.get_by_role("status").filter(has_text="If that is saved")).to_be_visible()
    keys.pushes("Save").hears("MOVED is planned anew")


def test_a_proposal_is_accepted(keys: Keys) -> None:
    keys.page.goto("/orders/to-order")
    if not keys.page.get_by_role("checkbox").count():
        keys.page.goto("/week")
    keys.to(keys.page.get_by_role("checkbox").first).presses("Space")
    expect(keys.page.get_by_role("checkbox").first).to_be_checked()
    keys.pushes(re.compile("Order what is ticked|Accept what is ticked")).hears(re.compile("written down|Accepted"))


def test_a_batch_is_made(keys: Keys) -> None:
    """Set aside, started, weighed, signed, looked at, finished: from the sheet, without a mouse."""
    page = keys.page
    page.goto("/week/batch/KEYS")
    keys.follows("Set stock aside").pushes("Set it aside").hears("set aside for batch KEYS")
    page.goto("/batch-sheets/KEYS")
    keys.follows("Start").pushes("Start").hears("is started")
    for reading in ("300 g", "480 g", "220 g"):
        keys.to_field("Reading of the scale").types(reading).presses("Enter").hears("went in")
    keys.pushes("Sign step 1").hears("Step 1 is signed")
    keys.to_field("What Look showed").types("yes").presses("Enter").hears("passed")
    keys.follows("Finish").to_field("What came out").types("990 g").pushes("Finish").hears("KEYS is finished")


def test_a_lot_is_released_and_held(keys: Keys) -> None:
    keys.page.goto("/decisions")
    row = keys.page.get_by_role("region", name="Waiting for a word").get_by_role("row").filter(has_text="EB-1")
    keys.to(row.get_by_role("link", name="Release")).presses("Enter")
    keys.to_field("Why").types("smells as it should").pushes("Release")
    expect(keys.page.locator("#told")).not_to_be_empty()
    keys.page.goto("/shelf/lot/ELBOW-BALM/EB-1/hold")
    keys.to_field("Why").types("a doubt").pushes("Hold")
    expect(keys.page.locator("#told")).not_to_be_empty()


def test_the_shelf_is_searched_and_a_lot_moved(keys: Keys) -> None:
    keys.page.goto("/shelf")
    keys.to_field("Find by").types("RW-1").presses("Enter")
    keys.follows("RW-1").follows("Move")
    keys.to(keys.page.get_by_label(re.compile("^To|Where"))).types("cold room")
    keys.pushes(re.compile("Move"))
    expect(keys.page.locator("#told")).not_to_be_empty()


def test_the_shelf_is_counted(keys: Keys) -> None:
    keys.page.goto("/shelf/count")
    line = keys.page.get_by_role("group", name=re.compile("1$"))
    keys.to(line.get_by_label("Item")).types("RICE-WAX")
    keys.to(line.get_by_label("How much")).types("120 g").pushes("Put it on the books").hears("On the books: 1 lot")


def test_a_refusal_is_said_and_leads_to_its_field(keys: Keys) -> None:
    keys.page.goto("/week/plan")
    keys.to_field("Formula").chooses("Elbow balm")
    keys.to_field("Size (what goes in)").types("much of it").pushes("Plan it")
    alert = keys.page.get_by_role("alert")
    expect(alert).to_contain_text("Nothing was changed")
    keys.to(alert.get_by_role("link").first).presses("Enter")
    assert is_focused(keys.page.get_by_label("Size (what goes in)"))


def test_what_is_wanted_is_written_down_and_sent(keys: Keys) -> None:
    keys.page.goto("/orders/wanted")
    keys.follows("Write down what is wanted")
    keys.to(keys.page.locator("[name=item]")).types("ELBOW-TIN")
    keys.to_field("How many, or how much").types("3 pc")
    keys.to_field("By which day")
    keys.page.keyboard.type(next_twin_day().strftime("%d%m%Y"))
    keys.pushes("Write it down")
    expect(keys.page.locator("#told")).not_to_be_empty()
    keys.page.goto("/orders/wanted")
    keys.follows(re.compile(r"^Send ELBOW-TIN to ")).pushes("It leaves")
    expect(keys.page.locator("#told")).not_to_be_empty()


def next_twin_day() -> date:
    """The next whose day and month are the same number: typed alike whichever a browser asks for first."""
    months = ((TODAY.month - 1 + after, TODAY.year) for after in range(14))
    days = (date(year + month // 12, month % 12 + 1, month % 12 + 1) for month, year in months)
    return next(day for day in days if day > TODAY)


def test_a_market_out_and_back(keys: Keys) -> None:
    keys.page.goto("/orders/market")
    keys.follows(re.compile(f"Pack for .*{MARKET}")).pushes("It goes to the stall").hears(f"went to {MARKET}")
    keys.follows(f"Back from {MARKET}")
    keys.to(keys.page.get_by_label("Sold", exact=True)).types("6")
    keys.to(keys.page.get_by_label("Came back")).types("2").pushes("Put it on the books").hears("What was sold")


def test_a_lot_is_traced_and_what_is_affected_held(keys: Keys) -> None:
    keys.page.goto("/trace")
    keys.to(keys.page.get_by_label(re.compile("Lot numbers"))).types("ET-1").pushes("Trace")
    expect(keys.page.get_by_role("heading", level=1)).to_contain_text("ET-1")
    keys.follows("Hold everything affected").to_field("Why").types("a letter").pushes("Hold them all").hears("decided")


def test_a_formula_is_drafted(keys: Keys) -> None:
    keys.page.goto("/formulas/new")
    keys.to_field("Code of the formula").types("ROLL-ON")
    keys.to_field("What it makes").types("ELBOW-BALM")
    keys.to_field("Written").chooses("by percent")
    keys.to(keys.page.locator("[name='lines[0].item']")).types("PLUM-OIL")
    keys.to(keys.page.locator("[name='lines[0].amount']")).types("90")
    keys.to(keys.page.locator("[name='lines[1].item']")).types("RICE-WAX")
    keys.to(keys.page.locator("[name='lines[1].amount']")).types("qs")
    keys.pushes("Save the draft")
    expect(keys.page.locator("#told")).not_to_be_empty()


def test_the_day_is_looked_at(keys: Keys) -> None:
    """The Day sheet: all that is due, and back to what is for me."""
    keys.page.goto("/day?everything=yes")
    keys.follows(re.compile("Only what is for me|Everything that is due"))
    expect(keys.page.get_by_role("heading", level=1)).to_be_visible()


def test_a_sheet_filled_by_pen_is_typed_in(keys: Keys) -> None:
    keys.page.goto("/batch-sheets/PAPER/start")
    keys.pushes("Start").hears("is started")
    keys.follows("Type in from paper")
    keys.to(keys.page.locator("[name='readings[0].quantity']")).types("100 g")
    keys.pushes("Take it in").hears("1 entry of the paper sheet is taken in")


def test_a_notice_is_put_off_and_one_is_done(keys: Keys, bench: Served) -> None:
    """Held lots are told of by what looks at causes; here it is asked to look at once."""
    bench.manage(
        "shell", "-v0", "-c", "from planner.notices.looking import begin, look_at; look_at(begin(), 'lot_held')"
    )
    keys.page.goto("/day?everything=yes")
    keys.to(keys.page.get_by_role("link", name=re.compile("^Put off or read more: .*EB-2"))).presses("Enter")
    keys.to(keys.page.get_by_label("Until")).page.keyboard.type(next_twin_day().strftime("%d%m%Y"))
    keys.to_field("Why").types("the supplier is asked").pushes("Put it off").hears("Put off until")
    keys.page.goto("/day?everything=yes")
    keys.to(keys.page.get_by_role("button", name=re.compile("^Done: .*EB-4"))).presses("Space").hears("Done:")


def test_a_study_is_begun_and_its_first_pull_looked_at(keys: Keys) -> None:
    keys.page.goto("/decisions/studies/start")
    keys.to_field("Item").types("ELBOW-BALM").to_field("Lot, our number").types("EB-3")
    keys.to_field("One sample").types("2 g").to(keys.page.locator("[name=study]")).types("ST-KEYS")
    keys.pushes("Begin").hears("ST-KEYS is begun")
    keys.page.goto("/decisions/studies/ST-KEYS/pulls/1")
    keys.to(keys.page.locator("[name='readings[0].value']")).types("yes")
    keys.to_field("Remark").types("looked at the day it began").pushes("Record")
    expect(keys.page.locator("#told")).not_to_be_empty()


def test_a_supplier_is_written_down_and_offers_a_pack(keys: Keys) -> None:
    keys.page.goto("/orders/parties/new")
    keys.to_field("Code").types("DALEND").to_field("Name").types("Dalend Jars")
    keys.to(keys.page.locator("[name=role]")).chooses("supplier").pushes("Write it down").hears("is written down")
    keys.follows("Write an offer down")
    keys.to(keys.page.locator("[name=item]")).types("TIN-40")
    keys.to(keys.page.locator("[name=pack]")).types("100 pc")
    keys.to(keys.page.locator("[name=lead_time_days]")).types("5").pushes("Write it down").hears("is written down")


def test_the_workshop_s_own_pages(keys: Keys) -> None:
    """A person with a link, a setting, a job of upkeep that is done, a kind of notices."""
    page = keys.page
    page.goto("/workshop")
    keys.follows(re.compile("^People")).follows("Add a person")
    keys.to_field("Signs in as").types("ida").to(page.locator("[name=helper]")).presses("Space")
    keys.pushes("Add them").hears("ida is one of the workshop now").pushes("Make the link")
    expect(page.locator(".secret")).to_contain_text("/password/")
    page.goto("/workshop/settings")
    keys.to_field("Somebody at a shared screen stays chosen for").types("30").pushes("Write them down")
    keys.hears("as you wrote them")
    page.goto("/workshop/upkeep/new")
    keys.to_field("Code").types("SCALE").to_field("What is to be done").types("Check the scale")
    keys.pushes("Write it down").hears("written down")
    keys.follows(re.compile("Done|done")).to_field("What was found").types("reads 20.00 g").pushes("It is done")
    keys.hears("Check the scale: done")
    page.goto("/workshop/notices")
    keys.follows("Change Held lots").to_field("Told so many days").types("3").pushes("Write it down")
    keys.hears("Held lots: as you wrote it")


def test_somebody_signs_at_a_shared_screen(browser: Any, signed_in: SignedIn, bench: Served) -> None:
    own = Keys(signed_in("helper", at=bench))
    own.page.goto("/workshop/myself")
    own.follows("Set a PIN").to_field("Your password").types(PASSWORD)
    own.to(own.page.get_by_label("The PIN", exact=True)).types("2580").to_field("The PIN once more").types("2580")
    own.pushes("Set it").hears("You sign at the bench")
    with browser.new_context(base_url=bench.url) as context:  # a session of its own: it stays the bench's
        page = context.new_page()
        page.set_default_timeout(30_000)
        sign_in(page, "maker")
        page.goto("/batch-sheets/PAPER")
        keys = Keys(page).follows("Somebody else signs at this screen, by a PIN")
        keys.to_field("Your name").chooses("helper").to_field("Your PIN").types("2580").presses("Enter")
        keys.hears("At the bench: helper")
        expect(page.locator("#who")).to_contain_text("At the bench: helper")
        keys.follows("Change who is at the bench").pushes("helper leaves the bench").hears("Nobody is chosen now")
