"""The aggregated plan and full pegging beside the bare fetch: ``python -m tests.benchmarks.planning``.

Fills the empty database that --database names (or uses one that this size filled before), then measures in one
process, warm, medians: the driver's fetch of the same rows, as the plan takes them (in order of code; what they take in
no order stands beside), the aggregated plan (read, plan, write requirements as JSON), full pegging (read, plan with
what serves each need), and full pegging after an earlier plan and one write. Bars hold on PostgreSQL.
"""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from tests.benchmarks.report import (
    Figure,
    environment_for,
    is_sqlite,
    machine_figure,
    ratio,
    run_module,
    say,
    table_of,
    told,
    write_section,
)
from tests.benchmarks.sizes import SIZES, Size

SEED = 1
AGGREGATED_BAR, PEGGING_BAR, PEAK_BAR_MIB = 3.0, 4.0, 3 * 1024


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.planning", description=__doc__)
    parser.add_argument("--size", choices=SIZES, default="tiny")
    parser.add_argument("--database", metavar="URL", required=True)
    parser.add_argument("--times", type=int, default=7)
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    size, environment = SIZES[asked.size], environment_for(asked.database)
    say(f"filling {size.name} ...")
    run_module("tests.benchmarks.fill", size.name, str(SEED), environment=environment)
    say("measuring ...")
    measured = json.loads(run_module("tests.benchmarks.planning_inside", str(asked.times), environment=environment))
    figures = [machine_figure(), *figures_of(size, measured, barred=not is_sqlite(asked.database))]
    print(table_of(figures))
    if asked.report:
        write_section(f"planning {size.name}", told(size), figures, asked.database)
    return 0


def figures_of(size: Size, measured: dict[str, Any], *, barred: bool) -> list[Figure]:
    fetch = measured["fetch_s"]
    at_medium = barred and size.name == "medium"

    def beside(seconds: float, bar: float) -> tuple[str, str, bool | None]:
        times = seconds / fetch
        return f"{times:.2f} x", f"{bar:g} x" if at_medium else "", times <= bar if at_medium else None

    peak = measured["peak_mib"]
    return [
        Figure(
            "the bare fetch, in order of code",
            f"{fetch:.3f} s",
            f"{measured['rows']} rows, {measured['queries']} queries; in no order {measured['unordered_s']:.3f} s",
        ),
        Figure("read the snapshot", f"{measured['read_s']:.3f} s", f"{ratio(measured['read_s'], fetch)} x"),
        Figure(
            "aggregated plan: read, plan, write",
            f"{measured['aggregated_s']:.3f} s",
            *beside(measured["aggregated_s"], AGGREGATED_BAR),
        ),
        Figure(
            "full pegging: read, plan",
            f"{measured['pegging_s']:.3f} s",
            *beside(measured["pegging_s"], PEGGING_BAR),
        ),
        Figure(
            "full pegging after an earlier plan and one write",
            f"{measured['after_s']:.3f} s",
            f"{ratio(measured['after_s'], fetch)} x",
        ),
        Figure(
            "- for each need",
            f"{measured['pegging_s'] / measured['needs'] * 1e6:.2f} microseconds",
            f"{measured['needs']} needs, {measured['served'] / measured['needs']:.0%} in closed form",
        ),
        Figure("- the plan alone", f"{measured['net_s']:.3f} s", f"{ratio(measured['net_s'], fetch)} x"),
        Figure(
            "- the whole document besides",
            f"{measured['document_s']:.3f} s",
            f"{ratio(measured['document_s'], fetch)} x; rows made and written as JSON",
        ),
        Figure(
            "peak memory, document apart",
            f"{peak:.0f} MiB",
            "",
            *(("3 GiB", peak < PEAK_BAR_MIB) if barred and size.name == "large" else ()),
        ),
    ]


if __name__ == "__main__":
    sys.exit(main())
