"""The small workload as a spreadsheet beside the engine: ``python -m tests.benchmarks.spreadsheet``.

What a maker does today: a workbook with the batches, the lines of their formulas, a row for each line of each
batch (``needs``), and what that adds up to for each item and day (``requirements``). LibreOffice Calc recalculates
it without a window; the engine answers the same in a warm process.

Compared, integer by integer: the gross requirement of every item on every day of the first four weeks, days of
nothing included, and of every item its sum over the whole horizon. In it are the lines of firm batches (planned,
reserved, started) and nothing else: demands, offers and the reservations of demands are taken out of the problem,
and no formula counts as approved, so that nothing is proposed. What a started batch has weighed is taken off.

The workload's charges are so round that no split leaves a milligram over. Those of planned and reserved mixes are
therefore raised by some odd milligrams, for both sides (``uneven``).

The workbook's rules are the engine's, in whole milligrams and pieces. A percent line is rounded down; the steps
that are left over of its batch go one each to the largest remainders, ties to the earlier position. A line per unit
is rounded up, a volume half up. A batch that is overdue is needed on the first day. Quantities that a started batch
carries of its own must be the formula's split, as they are in this workload; else the comparison fails.

The split is written in two ways, and both are measured: filled down, with ranges over the whole sheet, as one
formula for all rows; and with the ranges of each batch narrowed to its own rows, which is less to recalculate.

Exit code 1 where an integer differs. LibreOffice must be installed (``soffice`` on the path).
"""

from __future__ import annotations

import argparse
import os
import secrets
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import django
import python_calamine
import xlsxwriter

from planner.engine.explode import PERCENT
from planner.engine.plan import net
from planner.engine.problem import WHOLE, Formula, Problem
from planner.engine.result import RequirementColumns
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
from tests.benchmarks.sizes import FIRST_DAY, SIZES, WEEKS, Size

SEED = 1
TIMES_FASTER = 300
COMPARED_WEEKS = 4
ENGINE_TIMES = 51
CALC_TIMES = 3
CALC_SECONDS_AT_MOST = 900
ODD_MG = 7919  # a prime

# Gross requirement by item code and day (proleptic ordinal), in steps; days of nothing are left out.
Gross = dict[tuple[str, int], int]


def firm_only(problem: Problem) -> Problem:
    """The problem with nothing to answer but its firm batches: no demands, no offers, nothing to propose."""
    return replace(
        problem,
        demands=(),
        offers=(),
        reservations=tuple(row for row in problem.reservations if row.batch is not None),
        formulas=tuple(replace(formula, approved=False) for formula in problem.formulas),
    )


def uneven(problem: Problem) -> Problem:
    """Planned and reserved mixes get charges that do not split evenly; started ones have their sheets already."""
    per_unit = {(each.formula, each.version) for each in problem.formulas if each.basis != PERCENT}
    batches = tuple(
        batch
        if batch.status == "started" or (batch.formula, batch.version) in per_unit
        else batch._replace(charge=batch.charge + number * ODD_MG % 100_000)
        for number, batch in enumerate(problem.batches, start=1)
    )
    return replace(problem, batches=batches)


def gross_of(columns: RequirementColumns) -> Gross:
    rows = zip(columns.item.tolist(), columns.day.tolist(), columns.gross.tolist(), strict=True)
    return {(columns.codes[item], day): gross for item, day, gross in rows if gross}


# The workbook


@dataclass(frozen=True, slots=True)
class Answer:
    """What the recalculated workbook says."""

    salted: int  # three times the salt and one
    by_day: Gross
    by_item: dict[str, int]
    shown: int  # how many rows of an item and a day
    rounded_up: int  # lines that got one of the steps left over


NEEDS = ("batch", "line", "formula", "day", "charge", "row", "item", "product", "down", "remainder", "rank",
         "left over", "quantity", "weighed", "needed")  # fmt: skip


