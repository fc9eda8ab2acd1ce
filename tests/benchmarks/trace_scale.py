"""Measure traces in a store of a million lots: ``python -m tests.benchmarks.trace_scale --lots N --movements M``.

Fills the EMPTY database that DATABASE_URL names in phases. A thirtieth of the store first: there origins that reach
10 and 1,000 lots are traced. Then the whole, with two kinds of origins. Those of 10, 1,000 and 50,000 lots are the
worst there can be: what is made of them lies all through the store. Those of its last thirtieth reach 10 and 1,000
lots that lie as close as in the smaller store: a workshop's records grow by years, and a raw material is used up
within its life. What a set of lots costs stands beside one index probe for each of them, and beside the same in the
store thirty times smaller.
All figures are wall time, warm, medians of rounds in which what is compared takes turns. Exit code 1 where
an answer is wrong; a bar that is missed is reported.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from time import perf_counter
from typing import Any, NamedTuple

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")
if "DATABASE_URL" not in os.environ and __name__ == "__main__":
    sys.exit("DATABASE_URL must name the database: the workshop's own is never filled")
django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from inventory.models import Item, Lot, Movement  # noqa: E402
from inventory.tracing import lots_reached, trace  # noqa: E402
from tests.benchmarks.report import Figure, machine_figure, ratio, say, table_of, write_section  # noqa: E402
from tests.benchmarks.scale_store import Origin, Store, settle  # noqa: E402

REACHES = (10, 1000, 50_000)
TIMES_LARGER = 30
LEAST_LOTS = 300  # of the smaller store
PROBES = 2.5  # bar: times one index probe a lot
DEARER = 1.5  # bar: times what it costs in the smaller store

FAR, CLOSE = ", lying all through it", ", lying close"
LIE = {FAR: "as much further from each other", CLOSE: "as close to each other"}

Seconds = dict[str, float]


class Traced(NamedTuple):
    origin: Origin
    lots_in_store: int
    lying: str  # how its lots lie among all lots; blank in the smaller store
    times: Seconds


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.trace_scale", description=__doc__)
    parser.add_argument("--lots", type=int, default=30_000)
    parser.add_argument("--movements", type=int, default=300_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    prepare_empty()
    figures, faults = measure(lots=asked.lots, movements=asked.movements, seed=asked.seed)
    print_figures(figures, faults, as_json=asked.json)
    if asked.report and not faults:
        write_section(
            "trace", "Lots reached, and the full answer, in a large store.", figures, os.environ["DATABASE_URL"]
        )
    return 1 if faults else 0


def prepare_empty() -> None:
    """Make the tables. Exits where the database holds anything."""
    call_command("migrate", verbosity=0, interactive=False)
    if Item.objects.exists():
        sys.exit("the database is not empty; nothing was changed")


def print_figures(figures: Sequence[Figure], faults: Sequence[str], *, as_json: bool) -> None:
    if as_json:
        print(json.dumps([asdict(figure) for figure in figures]))
    else:
        print(table_of(list(figures)))
    for fault in faults:
        say(f"WRONG: {fault}")


def measure(*, lots: int, movements: int, seed: int = 1) -> tuple[list[Figure], list[str]]:
    """Fill the empty tables and trace. Answers the figures, and what is wrong with the answers."""
    store = Store(lots=lots, movements=movements, seed=seed)
    smaller = max(LEAST_LOTS, lots // TIMES_LARGER)
    faults: list[str] = []
    rows = [Traced(origin, smaller, "", times_of(origin, faults)) for origin in grown(store, smaller, REACHES)]
    far = grown(store, lots - smaller, REACHES)
    close = grown(store, lots, [origin.reaches for origin, *_ in rows])
    rows += [Traced(origin, lots, FAR, times_of(origin, faults)) for origin in far]
    rows += [Traced(origin, lots, CLOSE, times_of(origin, faults)) for origin in close]
    kept = (Lot.objects.count(), Movement.objects.count())
    if kept != (lots, movements):
        faults.append(f"there are {kept[0]} lots and {kept[1]} movements")
    head = Figure("the store", f"{lots:,} lots", f"{movements:,} movements by bulk load; the smaller: {smaller:,} lots")
    return [machine_figure(), head, *figures_of(rows)], faults


def grown(store: Store, to_lots: int, reaches: Sequence[int]) -> list[Origin]:
    """Let the store grow; answers origins of what is made meanwhile, of those ``reaches`` that there is room for."""
    say(f"filling: {to_lots} lots ...")
    begun = perf_counter()
    new = to_lots - store.count[Lot]
    origins = store.grow(to_lots=to_lots, reaches=[each for each in reaches if each * 5 <= new])
    settle()
    say(f"filled in {perf_counter() - begun:.0f} s")
    return origins


def times_of(origin: Origin, faults: list[str]) -> Seconds:
    """Medians in seconds; adds to the faults where a trace does not reach what was prepared."""
    reached = sorted(lots_reached([origin.lot_id], True))
    if len(reached) != origin.reaches + 1:
        faults.append(f"the origin of {origin.reaches} lots reaches {len(reached) - 1}")
    lot, last = Lot.objects.get(pk=origin.lot_id), reached[-1]
    answer = trace([lot], True)
    if [one.lot_id for one in answer.lots if one.lot_id not in set(reached)] or len(answer.lots) != len(reached):
        faults.append(f"the full answer of {origin.reaches} lots has {len(answer.lots)} lots")
    if origin.lot_id not in lots_reached([last], False):
        faults.append(f"a lot made of the origin of {origin.reaches} lots does not lead back to it")
    acts: dict[str, Callable[[], object]] = {
        "lots": lambda: lots_reached([origin.lot_id], True),
        "back": lambda: lots_reached([last], False),
        "each": lambda: probe_each(reached),
        "together": lambda: probe_together(reached),
    }
    large = origin.reaches > 10_000
    times = medians(acts, rounds=5 if large else 15)
    times |= medians({"full": lambda: trace([lot], True)}, rounds=1 if large else 5)
    return times | {"links": float(len(answer.links)), "departures": float(len(answer.departures))}


def medians(acts: dict[str, Callable[[], object]], *, rounds: int) -> Seconds:
    """In turns, so that what else the machine does meets all alike; each once right before it is timed."""
    took: dict[str, list[float]] = {name: [] for name in acts}
    for _ in range(rounds):
        for name, act in acts.items():
            act()
            begun = perf_counter()
            act()
            took[name].append(perf_counter() - begun)
    return {name: statistics.median(each) for name, each in took.items()}


# The least that the machine could do


def driver_cursor() -> Any:
    """A cursor of the driver: no Django."""
    connection.ensure_connection()
    return connection.connection.cursor()


def probe_each(lot_ids: Sequence[int]) -> int:
    """One index probe of the ledger for each lot, each a statement of its own, as ``inside`` does it."""
    probe = f"SELECT quantity FROM inventory_movement WHERE lot_id = {place()}"
    cursor = driver_cursor()
    return sum(len(cursor.execute(probe, (lot_id,)).fetchall()) for lot_id in lot_ids)


def probe_together(lot_ids: Sequence[int]) -> int:
    """The same probes inside the database, in one statement: no way to and fro between them."""
    cursor = driver_cursor()
    if connection.vendor == "postgresql":
        probe = (
            "SELECT m.quantity FROM unnest(%s::bigint[]) lot (id) CROSS JOIN LATERAL"
            " (SELECT quantity FROM inventory_movement WHERE lot_id = lot.id OFFSET 0) m"
        )
        return len(cursor.execute(probe, (list(lot_ids),)).fetchall())
    probe = "SELECT m.quantity FROM json_each(?) lot CROSS JOIN inventory_movement m ON m.lot_id = lot.value"
    return len(cursor.execute(probe, (json.dumps(list(lot_ids)),)).fetchall())


def place() -> str:
    return "?" if connection.vendor == "sqlite" else "%s"


# What the figures say


def figures_of(rows: Sequence[Traced]) -> list[Figure]:
    smaller = {row.origin.reaches: row for row in rows if not row.lying}
    figures = []
    for row in rows:
        (reaches, times), before = (row.origin.reaches, row.times), smaller.get(row.origin.reaches)
        figures.append(
            Figure(
                f"the {reaches:,} lots reached, of {row.lots_in_store:,}{row.lying}",
                milliseconds(times["lots"]),
                f"{ratio(times['lots'], times['each'])} x one index probe a lot ({milliseconds(times['each'])}), "
                f"{ratio(times['lots'], times['together'])} x the same probes as one statement "
                f"({milliseconds(times['together'])})",
                *barred(f"{PROBES} x", times["lots"] <= PROBES * times["each"]),
            )
        )
        if row.lying and before is not None:
            dearer = times["lots"] / before.times["lots"]
            probes = times["together"] / before.times["together"]
            figures.append(
                Figure(
                    f"- in a store {row.lots_in_store / before.lots_in_store:.0f} times larger",
                    f"{dearer:.2f} x",
                    f"as many lots, {LIE[row.lying]}; the probes as one statement: {probes:.2f} x",
                    *barred(f"{DEARER} x", dearer <= DEARER),
                )
            )
        figures.append(
            Figure(
                "- the full answer",
                milliseconds(times["full"]),
                f"{times['links']:,.0f} links, {times['departures']:,.0f} departures; "
                f"back from the last lot made of it: {milliseconds(times['back'])} for the set",
            )
        )
    return figures


def barred(bar: str, met: bool) -> tuple[str, bool] | tuple[()]:
    """Bars are set for PostgreSQL."""
    return (bar, met) if connection.vendor == "postgresql" else ()


def milliseconds(seconds: float) -> str:
    return f"{seconds * 1000:,.2f} ms" if seconds < 0.01 else f"{seconds * 1000:,.0f} ms"


if __name__ == "__main__":
    sys.exit(main())
