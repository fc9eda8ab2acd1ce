"""axe (WCAG 2.2 A and AA) finds nothing on any page: in light, in dark, at 200 %; the console tells of no breach."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from planner.api.roles import ROLES
from planner.pages.access import PERMISSIONS
from tests.browser.conftest import SignedIn
from tests.browser.served import Served
from tests.planner.pages.house import shown_routes

RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}
_ADDRESSES = """
from tests.planner.pages.house import address, shown_routes
print("\\n".join(f"{route} {address(route)}" for route in shown_routes()))
"""


@pytest.fixture(scope="session")
def addresses(shop: Served) -> dict[str, str]:
    """The address of every page that can be looked at, in the served workshop."""
    said = shop.manage("shell", "-v0", "-c", _ADDRESSES)
    return dict(line.split(" ", 1) for line in said.splitlines() if " /" in line)


def violations(page: Page, rules: dict[str, Any] = RULES) -> list[str]:
    found: Any = Axe().run(page, options=rules)
    return [
        f"{one['id']}: {node['target']} {node['failureSummary']}"
        for one in found.response["violations"]
        for node in one["nodes"]
    ]


def is_page(page: Page, address: str) -> bool:
    """Whether a page stands at the address, not a file to be saved."""
    return "text/html" in page.request.head(address).headers.get("content-type", "")


@pytest.mark.parametrize("route", shown_routes())
def test_axe_finds_nothing(signed_in: SignedIn, addresses: dict[str, str], route: str) -> None:
    """In light, then in dark (where only colours differ), then at 200 %: 1280 pixels of window have room for 640."""
    page = signed_in("all")
    if not is_page(page, addresses[route]):
        return
    answer = page.goto(addresses[route])
    assert answer.ok, answer.status
    assert violations(page) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, COLOURS) == []
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": 640, "height": 450})
    assert violations(page) == []
    assert page.complaints == []


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


@pytest.mark.parametrize(
    "route", sorted({route for method, route in PERMISSIONS if method == "POST"} & {*shown_routes()})
)
def test_a_form_that_is_refused_is_in_order_too(signed_in: SignedIn, addresses: dict[str, str], route: str) -> None:
    """Each form, sent as it stands: where it is refused, the page says so and axe still finds nothing."""
    page = signed_in("all")
    page.goto(addresses[route])
    button = page.locator("main form[method=post] button:not([name=side])")
    if not button.count():
        return
    page.evaluate("document.querySelectorAll('main form').forEach(form => form.noValidate = true)")
    button.last.click()
    page.wait_for_load_state()
    assert violations(page) == []


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