def write_workbook(problem: Problem, path: Path, *, weeks: int, salt: int, own_rows: bool = False) -> None:
    """The firm batches of ``problem`` as a workbook whose answer is known only once it is recalculated.

    No formula carries a value. ``salt``: a number of the caller's; the sheet ``proof`` holds three times it and one.
    ``own_rows``: the split looks at the batch's own rows of ``needs`` only, not at the whole column.
    """
    used = {(batch.formula, batch.version) for batch in problem.batches}
    formulas = [each for each in problem.formulas if (each.formula, each.version) in used]
    with xlsxwriter.Workbook(path) as book:
        day_format = book.add_format({"num_format": "yyyy-mm-dd"})
        counts = {
            "batches": _write_batches(book.add_worksheet("batches"), problem, day_format),
            "lines": _write_lines(book.add_worksheet("lines"), formulas),
            "weighed": _write_weighed(book.add_worksheet("weighed"), problem),
        }
        lines_of = {(each.formula, each.version): len(each.lines) for each in formulas}
        keys = [
            (batch.batch, number)
            for batch in problem.batches
            for number in range(1, lines_of[batch.formula, batch.version] + 1)
        ]
        _write_needs(book.add_worksheet("needs"), keys, counts, day_format, own_rows=own_rows)
        days = range(problem.from_day, problem.from_day + 7 * weeks)
        items = [item.code for item in problem.items]
        _write_requirements(book.add_worksheet("requirements"), items, days, len(keys), day_format)
        _write_totals(book.add_worksheet("totals"), items, len(keys))
        proof = book.add_worksheet("proof")
        proof.write_row(0, 0, ["salt", salt])
        write_formula(proof, 1, 1, "=3*B1+1")


def formula_name(formula: str, version: int) -> str:
    return f"{formula} v{version}"


def write_formula(sheet: Any, row: int, column: int, text: str, form: Any = None) -> None:
    """A formula with no value beside it: whoever opens the workbook must work it out."""
    sheet.write_formula(row, column, text, form, "")


def _write_batches(sheet: Any, problem: Problem, day_format: Any) -> int:
    sheet.write_row(0, 0, ["batch", "formula", "day", "charge", "", "first day"])
    sheet.write_datetime(0, 6, date.fromordinal(problem.from_day), day_format)
    for row, batch in enumerate(problem.batches, start=1):
        sheet.write_row(row, 0, [batch.batch, formula_name(batch.formula, batch.version)])
        sheet.write_datetime(row, 2, date.fromordinal(batch.planned_for), day_format)
        sheet.write_number(row, 3, batch.charge)
    return len(problem.batches)


def _write_lines(sheet: Any, formulas: Sequence[Formula]) -> int:
    """The lines of a formula together and by position. Percent in ten-thousandths, so that products are whole."""
    sheet.write_row(0, 0, ["formula", "item", "percent in ten-thousandths", "amount", "for units", "volume"])
    row = 0
    for formula in formulas:
        for line in sorted(formula.lines, key=lambda line: line.position):
            row += 1
            sheet.write_row(row, 0, [formula_name(formula.formula, formula.version), line.item])
            if formula.basis == PERCENT:
                sheet.write_number(row, 2, line.percent)
            else:
                amounts = [line.per_unit.numerator, line.per_unit.denominator, int(line.is_volume)]
                sheet.write_row(row, 3, amounts)
    return row


def _write_weighed(sheet: Any, problem: Problem) -> int:
    """What went into started batches, by the number of the line from 1."""
    sheet.write_row(0, 0, ["batch", "line", "weighed"])
    formulas = {(each.formula, each.version): each for each in problem.formulas}
    row = 0
    for batch in problem.batches:
        lines = formulas[batch.formula, batch.version].lines if batch.weighed else ()
        for number, position in enumerate(sorted(line.position for line in lines), start=1):
            if position in batch.weighed:
                row += 1
                sheet.write_row(row, 0, [batch.batch, number, batch.weighed[position]])
    return row


