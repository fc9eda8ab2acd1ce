"""How fast batches are reserved beside a bare transaction: ``python -m tests.benchmarks.reserving``.

Fills the empty database that --database names. Clients reserve batches of twenty lines through the service function
``production.services.batches.reserve``: all of the same twenty items (hot lots), or each of its own (cold). Beside it
the driver alone writes as many rows in one transaction: the balances, the reservations, the batch's status ("rows").
For comparison it updates the twenty balances and nothing else ("balances"). Runs are interleaved, five of each, and
the medians compared. On PostgreSQL clients are processes; on SQLite eight threads of one process.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.benchmarks.report import (
    ROOT,
    Figure,
    environment_for,
    is_sqlite,
    machine_figure,
    say,
    table_of,
    write_section,
)

BARS = {("hot", 1): 0.5, ("hot", 8): 0.25, ("hot", 32): 0.2, ("cold", 8): 0.4}
SQLITE_BAR = 0.25
SQLITE_LONGEST_S = 1.0
CERTAIN = ("the same", "right")  # bars that no slow machine misses
WHATS = ("balances", "rows", "service")


@dataclass(frozen=True, slots=True)
class Length:
    rounds: int
    seconds: float
    batches_each: int
    times: int


LENGTHS = {"tiny": Length(1, 0.3, 60, 20), "whole": Length(5, 2.0, 1500, 300)}


class Inside:
    """A process of ``reserving_inside``, spoken to line by line."""

    def __init__(self, database: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.reserving_inside"],
            env=environment_for(database),
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def tell(self, **asked: Any) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()

    def hear(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            sys.exit("a client ended before it answered")
        return line.strip()

    def ask(self, act: str, **asked: Any) -> Any:
        self.tell(act=act, **asked)
        return json.loads(self.hear())

    def end(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(30)


@dataclass(frozen=True, slots=True)
class Run:
    rate: float
    refused: int
    longest_s: float


def summed(found: Sequence[dict[str, Any]]) -> Run:
    """All that was done by the time that the longest took: some may have had their turn before others."""
    rate = sum(one["done"] for one in found) / max(one["seconds"] for one in found)
    return Run(rate, sum(one["refused"] for one in found), max(one["longest"] for one in found))


def run_processes(clients: Sequence[Inside], what: str, hot: bool, seconds: float) -> Run:
    for number, client in enumerate(clients):
        client.tell(act="client", what=what, hot=hot, number=number, clients=len(clients), seconds=seconds)
    for client in clients:
        assert client.hear() == "ready"
    begin_at = time.time() + 0.2
    for client in clients:
        client.tell(begin_at=begin_at)
    return summed([json.loads(client.hear()) for client in clients])


def median_runs(runs: dict[str, list[Run]]) -> dict[str, Run]:
    return {
        what: Run(
            statistics.median(run.rate for run in each),
            sum(run.refused for run in each),
            max(run.longest_s for run in each),
        )
        for what, each in runs.items()
    }


def figure_of(name: str, found: dict[str, Run], bar: float | None, longest_s: float | None = None) -> list[Figure]:
    service, balances, rows = found["service"], found["balances"], found["rows"]
    share = service.rate / rows.rate
    figures = [
        Figure(
            f"{name}: reservations",
            f"{service.rate:.0f} a second",
            f"{share:.2f} of the bare writing of as many rows ({rows.rate:.0f}), {service.rate / balances.rate:.2f} of "
            f"the bare update of the balances alone ({balances.rate:.0f}); longest {service.longest_s * 1000:.0f} ms, "
            f"bare {rows.longest_s * 1000:.0f} ms; refused {service.refused}",
            *((f"{bar:g}", share >= bar) if bar else ()),
        )
    ]
    if longest_s is not None:
        figures.append(
            Figure(
                f"{name}: longest wait",
                f"{service.longest_s:.3f} s",
                "",
                f"{longest_s:g} s",
                service.longest_s <= longest_s,
            )
        )
    return figures


def measure_on_postgresql(database: str, length: Length, counts: Sequence[tuple[str, int]]) -> list[Figure]:
    figures = []
    first = Inside(database)
    clients = [Inside(database) for _ in range(max(count for _, count in counts))]
    for heat, count in counts:
        runs: dict[str, list[Run]] = {what: [] for what in WHATS}
        for _ in range(length.rounds):
            for what in WHATS:
                first.ask("reset")
                runs[what].append(run_processes(clients[:count], what, heat == "hot", length.seconds))
        told = f"{heat} lots, {count} client{'s' if count > 1 else ''}"
        say(f"measured {told}")
        figures += figure_of(told, median_runs(runs), BARS.get((heat, count)))
    for client in clients:
        client.end()
    return figures + profile_figures(first, length)


def measure_on_sqlite(database: str, length: Length, threads: int) -> list[Figure]:
    first = Inside(database)
    runs: dict[str, list[Run]] = {what: [] for what in WHATS}
    for _ in range(length.rounds):
        for what in WHATS:
            first.ask("reset")
            runs[what].append(summed(first.ask("threads", what=what, clients=threads, seconds=length.seconds)))
    told = f"SQLite, {threads} threads on hot lots"
    return figure_of(told, median_runs(runs), SQLITE_BAR, SQLITE_LONGEST_S) + profile_figures(first, length)


def profile_figures(first: Inside, length: Length) -> list[Figure]:
    found = first.ask("profile", times=length.times)
    wrong = first.ask("check")
    first.end()
    same = found["five"] == found["fifty"]
    figures = [
        Figure("statements of a reservation", str(found["five"]), f"{found['fifty']} for 50 lines", "the same", same),
        Figure("the books afterwards", "right" if not wrong else wrong[0], "verified", "right", not wrong),
        Figure("one reservation, one client, watched", f"{found['whole'] * 1000:.2f} ms", "of it:"),
    ]
    for part in found["parts"]:
        times = "" if part["times"] == 1 else f"{part['times']:g} times"
        figures.append(Figure(f"- {part['what']}", f"{part['seconds'] * 1e6:.0f} microseconds", times))
    return figures


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.reserving", description=__doc__)
    parser.add_argument("--database", metavar="URL", required=True, help="an empty database")
    parser.add_argument("--size", choices=LENGTHS, default="whole", help="tiny: once and briefly, to see that it runs")
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    length = LENGTHS[asked.size]
    say("filling ...")
    filling = Inside(asked.database)
    filling.ask("fill", batches_each=length.batches_each)
    filling.end()
    if is_sqlite(asked.database):
        name, figures = "reserving on SQLite", measure_on_sqlite(asked.database, length, 8)
    else:
        counts = [("hot", 2), ("cold", 2)] if asked.size == "tiny" else list(BARS)
        name, figures = "reserving", measure_on_postgresql(asked.database, length, counts)
    figures = [machine_figure(), *figures]
    print(table_of(figures))
    if asked.report:
        write_section(
            name, "Batches of 20 lines, two lots an item; medians of five interleaved runs.", figures, asked.database
        )
    return 1 if any(row.met is False and row.bar in CERTAIN for row in figures) else 0


if __name__ == "__main__":
    sys.exit(main())
