"""What ``planning`` measures, inside a process of its own; prints one JSON object."""

from __future__ import annotations

import gc
import json
import resource
import statistics
import sys
from collections.abc import Callable
from time import perf_counter
from typing import Any

import django

django.setup()

from django.db.models import F  # noqa: E402

from inventory.models import Portion  # noqa: E402
from planner import services  # noqa: E402
from planner.engine.plan import net  # noqa: E402
from planner.packed import Reading  # noqa: E402
from planner.snapshot import take_snapshot  # noqa: E402
from tests.benchmarks.bare import fetch_bare  # noqa: E402
from tests.benchmarks.plan_inputs import inputs  # noqa: E402
from tests.benchmarks.sizes import FIRST_DAY, WEEKS  # noqa: E402


def main() -> None:
    times = int(sys.argv[1])
    statements, unordered = inputs(in_order=True), inputs(in_order=False)
    acts: dict[str, Callable[[], Any]] = {
        "fetch_s": lambda: sum(len(rows) for rows in fetch_bare(statements)),
        "unordered_s": lambda: sum(len(rows) for rows in fetch_bare(unordered)),
        "read_s": lambda: take_snapshot(from_day=FIRST_DAY, weeks=WEEKS),
        "aggregated_s": aggregated,
        "pegging_s": lambda: net(take_snapshot(from_day=FIRST_DAY, weeks=WEEKS)).pegs,
    }
    rows = acts["fetch_s"]()
    for act in acts.values():
        act()  # warm
    # One after the other in turn, so that a slower moment of the machine meets all of them.
    took: dict[str, list[float]] = {name: [] for name in acts}
    for _ in range(times):
        for name, act in acts.items():
            took[name].append(seconds_of(act))
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    after = plan_after_a_write()
    after()
    took["after_s"] = [seconds_of(after) for _ in range(times)]
    medians = {name: statistics.median(seconds) for name, seconds in took.items()}
    problem = take_snapshot(from_day=FIRST_DAY, weeks=WEEKS)
    begun = perf_counter()
    netted = net(problem)
    net_s = perf_counter() - begun
    served = sum(len(level.lines) for level in netted._served)
    needs = netted.needs
    begun = perf_counter()
    sum(len(piece) for piece in services.PlanRun(problem, netted, Reading()).json())
    print(
        json.dumps(
            medians
            | {
                "rows": rows,
                "queries": len(statements),
                "net_s": net_s,
                "document_s": perf_counter() - begun,
                "needs": needs,
                "served": served,
                "peak_mib": peak_mib,
            }
        )
    )


def seconds_of(act: Callable[[], Any]) -> float:
    gc.collect()
    begun = perf_counter()
    act()
    return perf_counter() - begun


def plan_after_a_write() -> Callable[[], None]:
    """A plan after another, each time of a portion with a little less in it: what a sheet waits for."""
    portions = list(Portion.objects.filter(on_hand__gt=F("reserved") + 1000).order_by("pk")[:5000:37])
    last = services.run_plan(from_day=FIRST_DAY, weeks=WEEKS)

    def plan() -> None:
        nonlocal last
        portion = portions.pop()
        Portion.objects.filter(pk=portion.pk).update(on_hand=F("on_hand") - 1)
        last = services.run_plan(from_day=FIRST_DAY, weeks=WEEKS, before=last)
        _ = last.netted.pegs

    return plan


def aggregated() -> int:
    run = services.run_requirements(from_day=FIRST_DAY, weeks=WEEKS)
    return sum(len(piece) for piece in run.json())


if __name__ == "__main__":
    main()