def _write_needs(
    sheet: Any, keys: Sequence[tuple[str, int]], counts: Mapping[str, int], day_format: Any, *, own_rows: bool
) -> None:
    """A row for each line of each batch, together: its batch and number are typed in, the rest is filled down."""
    sheet.write_row(0, 0, NEEDS)
    rows_of: dict[str, tuple[int, int]] = {}
    for row, (batch, _) in enumerate(keys, start=2):
        rows_of[batch] = (rows_of.get(batch, (row, row))[0], row)
    for row, (batch, number) in enumerate(keys, start=1):
        sheet.write_row(row, 0, (batch, number))
        for name, text in needs_formulas(rows_of[batch] if own_rows else (2, len(keys) + 1), counts).items():
            form = day_format if name == "day" else None
            write_formula(sheet, row, NEEDS.index(name), text.replace("#", str(row + 1)), form)


def needs_formulas(split_rows: tuple[int, int], counts: Mapping[str, int]) -> dict[str, str]:
    """By column of the sheet ``needs`` its formula, with ``#`` for the number of its row.

    ``split_rows``: the first and the last row in which the lines of the same batch are looked for.
    """
    first, last = split_rows

    def whole(sheet: str, column: str) -> str:
        return f"{sheet}!${column}$2:${column}${max(2, counts[sheet] + 1)}"

    def own(column: str) -> str:
        return f"${column}${first}:${column}${last}"

    at_batch = f"MATCH($A#,{whole('batches', 'A')},0)"
    part, amount, units, volume = (f"INDEX({whole('lines', column)},$F#)" for column in "CDEF")
    return {
        "formula": f"=INDEX({whole('batches', 'B')},{at_batch})",
        "day": f"=MAX(batches!$G$1,INDEX({whole('batches', 'C')},{at_batch}))",
        "charge": f"=INDEX({whole('batches', 'D')},{at_batch})",
        "row": f"=MATCH($C#,{whole('lines', 'A')},0)+$B#-1",
        "item": f"=INDEX({whole('lines', 'B')},$F#)",
        # Steps times ten-thousandths: whole, and far below the 2^53 up to which a cell is exact.
        "product": f"=$E#*{part}",
        "down": f"=INT($H#/{WHOLE})",
        "remainder": f"=MOD($H#,{WHOLE})",
        # How many lines of the batch come before this one: larger remainders, and equal ones further up.
        "rank": (
            f'=COUNTIFS({own("A")},$A#,{own("J")},">"&$J#)+COUNTIFS({own("A")},$A#,{own("J")},$J#,{own("B")},"<"&$B#)'
        ),
        "left over": f"=$E#-SUMIFS({own('I')},{own('A')},$A#)",
        "quantity": (
            f"=IF({units}=0,$I#+IF($K#<$L#,1,0),"
            f"IF({volume}=1,INT((2*$E#*{amount}+{units})/(2*{units})),INT(($E#*{amount}+{units}-1)/{units})))"
        ),
        "weighed": f"=SUMIFS({whole('weighed', 'C')},{whole('weighed', 'A')},$A#,{whole('weighed', 'B')},$B#)",
        "needed": "=MAX(0,$M#-$N#)",
    }


def _write_requirements(sheet: Any, items: Sequence[str], days: range, needs: int, day_format: Any) -> None:
    sheet.write_row(0, 0, ["item", "day", "gross"])
    row = 0
    for item in items:
        for day in days:
            row += 1
            sheet.write_string(row, 0, item)
            sheet.write_datetime(row, 1, date.fromordinal(day), day_format)
            item_column, day_column, needed = (f"needs!${column}$2:${column}${needs + 1}" for column in "GDO")
            write_formula(sheet, row, 2, f"=SUMIFS({needed},{item_column},$A{row + 1},{day_column},$B{row + 1})")


