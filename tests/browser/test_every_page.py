"""axe (WCAG 2.2 A and AA) finds nothing on any page: in light, in dark, at 200 %; the console tells of no breach."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.base import AXE_FILE_PATH
from playwright.sync_api import Error, Page

from planner.api.roles import ROLES
from planner.pages.access import PERMISSIONS
from tests.browser.conftest import SignedIn, sign_in
from tests.browser.served import Served
from tests.planner.pages.house import shown_routes

AXE = AXE_FILE_PATH.read_text()
RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]},
    "resultTypes": ["violations"],
}
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast"]}, "resultTypes": ["violations"]}
DESK, AT_200_PERCENT = {"width": 1280, "height": 900}, {"width": 640, "height": 450}
_ADDRESSES = """
from django.contrib.auth import get_user_model
from planner.pins import set_pin
from tests.planner.pages.house import address, shown_routes
for name in ("helper", "maker"):
    set_pin(person=get_user_model().objects.get(username=name), pin="2580")
print("\\n".join(f"{route} {address(route)}" for route in shown_routes()))
"""


@pytest.fixture(scope="session")
def addresses(shop: Served) -> dict[str, str]:
    """The address of every page that can be looked at, in the served workshop, where two have a PIN."""
    said = shop.manage("shell", "-v0", "-c", _ADDRESSES)
    return dict(line.split(" ", 1) for line in said.splitlines() if " /" in line)


def violations(page: Page, rules: dict[str, Any] = RULES) -> list[str]:
    """What axe finds on the page as it stands. Wherever this window goes next, its script is there already."""
    if not page.evaluate("'axe' in window"):
        page.add_init_script(AXE)
        page.evaluate(AXE)
    found: list[str] = page.evaluate(_VIOLATIONS, rules)
    return found


# Told in words there: all that axe answers takes as long to bring over as to find.
_VIOLATIONS = """async rules => (await axe.run(document, rules)).violations.flatMap(
    one => one.nodes.map(node => `${one.id}: ${node.target} ${node.failureSummary}`))"""


def goes_to(page: Page, address: str) -> bool:
    """Go there; whether a page came. No file is opened, nor a picture by itself, to which a browser seeks an icon."""
    if urlsplit(address).path.endswith(".svg"):
        return False
    try:
        answer = page.goto(address)
    except Error as error:
        if "Download is starting" not in error.message:
            raise
        return False
    assert answer is not None
    assert answer.ok, (address, answer.status)
    return "text/html" in answer.headers["content-type"]


def test_axe_finds_nothing_on_any_page(signed_in: SignedIn, addresses: dict[str, str]) -> None:
    """In light, then in dark (where only colours differ), then at 200 %: 1280 pixels of window have room for 640."""
    page = signed_in("all")
    assert {*addresses} == {*shown_routes()}
    found: dict[str, list[str]] = {}
    looked_at = 0
    for route, address in addresses.items():
        page.emulate_media(color_scheme="light")
        page.set_viewport_size(DESK)
        if not goes_to(page, address):
            continue
        told = violations(page)
        page.emulate_media(color_scheme="dark")
        told += [f"dark: {one}" for one in violations(page, COLOURS)]
        page.emulate_media(color_scheme="light")
        page.set_viewport_size(AT_200_PERCENT)
        told += [f"at 200 %: {one}" for one in violations(page)]
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            told.append("at 200 %: the page is wider than the window")
        told += page.complaints
        page.complaints.clear()
        if told:
            found[route] = told
        looked_at += 1
    assert not found
    assert looked_at > 100


def test_what_is_wrong_would_be_found(signed_in: SignedIn) -> None:
    """The control: a picture without words and grey on grey for axe, a style in the page for the policy."""
    page = signed_in("all")
    page.goto("/shelf")
    page.evaluate("""() => {
        document.querySelector('main').insertAdjacentHTML('beforeend', '<img src="/static/planner/weight.svg">');
        document.querySelector('main').insertAdjacentHTML('beforeend', '<p style="color: red">in the page</p>');
    }""")
    assert any(told.startswith("image-alt") for told in violations(page))
    assert any("Content Security Policy" in said for said in page.complaints)


def test_axe_finds_nothing_before_signing_in(browser: Any, shop: Served) -> None:
    with browser.new_context(base_url=shop.url) as context:
        page = context.new_page()
        for address in ("/", "/sign-in"):
            page.goto(address)
            assert violations(page) == [], address


def test_a_form_that_is_refused_is_in_order_too(signed_in: SignedIn, addresses: dict[str, str]) -> None:
    """Each form, sent as it stands: where it is refused, the page says so and axe still finds nothing."""
    page = signed_in("all")
    found: dict[str, list[str]] = {}
    sent = 0
    for route in sorted({route for method, route in PERMISSIONS if method == "POST"} & {*shown_routes()}):
        if route in HANDS_OVER:
            continue
        page.goto(addresses[route])
        button = page.locator("main form[method=post] button:not([name=side])")
        if not button.count():
            continue
        page.evaluate("document.querySelectorAll('main form').forEach(form => form.noValidate = true)")
        button.last.click()
        page.wait_for_load_state()
        told = violations(page)
        if told:
            found[route] = told
        sent += 1
    assert not found
    assert sent > 40


HANDS_OVER = {"bench"}  # sent, it makes the session a shared one: it has a test of its own


def test_axe_finds_nothing_at_a_shared_screen(browser: Any, shop: Served, addresses: dict[str, str]) -> None:
    """Names to choose from, a wrong PIN, the sheet with somebody chosen and with nobody, what is not reached."""
    with browser.new_context(base_url=shop.url) as context:
        page = context.new_page()
        sign_in(page, "maker")
        said = {}
        page.goto("/bench")
        page.get_by_label("Your name").select_option("maker")
        page.get_by_label("Your PIN").fill("9999")
        page.get_by_role("button", name="Sign here").click()
        page.get_by_role("alert").wait_for()
        said["wrong"] = violations(page)
        page.get_by_label("Your PIN").fill("2580")
        page.get_by_role("button", name="Sign here").click()
        page.locator("#told p").wait_for()
        for name, address in (("chosen", addresses["batch"]), ("change", "/bench"), ("refused", "/shelf")):
            page.goto(address)
            said[name] = violations(page)
        page.goto("/bench")
        page.get_by_role("button", name="leaves the bench").click()
        page.goto(addresses["batch"])
        page.emulate_media(color_scheme="dark")
        page.set_viewport_size(AT_200_PERCENT)
        page.get_by_label("Your PIN").wait_for()
        said["nobody"] = violations(page)
        assert not {name: told for name, told in said.items() if told}


@pytest.mark.parametrize("role", ROLES)
def test_every_role_finds_its_first_page(signed_in: SignedIn, role: str) -> None:
    page = signed_in(role)
    page.goto("/")
    assert page.locator("h1").count() == 1
    assert page.locator("header nav a[aria-current=page]").count() == 1


def test_the_page_is_left_by_keyboard(signed_in: SignedIn) -> None:
    """The first stop leads past the words of the navigation, and every stop shows where it is."""
    page = signed_in("all")
    page.goto("/shelf")
    page.keyboard.press("Tab")
    assert page.locator(":focus").inner_text() == "Skip to the page"
    page.keyboard.press("Enter")
    assert page.locator(":focus").get_attribute("id") == "main"
