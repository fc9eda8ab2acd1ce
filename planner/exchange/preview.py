"""What a check found, as rows to show: what would be new or changed, or every fault at its cell. Knows no page."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from inventory.errors import Fault
from planner.exchange.bringing import MOST_CHANGED, MOST_NEW, Mark
from planner.exchange.faults import sentence_of, shown
from planner.exchange.loading import Checked, LoadReport
from planner.exchange.reading import TextRow, TextTable
from planner.exchange.tables import TABLES

Json = dict[str, Any]


def preview_of(checked: Checked) -> Json:
    """``tables``: those with something to show, each with its header and rows; ``faults`` that are in no cell.

    A row has its ``number``, ``kind`` (new, changed, wrong) and ``cells``: ``text``, ``was`` where the books say
    something else now (else null), and the ``faults`` of the cell in words. Of new and of changed rows the first
    ones are there, and of their columns those that say something; ``added``, ``updated`` and ``unchanged`` count all.
    """
    if checked.refused is not None:
        return _faults_shown(checked.tables, checked.refused.faults, checked.refused.left_out)
    assert checked.report is not None
    return {
        "tables": [
            _changes_shown(checked.tables.get(name), name, checked.report, checked.marks.get(name, {}))
            for name in TABLES
            if _count(checked.report, name)
        ],
        "faults": [],
        "more_faults": 0,
    }


def _count(report: LoadReport, name: str) -> int:
    return sum(counts.get(name, 0) for counts in (report.added, report.updated, report.unchanged))


def _changes_shown(table: TextTable | None, name: str, report: LoadReport, marks: dict[int, Mark]) -> Json:
    rows = [row for row in table.rows if row.number in marks] if table is not None else []
    header = table.header if table is not None else []
    columns = [
        at for at, one in enumerate(header) if any(row.cells[at] or one in marks[row.number].was for row in rows)
    ]
    return {
        "name": name,
        "header": [{"text": header[at], "faults": []} for at in columns],
        "added": report.added.get(name, 0),
        "updated": report.updated.get(name, 0),
        "unchanged": report.unchanged.get(name, 0),
        "most_new": MOST_NEW,
        "most_changed": MOST_CHANGED,
        "rows": [_marked(row, header, columns, marks[row.number]) for row in rows],
    }


def _marked(row: TextRow, header: list[str], columns: list[int], mark: Mark) -> Json:
    return {
        "number": row.number,
        "kind": "new" if mark.is_new else "changed",
        "cells": [
            {
                "text": shown(row.cells[at]),
                "was": shown(mark.was[header[at]]) if header[at] in mark.was else None,
                "faults": [],
            }
            for at in columns
        ],
        "faults": [],
    }


# --- faults ------------------------------------------------------------------------------------------------


def _faults_shown(tables: dict[str, TextTable], faults: list[Fault], left_out: int) -> Json:
    """Each fault at its cell; those of a row beside it; those of a file, or of a row that cannot be shown, apart."""
    by_place = {table.place: table for table in tables.values()}
    of_table: dict[str, list[Fault]] = defaultdict(list)
    apart = []
    for fault in faults:
        table = by_place.get(fault.file)
        if table is not None and fault.row is not None and (fault.row > 1 or fault.field in table.header):
            of_table[table.name].append(fault)
        else:
            apart.append(sentence_of(fault))
    shown_tables = []
    for name in TABLES:
        if name in of_table:
            table_shown, lost = _wrong_rows(tables[name], of_table[name])
            shown_tables.append(table_shown)
            apart += [sentence_of(fault) for fault in lost]
    return {"tables": shown_tables, "faults": apart, "more_faults": left_out}


def _wrong_rows(table: TextTable, faults: list[Fault]) -> tuple[Json, list[Fault]]:
    by_row: dict[int, list[Fault]] = defaultdict(list)
    for fault in faults:
        assert fault.row is not None
        by_row[fault.row].append(fault)
    in_header = by_row.pop(1, [])
    rows = {row.number: row for row in table.rows if row.number in by_row}
    lost = [fault for number, found in by_row.items() if number not in rows for fault in found]
    return {
        "name": table.name,
        "header": [{"text": column, "faults": _at(column, in_header)} for column in table.header],
        "rows": [_wrong(rows[number], table, by_row[number]) for number in sorted(rows)],
    }, lost


def _wrong(row: TextRow, table: TextTable, faults: list[Fault]) -> Json:
    return {
        "number": row.number,
        "kind": "wrong",
        "cells": [
            {"text": shown(text), "was": None, "faults": _at(column, faults)}
            for column, text in zip(table.header, row.cells, strict=True)
        ],
        "faults": [_told(fault) for fault in faults if fault.field not in table.header],
    }


def _at(column: str, faults: list[Fault]) -> list[str]:
    return [fault.accepted for fault in faults if fault.field == column]


def _told(fault: Fault) -> str:
    value = f'"{fault.value}"; ' if fault.value else ""
    column = f"{fault.field}: " if fault.field else ""
    return f"{column}{value}wanted: {fault.accepted}"