def _write_totals(sheet: Any, items: Sequence[str], needs: int) -> None:
    sheet.write_row(0, 0, ["item", "gross of all days"])
    for row, item in enumerate(items, start=1):
        sheet.write_string(row, 0, item)
        write_formula(sheet, row, 1, f"=SUMIFS(needs!$O$2:$O${needs + 1},needs!$G$2:$G${needs + 1},$A{row + 1})")


def read_workbook(path: Path) -> Answer:
    """Raises ValueError where a cell holds no whole number: it was not recalculated, or a formula is wrong."""
    book = python_calamine.CalamineWorkbook.from_path(path)
    requirements = _rows_of(book, "requirements")
    by_day = {(item, day.toordinal()): whole_number(gross) for item, day, gross in requirements}
    by_item = {item: whole_number(gross) for item, gross in _rows_of(book, "totals")}
    salted = whole_number(book.get_sheet_by_name("proof").to_python()[1][1])
    down, quantity, product = (NEEDS.index(name) for name in ("down", "quantity", "product"))
    rounded_up = sum(
        row[product] > 0 and whole_number(row[quantity]) > whole_number(row[down]) for row in _rows_of(book, "needs")
    )
    return Answer(salted, {key: gross for key, gross in by_day.items() if gross}, by_item, len(by_day), rounded_up)


def _rows_of(book: python_calamine.CalamineWorkbook, name: str) -> list[list[Any]]:
    return book.get_sheet_by_name(name).to_python()[1:]


def whole_number(cell: object) -> int:
    if not isinstance(cell, int | float) or cell != int(cell):
        raise ValueError(f"no whole number: {cell!r}")
    return int(cell)


def differences_of(answer: Answer, gross: Gross, problem: Problem, *, weeks: int, salt: int) -> list[str]:
    """Every integer of the workbook that is not the engine's, and every one that it lacks."""
    until = problem.from_day + 7 * weeks
    shown = {key: quantity for key, quantity in gross.items() if key[1] < until}
    totals: dict[str, int] = defaultdict(int)
    for (item, _), quantity in gross.items():
        totals[item] += quantity
    found = []
    if answer.salted != 3 * salt + 1:
        found.append(f"the workbook was not recalculated: {answer.salted} of {salt}")
    if answer.shown != len(problem.items) * 7 * weeks:
        found.append(f"the workbook shows {answer.shown} rows of an item and a day")
    for item, day in sorted(shown.keys() | answer.by_day.keys()):
        ours, theirs = shown.get((item, day), 0), answer.by_day.get((item, day), 0)
        if ours != theirs:
            found.append(f"{item} on {date.fromordinal(day)}: engine {ours}, workbook {theirs}")
    for item in sorted(each.code for each in problem.items):
        if totals[item] != answer.by_item.get(item):
            found.append(f"{item} in all: engine {totals[item]}, workbook {answer.by_item.get(item)}")
    return found


# LibreOffice


class Calc:
    """LibreOffice Calc without a window, one process for each workbook, with a profile of its own.

    ``recalculates``: whether it works out every formula of a workbook it opens, or takes the values beside them.
    """

    def __init__(self, folder: Path, *, recalculates: bool) -> None:
        self.folder = folder / ("recalculating" if recalculates else "as-saved")
        profile = self.folder / "profile"
        (profile / "user").mkdir(parents=True)
        (profile / "user" / "registrymodifications.xcu").write_text(
            SETTINGS.replace("MODE", "0" if recalculates else "1")
        )
        self.profile = profile.as_uri()
        self.program = soffice()

    def convert(self, path: Path) -> tuple[float, Path]:
        """Open the workbook and save it again; answers the seconds of the whole process and the new file.

        Raises RuntimeError where LibreOffice is missing, fails or does not end.
        """
        if self.program is None:
            raise RuntimeError("LibreOffice is not installed")
        answer = self.folder / path.name
        answer.unlink(missing_ok=True)
        command = [
            *(self.program, f"-env:UserInstallation={self.profile}", "--headless", "--norestore", "--nologo"),
            *("--convert-to", "xlsx", "--outdir", str(self.folder), str(path)),
        ]
        begun = time.perf_counter()
        # A session of its own: the program on the path starts another, and both must end.
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )
        try:
            said, _ = process.communicate(timeout=CALC_SECONDS_AT_MOST)
        except BaseException as interruption:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            if isinstance(interruption, subprocess.TimeoutExpired):
                raise RuntimeError("LibreOffice did not end") from None
            raise
        seconds = time.perf_counter() - begun
        if process.returncode or not answer.exists():
            raise RuntimeError(f"LibreOffice failed: {said}")
        return seconds, answer


