"""Every test here is slow, and is skipped where there is no Chromium. ``shop`` serves the demo once for the session;
``signed_in("maker")`` is a page of a browser in which that person has signed in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.browser.served import PASSWORD, Served, make_workshop, serve_copy
from tests.made_once import made_once

# The browser's loop goes on in its worker when these tests are over; those after them ask the database all the same.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

# Debian's Chromium. Its build without a screen has no windows to keep, and asks half as much of the processor.
CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium") or "/usr/bin/chromium"
HERE = Path(__file__).parent
SignedIn = Callable[..., Any]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    missing = pytest.mark.skip(reason="there is no Chromium here: apt-get install chromium")
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.slow)
            if not Path(CHROMIUM).exists():
                item.add_marker(missing)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": CHROMIUM, "args": ["--no-sandbox", "--disable-gpu"]}


@pytest.fixture(scope="session")
def staffed_workshop(tmp_path_factory: pytest.TempPathFactory, new_workshop: Path) -> Path:
    """The file of a new workshop in which everybody can sign in: to be copied."""
    make = partial(make_workshop, demo=False, begin_with=new_workshop)
    return made_once(tmp_path_factory, "staffed-workshop", make)


@pytest.fixture(scope="session")
def shop(tmp_path_factory: pytest.TempPathFactory, new_workshop: Path) -> Iterator[Served]:
    """The demo's workshop, served once for all tests of the session; they must not depend on each other's acts."""
    made = made_once(tmp_path_factory, "demo", partial(make_workshop, demo=True, begin_with=new_workshop))
    with serve_copy(made, tmp_path_factory.mktemp("shop")) as served:
        yield served


@pytest.fixture(scope="session")
def kept_sessions() -> dict[tuple[str, str], Any]:
    return {}


@pytest.fixture
def signed_in(browser: Any, shop: Served, kept_sessions: dict[tuple[str, str], Any]) -> Iterator[SignedIn]:
    """``signed_in("maker", viewport={...}, java_script_enabled=False, color_scheme="dark")``: a page, signed in.

    Its ``complaints`` holds what the browser's console said of errors and of the content security policy.
    """
    contexts = []

    def open_page(person: str = "all", at: Served = shop, **options: Any) -> Any:
        options = {"base_url": at.url, "locale": "en-GB", "viewport": {"width": 1280, "height": 900}} | options
        kept = kept_sessions.get((at.url, person))
        context = browser.new_context(**options, storage_state=kept)
        context.set_default_timeout(60_000)
        contexts.append(context)
        page = context.new_page()
        page.complaints = []
        page.on("console", lambda said: page.complaints.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        if kept is None:
            sign_in(page, person)
            kept_sessions[at.url, person] = context.storage_state()
        return page

    yield open_page
    for context in contexts:
        context.close()


def sign_in(page: Any, person: str) -> None:
    page.goto("/sign-in")
    page.get_by_label("Name").fill(person)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/sign-in" not in url)
