"""An XLSX workbook as sheets of text, safe to open whoever made it. Knows nothing of tables.

1. The zip directory is read first: too much, too many or locked parts are refused before anything is unpacked.
2. Every part is unpacked within bounds and looked at: no document type, no rectangle larger than a sheet may
   span, no shared text that would grow without end.
3. The reader is given those very bytes in a new plain zip, so that a directory that lies cannot reach it.

Imports nothing of Django.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Set
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise
from xml.etree import ElementTree

import python_calamine

from planner.exchange import archive
from planner.exchange.limits import (
    MAX_CELL_CHARACTERS,
    MAX_SHARED_CHARACTERS,
    MAX_SHEET_AREA,
    MAX_UNPACKED_BYTES,
    TypedNumber,
)

Place = tuple[int, int]  # row and column, from 1

_READABLE = "a workbook that a spreadsheet program saved as .xlsx, without a password"
_REFERENCE = re.compile(rb"""\sr\s*=\s*["']([^"']*)["']""")
_CELL_NAME = re.compile(rb"^([A-Z]{0,3})([0-9]{1,7})$")
_SHARED_INDEX = re.compile(rb"<(?:\w+:)?v[^>]*>\s*([0-9]+)\s*<")
_SHARED_TEXT = re.compile(rb"<(?:\w+:)?si[\s>]")
_ERROR_CELL = re.compile(rb"""<(?:\w+:)?c\s(?=[^>]*\st\s*=\s*["']e["'])[^>]*?\br\s*=\s*["']([A-Z]+)([0-9]+)["']""")
_NO_RESULT = re.compile(
    rb"""<(?:\w+:)?c\s[^>]*?\br\s*=\s*["']([A-Z]+)([0-9]+)["'][^>]*>\s*<(?:\w+:)?f(?:[^>]*/>|[^>]*>[^<]*</(?:\w+:)?f>)"""
    rb"""\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v\s*>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"""
)


_STYLED_NUMBER = re.compile(
    rb"""<(?:\w+:)?c\s(?=[^>]*\br\s*=\s*["']([A-Z]+)([0-9]+)["'])(?=[^>]*\bs\s*=\s*["']([0-9]+)["'])"""
    rb"""(?![^>]*\bt\s*=\s*["'](?!n["']))[^>]*[^>/]>"""
)
_PERCENT_FORMATS = frozenset({"9", "10"})  # "0%" and "0.00%": ECMA-376 part 1, 18.8.30
_NOT_SHOWN = re.compile(r"""\\.|"[^"]*"|\[[^\]]*\]""")  # what a number format quotes


class WorkbookRefused(Exception):
    """The workbook cannot be read safely: what it is, and what would be accepted."""

    def __init__(self, value: str, accepted: str) -> None:
        super().__init__(f"{value}; accepted: {accepted}")
        self.value = value
        self.accepted = accepted


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of text from row 1 on; ``broken_cells`` (row, column letters) hold an error or an uncomputed formula."""

    name: str
    rows: list[list[str]]
    broken_cells: list[tuple[int, str]] = field(default_factory=list)


def read_sheets(content: bytes) -> list[Sheet]:
    """Every sheet of the workbook, in its order. Raises WorkbookRefused."""
    parts = _unpacked(content)
    _check_parts(parts)
    broken, shares = _broken_cells(parts), _percent_cells(parts)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(_repacked(parts)))
        return [
            Sheet(name, _rows_of(book.get_sheet_by_name(name), shares.get(name, set())), broken.get(name, []))
            for name in book.sheet_names
        ]
    except (python_calamine.CalamineError, ValueError, OverflowError) as error:
        raise WorkbookRefused("not readable", _READABLE) from error
    # The reader is compiled code: what it gives up on must not end the command without a word.
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise WorkbookRefused("not readable", _READABLE) from error


def _rows_of(sheet: python_calamine.CalamineSheet, percents: Set[Place]) -> list[list[str]]:
    """``percents``: cells that a spreadsheet shows as a percentage, and holds as a share of one."""
    rows = [[_text_of(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)]
    for row, column in percents:
        if row <= len(rows) and column <= len(rows[row - 1]):
            share = rows[row - 1][column - 1]
            if isinstance(share, TypedNumber):
                rows[row - 1][column - 1] = TypedNumber(f"{(Decimal(share) * 100).normalize():f} %")
    return rows


def _text_of(cell: object) -> str:
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int | float):
        # A spreadsheet shows 15 digits; the 16th and 17th are noise of binary fractions.
        number = Decimal(format(cell, ".15g")) if isinstance(cell, float) else Decimal(cell)
        return TypedNumber(f"{number:f}" if number.is_finite() else str(cell))
    if isinstance(cell, datetime):
        plain = (cell.hour, cell.minute, cell.second, cell.microsecond) == (0, 0, 0, 0)
        return cell.date().isoformat() if plain else cell.isoformat(sep=" ")
    if isinstance(cell, date):
        return cell.isoformat()
    return "" if cell is None else str(cell)


# --- unpacking ---------------------------------------------------------------------------------------------


def _unpacked(content: bytes) -> dict[str, bytes]:
    bounds = archive.Bounds("a workbook", _READABLE, MAX_UNPACKED_BYTES)
    try:
        parts = archive.unpacked(content, bounds, _is_read)
    except archive.ArchiveRefused as refusal:
        raise WorkbookRefused(refusal.value, refusal.accepted) from refusal
    return {name: part for name, part in parts.items() if _is_read(name)}


def _is_read(name: str) -> bool:
    return name.endswith((".xml", ".rels"))


def _repacked(parts: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as book:
        for name, part in parts.items():
            book.writestr(name, part)
    return packed.getvalue()


# --- looking at the parts ----------------------------------------------------------------------------------


def _is_sheet(name: str) -> bool:
    return "worksheets/" in name and name.endswith(".xml")


def _check_parts(parts: dict[str, bytes]) -> None:
    lengths = [0]
    for name, part in parts.items():
        if b"\0" in part or b"<!DOCTYPE" in part or b"<!ENTITY" in part:
            raise WorkbookRefused(name, "plain XML in UTF-8 without a document type")
        if name.lower().endswith("sharedstrings.xml"):
            lengths = _shared_lengths(part)
    grown = 0
    for name, part in parts.items():
        if _is_sheet(name):
            _check_area(name, part)
            for index in _SHARED_INDEX.finditer(part):
                at = int(index.group(1)[:9])
                grown += lengths[at] if at < len(lengths) else 0
    if grown > MAX_SHARED_CHARACTERS:
        raise WorkbookRefused("too much text", f"at most {MAX_SHARED_CHARACTERS // 1024**2} MiB of text")


def _shared_lengths(part: bytes) -> list[int]:
    starts = [match.start() for match in _SHARED_TEXT.finditer(part)] + [len(part)]
    lengths = [after - at for at, after in pairwise(starts)] or [0]
    # Markup and escapes around a text are let pass at eight times its signs.
    if max(lengths) > 8 * MAX_CELL_CHARACTERS:
        raise WorkbookRefused("a text too long", f"cells of at most {MAX_CELL_CHARACTERS} characters")
    return lengths


def _check_area(name: str, part: bytes) -> None:
    """A reader holds a sheet as one full rectangle: a single cell far out must not make it huge."""
    if b"<!--" in part:
        raise WorkbookRefused(name, "a sheet without comments in its XML")
    rows = columns = 1
    for found in _REFERENCE.finditer(part):
        cell = _CELL_NAME.match(found.group(1))
        if cell is None:
            raise WorkbookRefused(name, "cells named by column and row such as B7")
        rows = max(rows, int(cell.group(2)))
        columns = max(columns, _column_number(cell.group(1)))
    if rows * columns > MAX_SHEET_AREA:
        raise WorkbookRefused(
            f"{name} spans {rows} rows and {columns} columns", f"a sheet of at most {MAX_SHEET_AREA} cells"
        )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _broken_cells(parts: dict[str, bytes]) -> dict[str, list[tuple[int, str]]]:
    """By sheet name: cells whose value the reader would silently leave blank."""
    found: dict[str, list[tuple[int, str]]] = {}
    for name, path in _sheet_paths(parts).items():
        part = parts.get(path, b"")
        cells = [
            (int(match.group(2)), match.group(1).decode())
            for pattern in (_ERROR_CELL, _NO_RESULT)
            for match in pattern.finditer(part)
        ]
        if cells:
            found[name] = sorted(cells)
    return found


def _percent_cells(parts: dict[str, bytes]) -> dict[str, set[Place]]:
    """By sheet name: numbers that are shown as percentages."""
    styles = _percent_styles(parts.get("xl/styles.xml", b""))
    if not styles:
        return {}
    return {
        name: {
            (int(match.group(2)), _column_number(match.group(1)))
            for match in _STYLED_NUMBER.finditer(parts.get(path, b""))
            if match.group(3) in styles
        }
        for name, path in _sheet_paths(parts).items()
    }


def _percent_styles(part: bytes) -> set[bytes]:
    """The numbers of the cell styles whose number format shows a percentage."""
    if not part:
        return set()
    try:
        root = ElementTree.fromstring(part)
    except ElementTree.ParseError as error:
        raise WorkbookRefused("not readable", _READABLE) from error
    formats = set(_PERCENT_FORMATS)
    styles: set[bytes] = set()
    for one in root.iter():
        kind = one.tag.rpartition("}")[2]
        if kind == "numFmt" and "%" in _NOT_SHOWN.sub("", one.get("formatCode", "")):
            formats.add(one.get("numFmtId", ""))
    for group in root:
        if group.tag.rpartition("}")[2] == "cellXfs":
            styles = {str(at).encode() for at, one in enumerate(group) if one.get("numFmtId") in formats}
    return styles


def _sheet_paths(parts: dict[str, bytes]) -> dict[str, str]:
    """Sheet names and the parts that hold them, as the workbook and its relations say."""
    try:
        relations = {
            one.get("Id", ""): one.get("Target", "")
            for one in ElementTree.fromstring(parts.get("xl/_rels/workbook.xml.rels", b"<none/>"))
        }
        sheets = [
            one
            for one in ElementTree.fromstring(parts.get("xl/workbook.xml", b"<none/>")).iter()
            if one.tag.rpartition("}")[2] == "sheet"
        ]
    except ElementTree.ParseError as error:
        raise WorkbookRefused("not readable", _READABLE) from error
    paths = {}
    for sheet in sheets:
        relation = next((value for key, value in sheet.items() if key.endswith("}id")), "")
        target = relations.get(relation, "")
        paths[sheet.get("name", "")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return paths