# When workbooks are recalculated on opening: 0 always, 1 never.
SETTINGS = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry" xmlns:xs="http://www.w3.org/2001/XMLSchema"
    xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load">
<prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>MODE</value></prop></item>
</oor:items>
"""


def soffice() -> str | None:
    return shutil.which("soffice") or shutil.which("libreoffice")


def write_nearly_empty(path: Path) -> None:
    with xlsxwriter.Workbook(path) as book:
        write_formula(book.add_worksheet("proof"), 0, 0, "=1+1")


# The measurement


@dataclass(frozen=True, slots=True)
class Recalculated:
    """One way to write the workbook: medians in seconds of whole processes."""

    whole_s: float
    as_saved_s: float  # the recalculated workbook opened and saved again, nothing recalculated
    answer: Answer
    differences: list[str]


def main() -> int:
    asked = read_arguments()
    if soffice() is None:
        sys.exit("LibreOffice is not installed: there is nothing to compare with")
    size = SIZES[asked.size]
    with tempfile.TemporaryDirectory(prefix="weighhouse-spreadsheet-") as name:
        folder = Path(name)
        whole, snapshot_s = read_workload(size, f"sqlite:///{name}/store.sqlite3")
        problem = firm_only(whole)
        gross = gross_of(net(problem).requirements)
        # Before, between and after: the machine may be busier at one time than at another.
        engine_took = times_of(ENGINE_TIMES, lambda: net(problem).requirements)
        whole_s = statistics.median(times_of(ENGINE_TIMES, lambda: net(whole).requirements))
        say("LibreOffice, nearly empty ...")
        recalculating, as_saved = (Calc(folder, recalculates=recalculates) for recalculates in (True, False))
        write_nearly_empty(folder / "empty.xlsx")
        start_s, _ = convert(recalculating, folder / "empty.xlsx", asked.times)
        ways = {}
        for way, own_rows in (("filled down", False), ("split in the batch's own rows", True)):
            say(f"LibreOffice, {way} ...")
            ways[way] = recalculated(problem, gross, folder, recalculating, as_saved, asked.times, own_rows=own_rows)
            engine_took += times_of(ENGINE_TIMES, lambda: net(problem).requirements)
    engine_s = statistics.median(engine_took)
    figures = [
        machine_figure(),
        Figure(
            "engine, warm",
            f"{engine_s * 1000:.1f} ms",
            f"median of {len(engine_took)}, {min(engine_took) * 1000:.1f} to {max(engine_took) * 1000:.1f}; "
            f"{len(gross)} requirements of {len(problem.batches)} firm batches",
        ),
        Figure("- with demands, stock, what to make and buy", f"{whole_s * 1000:.1f} ms", "the whole plan's netting"),
        Figure("- read the snapshot besides", f"{snapshot_s * 1000:.1f} ms"),
        Figure("LibreOffice, a nearly empty workbook", f"{start_s:.2f} s", f"median of {asked.times}"),
        *(
            figure
            for way, found in ways.items()
            for figure in figures_of(way, found, engine_s, start_s, barred=size.name == "small")
        ),
    ]
    print(table_of(figures))
    faults = [f"{way}: {fault}" for way, found in ways.items() for fault in found.differences]
    faults += [f"{way}: no split left a step over" for way, found in ways.items() if not found.answer.rounded_up]
    for fault in faults:
        print(f"WRONG: {fault}")
    if asked.report and not faults:
        write_section("spreadsheet", told(size) + f" The first {COMPARED_WEEKS} weeks by day.", figures, None)
    return 1 if faults else 0


def read_arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.spreadsheet", description=__doc__)
    parser.add_argument("--size", choices=("tiny", "small"), default="small")
    parser.add_argument("--times", type=int, default=CALC_TIMES, help="runs of LibreOffice, the median counts")
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    return parser.parse_args()


def read_workload(size: Size, database: str) -> tuple[Problem, float]:
    """The workload with its uneven charges, and the seconds of reading it, warm."""
    environment = environment_for(database)
    say(f"filling {size.name} ...")
    run_module("tests.benchmarks.fill", size.name, str(SEED), environment=environment)
    os.environ.update(environment)
    django.setup()
    from planner.snapshot import take_snapshot  # needs the setup before

    problem = take_snapshot(from_day=FIRST_DAY, weeks=WEEKS)
    snapshot_s = statistics.median(times_of(5, lambda: take_snapshot(from_day=FIRST_DAY, weeks=WEEKS)))
    return uneven(problem), snapshot_s


def recalculated(
    problem: Problem, gross: Gross, folder: Path, recalculating: Calc, as_saved: Calc, times: int, *, own_rows: bool
) -> Recalculated:
    salt = secrets.randbelow(1_000_000)
    path = folder / "workbook.xlsx"
    write_workbook(problem, path, weeks=COMPARED_WEEKS, salt=salt, own_rows=own_rows)
    whole_s, saved = convert(recalculating, path, times)
    answer = read_workbook(saved)
    differences = differences_of(answer, gross, problem, weeks=COMPARED_WEEKS, salt=salt)
    as_saved_s, _ = convert(as_saved, saved, times)
    return Recalculated(whole_s, as_saved_s, answer, differences)


def convert(calc: Calc, path: Path, times: int) -> tuple[float, Path]:
    """Median seconds, after one run that does not count: the first makes the profile."""
    calc.convert(path)
    took = [calc.convert(path) for _ in range(times)]
    return statistics.median(seconds for seconds, _ in took), took[-1][1]


def times_of(times: int, act: Callable[[], Any]) -> list[float]:
    """Wall seconds of so many runs, after one that does not count."""
    act()
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        act()
        took.append(time.perf_counter() - begun)
    return took


def figures_of(way: str, found: Recalculated, engine_s: float, start_s: float, *, barred: bool) -> list[Figure]:
    def figure(what: str, seconds: float, *, barred: bool) -> Figure:
        times = seconds / engine_s
        if times < 1:
            return Figure(
                what,
                f"{seconds:.2f} s",
                "lost in what a start takes",
                *((f"{TIMES_FASTER} x", False) if barred else ()),
            )
        beside = f"{times:.0f} x the engine; the engine takes {1 / times:.5f} of it"
        bar = (f"{TIMES_FASTER} x", times >= TIMES_FASTER) if barred else ()
        return Figure(what, f"{seconds:.2f} s", beside, *bar)

    answer = found.answer
    return [
        Figure(
            f"{way}: integers that differ",
            str(len(found.differences)),
            f"of {answer.shown + len(answer.by_item)}; {len(answer.by_day)} days of items above zero, "
            f"{answer.rounded_up} lines got a step left over",
            "0",
            not found.differences,
        ),
        figure(f"{way}: whole process", found.whole_s, barred=barred),
        figure("- less the start", found.whole_s - start_s, barred=barred),
        figure("- less opening and saving as well", found.whole_s - found.as_saved_s, barred=False),
    ]


if __name__ == "__main__":
    sys.exit(main())
