"""Break the service on purpose and tell what was lost: ``python -m tests.faults --report``.

Needs the programs of PostgreSQL and Redis. Exit code 1 where anything was lost or doubled.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.report import REPORT, say, write_table_section
from tests.faults.scenarios import ON_A_SERVER, disk_full_on_sqlite
from tests.faults.stage import Outcome, server

INTRODUCTION = """`python -m tests.faults --report`: web, worker and beat as processes with the commands and variables
of docker-compose.yml, on a PostgreSQL and a Redis of their own; `serve` on SQLite. Each fault is made so many times.
Lost: due and not told, a job not done, a gram that was answered for and is not in the books, a difference that
`verify_ledger` finds. Doubled: told as another notice or under another Message-ID, written twice."""


def table_of(outcomes: Sequence[Outcome]) -> str:
    head = ("fault", "tries", "lost", "doubled", "beside")
    rows = [(one.fault, str(one.tries), str(one.lost), str(one.doubled), one.beside) for one in outcomes]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in (head, ("---",) * len(head), *rows))


def with_earlier(outcomes: Sequence[Outcome], report: str) -> list[Outcome]:
    """The outcomes of this run, and of the faults that it did not make those that stand in the report already."""
    _, _, section = report.partition("\n## faults\n")
    section, _, _ = section.partition("\n## ")
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")][2:]
    earlier = [
        Outcome(fault, int(tries), int(lost), int(doubled), beside) for fault, tries, lost, doubled, beside in rows
    ]
    fresh = {one.fault for one in outcomes}
    return sorted([*outcomes, *(one for one in earlier if one.fault not in fresh)], key=lambda one: one.fault)


def main() -> int:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--tries", type=int, default=5, help="how often each thing is broken (default: %(default)s)")
    reader.add_argument("--only", default="", help="the faults whose function has this in its name")
    reader.add_argument("--report", action="store_true", help="write the table to tests/benchmarks/REPORT.md")
    asked = reader.parse_args()
    outcomes: list[Outcome] = []
    failed: list[str] = []
    with tempfile.TemporaryDirectory(prefix="weighhouse-faults-") as folder:
        chosen = [fault for fault in ON_A_SERVER if asked.only in fault.__name__]
        if chosen:
            with server(Path(folder)) as stage:
                for fault in chosen:
                    say(f"{fault.__name__} ...")
                    try:
                        outcomes.append(fault(stage, asked.tries))
                    except AssertionError as fault_of_ours:  # what was waited for did not come
                        failed.append(f"{fault.__name__}: {fault_of_ours}")
                        say(failed[-1])
                        for part in stage.parts.values():
                            part.tell_trouble()
                    else:
                        say(str(outcomes[-1]))
        if asked.only in disk_full_on_sqlite.__name__:
            say("disk_full_on_sqlite ...")
            outcomes.append(disk_full_on_sqlite(Path(folder), asked.tries))
    print(table_of(outcomes))
    for told in failed:
        print(f"NOT RECOVERED: {told}")
    if asked.report:
        everything = with_earlier(outcomes, REPORT.read_text() if REPORT.exists() else "")
        write_table_section("faults", INTRODUCTION, table_of(everything), "postgres:")
    return int(bool(failed) or any(one.lost or one.doubled for one in outcomes))


if __name__ == "__main__":
    sys.exit(main())
