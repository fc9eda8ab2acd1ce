"""The report of the benchmarks: figures as tables, a section for each measurement, in REPORT.md beside this file.

Imports no Django: what is measured runs in processes of their own.
"""

from __future__ import annotations

import importlib.metadata
import os
import platform
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.sizes import WEEKS, Size

ROOT = Path(__file__).resolve().parents[2]
REPORT = Path(__file__).with_name("REPORT.md")
# In this order; a section is written anew by the command that measures it, the others stay.
SECTIONS = (
    "small",
    "medium",
    "large",
    "planning small",
    "planning medium",
    "planning later",
    "planning large",
    "spreadsheet",
    "trace",
    "ledger",
    "reserving",
    "reserving on SQLite",
    "lists",
    "pages",
    "notices",
    "notices on SQLite",
    "faults",
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the report. ``bar`` is blank where none is set."""

    what: str
    value: str
    beside: str = ""
    bar: str = ""
    met: bool | None = None


def ratio(above: float, below: float) -> str:
    return f"{above / below:.1f}" if below else "-"


def machine_figure() -> Figure:
    """How fast the machine is just now: without it figures of two days cannot be compared."""
    took = []
    for _ in range(5):
        begun = time.process_time()
        sum(number * number for number in range(1_000_000))
        took.append(time.process_time() - begun)
    load = " ".join(f"{each:.1f}" for each in os.getloadavg())
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return Figure(
        "the machine: a million squares",
        f"{min(took) * 1000:.0f} to {max(took) * 1000:.0f} ms",
        f"load {load} on {processors} processors",
    )


def table_of(figures: Sequence[Figure]) -> str:
    head = ("what", "figure", "beside", "bar", "met")
    rows = [
        (row.what, row.value, row.beside, row.bar, "" if row.met is None else ("yes" if row.met else "NO"))
        for row in figures
    ]
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


# Running what is measured


def told(size: Size) -> str:
    return (
        f"{size.items} items, {size.batches} batches over {WEEKS} weeks, {size.lots} lots, {size.demands} demands, "
        f"about {size.lines} lines a mix."
    )


def environment_for(database: str) -> dict[str, str]:
    return os.environ | {
        "DJANGO_SETTINGS_MODULE": "planner.settings",
        "DATABASE_URL": database,
        "ALLOWED_HOSTS": "localhost",
        "TIME_ZONE": "Europe/Vienna",
        "SECRET_KEY": "only for measuring, never served " * 2,
        "PYTHONPATH": str(ROOT),
    }


def is_sqlite(database: str | None) -> bool:
    return database is None or database.startswith("sqlite:")


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def run_module(*arguments: str, environment: dict[str, str]) -> str:
    done = subprocess.run(
        [sys.executable, "-m", *arguments], env=environment, cwd=ROOT, stdout=subprocess.PIPE, check=False, text=True
    )
    if done.returncode:
        sys.exit(f"{arguments[0]} failed")
    return done.stdout


# Writing


def write_section(name: str, introduction: str, figures: Sequence[Figure], database: str | None) -> None:
    """Put a section into REPORT.md, in place of the one before; others stay."""
    write_table_section(name, introduction, table_of(figures), database)


def write_table_section(name: str, introduction: str, table: str, database: str | None) -> None:
    """The same with a table of columns of its own."""
    assert name in SECTIONS, f"{name!r} would be lost: it has no place in the report"
    kept = _sections_of(REPORT.read_text() if REPORT.exists() else "")
    kept[name] = _section_of(introduction, table, database)
    text = INTRODUCTION + "".join(f"\n## {each}\n{kept[each]}" for each in SECTIONS if each in kept)
    REPORT.write_text(text)
    say(f"wrote {REPORT.name}")


INTRODUCTION = """# Benchmarks

Each section is written by the command that measures it, with `--report`: `python -m tests.benchmarks --size SIZE`
(the plan whole and in parts, trace, verification), `python -m tests.benchmarks.planning` (the aggregated plan and
pegging), `.spreadsheet`, `.trace_scale`, `.ledger_scale`, `.lists`. Workloads are seeded. "Whole" is one fresh process
of `manage.py plan --json`, interpreter start and imports included. The parts are seconds inside one process, best of
several, on SQLite of the processor; else wall time, median of several, warm. Ratios compare, in one run, with the
least that the machine could do for the same answer; of planning that is the driver alone with the rows as the plan
takes them, with their codes and in order of these (`plan_inputs.py`; in no order it takes a quarter less). Pages are
opened warm, and again after something left the stock. Peak memory is the kernel's for that process.
"""


def _sections_of(text: str) -> dict[str, str]:
    parts = text.split("\n## ")[1:]
    return {name: body for name, _, body in (part.partition("\n") for part in parts)}


def _section_of(introduction: str, table: str, database: str | None) -> str:
    engine = (database or "sqlite").partition(":")[0]
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("Django", "numpy", "orjson"))
    return (
        f"\n{introduction}\n\n"
        f"{datetime.now(UTC):%Y-%m-%d}, {platform.system()} {platform.machine()}; "
        f"Python {platform.python_version()}, {engine}, {versions}.\n\n"
        f"{table}\n"
    )
