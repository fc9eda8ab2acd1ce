"""What is measured inside one process: where the plan's time goes, the trace, or the verification.

Run by ``python -m tests.benchmarks`` as a process of its own for each part; prints one JSON object. Each part stands
beside the least that the machine could do for it: the driver's bare fetch of the same rows, one index probe a lot, one
summing scan. On SQLite processor seconds are taken, so that other work on the machine disturbs little.
"""

from __future__ import annotations

import gc
import json
import statistics
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from time import perf_counter, process_time
from typing import Any

import django

django.setup()

from django.db import connection  # noqa: E402

from inventory.models import Lot  # noqa: E402
from planner import selectors  # noqa: E402
from planner.engine import plan  # noqa: E402
from planner.rendering import plan_json  # noqa: E402
from planner.snapshot import take_snapshot  # noqa: E402
from tests.benchmarks.bare import bare_connection, fetch_bare, statements_of  # noqa: E402
from tests.benchmarks.plan_inputs import inputs  # noqa: E402
from tests.benchmarks.sizes import FIRST_DAY, ORIGIN_ITEM, ORIGIN_LOT, SIZES, WEEKS, Size  # noqa: E402

TIMES = 5
# A server's work is not this process's: there only the wall clock sees it.
clock = process_time if connection.vendor == "sqlite" else perf_counter


def main() -> None:
    size, part = SIZES[sys.argv[1]], sys.argv[2]
    times = 1 if size.name == "large" else TIMES
    if part == "plan":
        measured = measure_plan(times)
        # What the plan leaves behind slows what this process does next.
        measured["trace_after"] = measure_trace(size)
    else:
        measured = measure_trace(size) if part == "trace" else measure_verify(times)
    print(json.dumps(measured))


def best(times: int, act: Callable[[], Any]) -> tuple[float, Any]:
    """Least seconds of so many runs, and the last run's answer."""
    least, answer = float("inf"), None
    for _ in range(times):
        answer = None
        gc.collect()
        begun = clock()
        answer = act()
        least = min(least, clock() - begun)
    return least, answer


def measure_plan(times: int) -> dict[str, Any]:
    statements = inputs(in_order=True)
    fetch, rows = best(times, lambda: sum(len(found) for found in fetch_bare(statements)))
    snapshot, problem = best(times, lambda: take_snapshot(from_day=FIRST_DAY, weeks=WEEKS))
    gc.freeze()
    engine, planned = best(times, lambda: plan(problem))
    written_seconds, written = best(times, lambda: sum(len(piece) for piece in plan_json(planned, problem)))
    lines = [line for batch in planned.batches for line in batch.lines]
    return {
        "rows": rows,
        "queries": len(statements),
        "fetch_s": fetch,
        "snapshot_s": snapshot,
        "engine_s": engine,
        "json_s": written_seconds,
        "json_length": written,
        "lines": len(lines),
        "lines_covered": sum(not line.short and not line.expected for line in lines),
        "lines_expected": sum(not line.short and bool(line.expected) for line in lines),
        "lines_short": sum(line.short > 0 for line in lines),
        "passed_over": sum(len(line.passed_over) for line in lines),
        "make": len(planned.make),
        "buy": len(planned.buy),
    }


def measure_trace(size: Size) -> dict[str, Any]:
    """Wall time, warm: the bar is what a person waits."""

    def trace() -> dict[str, Any]:
        return selectors.trace_document(number=ORIGIN_LOT, item=ORIGIN_ITEM, forward=True)

    document = trace()
    took = [wall(trace) for _ in range(TIMES)]
    processor, _ = best(TIMES, trace)
    statements = statements_of(trace)
    fetch = min(wall(lambda: fetch_bare(statements)) for _ in range(TIMES))
    keys = list(Lot.objects.filter(number__in=[row["lot"] for row in document["lots"]]).values_list("pk", flat=True))
    probes = min(wall(lambda: probe_each(keys)) for _ in range(TIMES))
    return {
        "lots": len(document["lots"]) - 1,
        "wanted": size.traced,
        "links": len(document["links"]),
        "dispatches": len(document["dispatches"]),
        "deepest": max(row["depth"] for row in document["lots"]),
        "unaccounted": sum(row["accounted_percent"] not in (None, "100.00") for row in document["lots"]),
        "queries": len(statements),
        "median_s": statistics.median(took),
        "processor_s": processor,
        "fetch_s": fetch,
        "probes_s": probes,
    }


def measure_verify(times: int) -> dict[str, Any]:
    verify, document = best(times, selectors.verification_document)
    scan, movements = best(times, scan_movements)
    return {"verify_s": verify, "scan_s": scan, "movements": movements, "differences": len(document["differences"])}


def wall(act: Callable[[], Any]) -> float:
    begun = perf_counter()
    act()
    return perf_counter() - begun


# The least that the machine could do


def probe_each(lot_ids: Sequence[int]) -> int:
    """One index probe of the ledger for each lot."""
    place = "?" if connection.vendor == "sqlite" else "%s"
    probe = f"SELECT quantity FROM inventory_movement WHERE lot_id = {place}"
    with closing(bare_connection().cursor()) as cursor:
        return sum(len(cursor.execute(probe, (lot_id,)).fetchall()) for lot_id in lot_ids)


def scan_movements() -> int:
    """The sum of every portion in one scan of the ledger; answers how many movements there are."""
    with closing(bare_connection().cursor()) as cursor:
        cursor.execute("SELECT portion_id, SUM(quantity), COUNT(*) FROM inventory_movement GROUP BY portion_id")
        return sum(count for _, _, count in cursor.fetchall())


if __name__ == "__main__":
    main()
