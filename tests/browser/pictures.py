"""The README's pictures, of the demo's workshop: ``python -m tests.browser.pictures`` makes them anew in ``.pictures``.

Needs the test extra and Debian's Chromium. Each picture is a window of the page itself, in few colours to stay small.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import re
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import CHROMIUM, sign_in
from tests.browser.served import ROOT, make_workshop, serve

FOLDER = ROOT / ".pictures"
WIDTH = 1320
MOST_BYTES = 120_000
COLOURS = 48


def week_sheet(page: Page) -> None:
    """Next week: what is planned and covered, what would have to start."""
    page.goto("/week")
    page.get_by_role("link", name="Week after").click()


def batch_sheet(page: Page) -> None:
    """A batch under way, its first line weighed, the next one enlarged."""
    page.goto("/week")
    page.get_by_role("link", name="Week after").click()
    page.locator("a.making.covered").first.click()
    page.get_by_role("link", name="Set stock aside").click()
    page.get_by_role("button", name="Set it aside").click()
    number = page.locator("h1 .code").inner_text()
    page.goto(f"/batch-sheets/{number}/start")
    page.get_by_role("button", name="Start").click()
    weigh_current(page)


def weigh_current(page: Page) -> None:
    """The reading that the sheet asks for, exactly."""
    wanted = page.locator("#now .wanted").inner_text()
    page.get_by_label("Reading of the scale").fill(wanted)
    page.get_by_role("button", name="It went in").click()


def shelf(page: Page) -> None:
    page.goto("/shelf")


def trace(page: Page) -> None:
    """Forward from the supplier's lot that the demo's recall is about."""
    page.goto("/trace?lot=SM+2281")


PICTURES = {"week-sheet": week_sheet, "batch-sheet": batch_sheet, "shelf": shelf, "trace": trace}
HEIGHTS = {"week-sheet": 860, "batch-sheet": 1000, "shelf": 860, "trace": 1000}


def palette(png: bytes) -> bytes:
    """The same picture in few colours: a page is paper, ink and a few stamps."""
    kept = io.BytesIO()
    with Image.open(io.BytesIO(png)) as picture:
        picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(kept, "PNG", optimize=True)
    return kept.getvalue()


def picture_of(page: Page, name: str) -> bytes:
    page.set_viewport_size({"width": WIDTH, "height": HEIGHTS[name]})
    PICTURES[name](page)
    page.evaluate("document.activeElement && document.activeElement.blur(); window.scrollTo(0, 0)")
    page.wait_for_function("Array.from(document.images).every(one => one.complete)")
    return palette(page.screenshot())


def make(folder: Path, names: list[str]) -> dict[str, int]:
    """Write the pictures; their sizes in bytes. Raises SystemExit where one is too large for a README."""
    folder.mkdir(exist_ok=True)
    sizes = {}
    with contextlib.ExitStack() as until_made:
        workshop = Path(until_made.enter_context(tempfile.TemporaryDirectory())) / "workshop.sqlite3"
        make_workshop(workshop, demo=True)
        shop, play = until_made.enter_context(serve(workshop)), until_made.enter_context(sync_playwright())
        browser: Any = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(base_url=shop.url, locale="en-GB", color_scheme="light")
        context.set_default_timeout(60_000)
        page = context.new_page()
        sign_in(page, "all")
        for name in names:
            png = picture_of(page, name)
            if len(png) > MOST_BYTES:
                raise SystemExit(f"{name}.png has {len(png)} bytes, more than {MOST_BYTES}")
            (folder / f"{name}.png").write_bytes(png)
            sizes[name] = len(png)
        browser.close()
    return sizes


def main() -> None:
    reader = argparse.ArgumentParser(description="Make the README's pictures of the demo's workshop anew.")
    reader.add_argument("names", nargs="*", help=f"which: {', '.join(PICTURES)}; all where none is named")
    reader.add_argument("--into", type=Path, default=FOLDER, help="the folder they are written to")
    asked = reader.parse_args()
    wrong = [name for name in asked.names if name not in PICTURES]
    if wrong:
        reader.error(f"no picture {', '.join(wrong)}; there are {', '.join(PICTURES)}")
    for name, size in make(asked.into, asked.names or list(PICTURES)).items():
        print(re.sub(r"\B(?=(\d{3})+$)", ",", str(size)).rjust(9), f"bytes  {name}.png")


if __name__ == "__main__":
    main()
