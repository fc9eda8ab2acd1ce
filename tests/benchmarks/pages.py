"""Every page's server time, at the demo's size and at medium: ``python -m tests.benchmarks.pages``.

Lays the demo down in one SQLite database, fills medium in another, and opens every page of the rights table in both
as one who may do everything, warm: the median of several turns after nothing was written since it was last opened,
beside the statements that it gives to the driver, asked bare; and the median of several turns each after something
left the stock, which has the plan made anew that some pages stand on. The bars hold for both. ``--demo`` and
``--larger`` name databases that an earlier run filled.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from typing import Any

from tests.benchmarks.report import (
    Figure,
    environment_for,
    machine_figure,
    run_module,
    say,
    table_of,
    told,
    write_section,
)
from tests.benchmarks.sizes import FIRST_DAY, SIZES

SEED = 1
DEMO_BAR_MS, TIMES_BAR, WEIGHT_BAR_KB = 100.0, 3.0, 150.0
DEMO_DAY = "2027-03-10"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.pages", description=__doc__)
    parser.add_argument("--size", choices=SIZES, default="tiny", help="of the larger workshop")
    parser.add_argument("--demo", metavar="URL")
    parser.add_argument("--larger", metavar="URL")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    size = SIZES[asked.size]
    with tempfile.TemporaryDirectory(prefix="weighhouse-pages-") as folder:
        demo = environment_for(asked.demo or f"sqlite:///{folder}/demo.sqlite3")
        larger = environment_for(asked.larger or f"sqlite:///{folder}/larger.sqlite3")
        say("laying down the demo ...")
        run_module("tests.benchmarks.pages_inside", "lay-down", DEMO_DAY, environment=demo)
        say(f"filling {size.name} ...")
        run_module("tests.benchmarks.fill", size.name, str(SEED), environment=larger)
        say("opening every page ...")
        times = str(asked.times)
        small = json.loads(run_module("tests.benchmarks.pages_inside", "open", DEMO_DAY, times, environment=demo))
        large = json.loads(
            run_module("tests.benchmarks.pages_inside", "open", FIRST_DAY.isoformat(), times, environment=larger)
        )
    figures = [machine_figure(), *(figure_of(route, small[route], large.get(route)) for route in sorted(small))]
    print(table_of(figures))
    missed = [figure.what for figure in figures if figure.met is False]
    say(f"{len(figures) - 1} pages, {len(missed)} miss a bar: {', '.join(missed)}")
    if asked.report:
        write_section("pages", told(size), figures, asked.larger)
    return 0


def figure_of(route: str, small: dict[str, Any], large: dict[str, Any] | None) -> Figure:
    """Bars: 100 ms at the demo's size, three times that at medium, 150 kB over the wire at both."""
    shown = f"demo {_times(small)}"
    met = _slowest_ms(small) <= DEMO_BAR_MS and small["sent_kb"] <= WEIGHT_BAR_KB
    beside = f"{small['queries']} queries, {small['sent_kb']:.0f} kB"
    if large is not None:
        shown += f". Larger {_times(large)}"
        beside += f"; larger {large['queries']} queries, {large['sent_kb']:.0f} kB"
        met = met and _slowest_ms(large) <= TIMES_BAR * DEMO_BAR_MS and large["sent_kb"] <= WEIGHT_BAR_KB
    else:
        beside += "; nothing of its kind in the larger workload"
    return Figure(f"`{route}`", shown, beside, "100 ms, 300 ms, 150 kB", met)


def _times(figures: dict[str, Any]) -> str:
    warm, bare = figures["median_ms"], figures["bare_ms"]
    return f"{warm:.0f} ms, after a write {figures['anew_ms']:.0f} ms; warm {warm / bare:.0f} x bare ({bare:.1f} ms)"


def _slowest_ms(figures: dict[str, Any]) -> float:
    return max(figures["median_ms"], figures["anew_ms"])


if __name__ == "__main__":
    sys.exit(main())
