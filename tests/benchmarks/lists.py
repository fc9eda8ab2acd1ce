"""List endpoints of 100 rows beside the bare query plus JSON: ``python -m tests.benchmarks.lists``.

Fills the empty database that --database names (or uses one that this size filled before). The bar holds for the
view: dispatch, reading the query, the rows as columns, the page, the JSON; the least of many turns beside the least of
the bare query, which is the same statements given to the driver by themselves, and the page's JSON written again. The
whole request in one process stands beside it: middleware, session and roles cost the same whatever is listed.
"""

from __future__ import annotations

import argparse
import json
import sys

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
from tests.benchmarks.sizes import SIZES

SEED = 1
BAR = 3.0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.lists", description=__doc__)
    parser.add_argument("--size", choices=SIZES, default="tiny")
    parser.add_argument("--database", metavar="URL", required=True)
    parser.add_argument("--times", type=int, default=301)
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    size, environment = SIZES[asked.size], environment_for(asked.database)
    say(f"filling {size.name} ...")
    run_module("tests.benchmarks.fill", size.name, str(SEED), environment=environment)
    measured = json.loads(run_module("tests.benchmarks.lists_inside", str(asked.times), environment=environment))
    figures = [machine_figure()]
    for address, found in measured.items():
        times, median = (found[f"view{kind}_s"] / found[f"bare{kind}_s"] for kind in ("", "_median"))
        barred = size.name == "medium" and found["rows"] == 100
        figures.append(
            Figure(
                f"`{address}`",
                f"{found['view_s'] * 1000:.2f} ms",
                f"{times:.2f} x the bare query and JSON ({found['bare_s'] * 1000:.2f} ms), medians {median:.2f} x; "
                f"{found['rows']} rows; whole request {found['whole_s'] * 1000:.2f} ms, {found['queries']} queries",
                *((f"{BAR:g} x", times <= BAR) if barred else ()),
            )
        )
    print(table_of(figures))
    if asked.report:
        write_section("lists", told(size), figures, asked.database)
    return 0


if __name__ == "__main__":
    sys.exit(main())
