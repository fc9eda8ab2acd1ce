"""Measure the service at a named size: ``python -m tests.benchmarks --size medium --report``.

Fills a throwaway SQLite file (or the empty database that --database names) with the seeded workload, then
measures the command ``plan`` whole, and inside one process its parts, the trace and the verification. Exit
code 1 where an answer is wrong in kind; a bar that is missed is reported, not failed: the machine may be busy.

This process stays small and imports no Django: what it starts is measured, and a child's peak of memory is
never below its parent's.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.benchmarks.report import (
    REPORT,
    ROOT,
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
from tests.benchmarks.sizes import FIRST_DAY, SIZES, WEEKS, Size

SEED = 1
MIB = 1024 * 1024

# At medium size on SQLite.
PLAN_WALL_SECONDS = 5.0
PLAN_PEAK_MIB = 1024.0
TRACE_SECONDS = 0.050


@dataclass(frozen=True, slots=True)
class Whole:
    """One run of a command from start to end."""

    wall_s: float
    processor_s: float
    peak_mib: float
    output: Path


def main() -> int:
    asked = read_arguments()
    size = SIZES[asked.size]
    with tempfile.TemporaryDirectory(prefix="weighhouse-benchmark-") as folder:
        environment = environment_for(asked.database or f"sqlite:///{folder}/store.sqlite3")
        say(f"filling {size.name}: {size.items} items, {size.batches} batches, {size.lots} lots ...")
        run_module("tests.benchmarks.fill", size.name, str(SEED), environment=environment)
        wholes = []
        times = asked.times or (1 if size.name == "tiny" else 5)
        for number in range(times):
            say(f"plan, run {number + 1} of {times} ...")
            wholes.append(run_plan(Path(folder) / "plan.json", environment))
        plan = json.loads(wholes[-1].output.read_bytes())
        say("inside a process each ...")
        inside = {
            part: json.loads(run_module("tests.benchmarks.inside", size.name, part, environment=environment))
            for part in ("plan", "trace", "verify")
        }
    figures = [machine_figure(), *figures_of(size, wholes, inside, on_sqlite=is_sqlite(asked.database))]
    say("")
    print(table_of(figures))
    faults = faults_of(size, plan, inside)
    for fault in faults:
        print(f"WRONG: {fault}")
    if asked.report and not faults:
        write_section(size.name, told(size), figures, asked.database)
    return 1 if faults else 0


def read_arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--size", choices=SIZES, default="tiny")
    parser.add_argument("--database", metavar="URL", help="an empty database, or one that this size filled before")
    parser.add_argument(
        "--times", type=int, help="runs of the whole command, the best counts (default: 1 at tiny, else 5)"
    )
    parser.add_argument("--report", action="store_true", help=f"write {REPORT.name} beside this file")
    return parser.parse_args()


def run_plan(output: Path, environment: dict[str, str]) -> Whole:
    """``manage.py plan --json`` as a person starts it: the clock runs from the start of the interpreter."""
    command = [
        *(sys.executable, "manage.py", "plan", "--json"),
        *("--from", FIRST_DAY.isoformat(), "--weeks", str(WEEKS)),
    ]
    with output.open("wb") as file:
        begun = time.perf_counter()
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=file)
        _, status, used = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit("plan failed")
    peak_bytes = used.ru_maxrss if sys.platform == "darwin" else used.ru_maxrss * 1024
    return Whole(wall_s, used.ru_utime + used.ru_stime, peak_bytes / MIB, output)


# What the figures say


def figures_of(size: Size, wholes: list[Whole], inside: dict[str, Any], *, on_sqlite: bool) -> list[Figure]:
    plan, trace, verify = inside["plan"], inside["trace"], inside["verify"]
    wall = min(whole.wall_s for whole in wholes)
    peak = max(whole.peak_mib for whole in wholes)
    processor = min(whole.processor_s for whole in wholes)
    parts = sum(plan[part] for part in ("snapshot_s", "engine_s", "json_s"))
    barred = size.name == "medium" and on_sqlite
    return [
        Figure(
            "`plan --json` whole, wall",
            f"{wall:.2f} s",
            f"best of {len(wholes)}",
            *(("5 s", wall < PLAN_WALL_SECONDS) if barred else ()),
        ),
        Figure("- the same, processor", f"{processor:.2f} s"),
        Figure(
            "- peak memory",
            f"{peak:.0f} MiB",
            "",
            *(("1 GiB", peak < PLAN_PEAK_MIB) if barred else ()),
        ),
        Figure("- start, imports, writing, end", f"{max(0, processor - parts):.2f} s", "whole less the parts"),
        Figure(
            "- read the snapshot",
            f"{plan['snapshot_s']:.2f} s",
            f"{ratio(plan['snapshot_s'], plan['fetch_s'])} x the bare fetch of {plan['rows']} rows "
            f"({plan['fetch_s']:.2f} s)",
        ),
        Figure(
            "- engine",
            f"{plan['engine_s']:.2f} s",
            f"{plan['lines']} lines: {plan['lines_covered']} covered, {plan['lines_expected']} expected, "
            f"{plan['lines_short']} short; {plan['make']} make, {plan['buy']} buy",
        ),
        Figure(
            "- write the JSON",
            f"{plan['json_s']:.2f} s",
            f"{plan['json_length'] / 1e6:.1f} MB, {plan['passed_over']} lots passed over",
        ),
        Figure(
            f"trace of {trace['lots']} lots, warm",
            f"{trace['median_s'] * 1000:.1f} ms",
            f"{ratio(trace['median_s'], trace['probes_s'])} x one index probe a lot "
            f"({trace['probes_s'] * 1000:.1f} ms), {ratio(trace['median_s'], trace['fetch_s'])} x the bare fetch; "
            f"{trace['links']} links, {trace['dispatches']} dispatches, {trace['queries']} queries",
            *(("50 ms", trace["median_s"] < TRACE_SECONDS) if barred else ()),
        ),
        Figure(
            "- the same, processor",
            f"{trace['processor_s'] * 1000:.1f} ms",
            f"in a process that has made this plan before: {plan['trace_after']['processor_s'] * 1000:.1f} ms",
        ),
        Figure(
            f"verify {verify['movements']} movements",
            f"{verify['verify_s']:.3f} s",
            f"{ratio(verify['verify_s'], verify['scan_s'])} x one summing scan ({verify['scan_s']:.3f} s)",
        ),
    ]


def faults_of(size: Size, plan: dict[str, Any], inside: dict[str, Any]) -> list[str]:
    """Answers that are wrong in kind: a benchmark of the wrong work says nothing."""
    parts, trace, verify = inside["plan"], inside["trace"], inside["verify"]
    holds = {
        "the plan shows every batch": len(plan["batches"]) == size.batches,
        "most lines are covered": parts["lines_covered"] > parts["lines"] / 2,
        "some lines are short": parts["lines_short"] > 0,
        "something is to be made": bool(plan["make"]),
        "something is to be bought": bool(plan["buy"]),
        "there are requirements": bool(plan["requirements"]),
        f"the trace reaches {size.traced} lots, not {trace['lots']}": trace["lots"] == size.traced,
        "the trace goes three makings deep": trace["deepest"] == 3,
        "the trace names dispatches": trace["dispatches"] > 0,
        "every traced lot is accounted for": trace["unaccounted"] == 0,
        "the books agree with the ledger": verify["differences"] == 0,
        "there are movements": verify["movements"] >= size.lots,
    }
    return [f"it does not hold that {claim}" for claim, held in holds.items() if not held]


if __name__ == "__main__":
    sys.exit(main())
