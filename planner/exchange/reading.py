"""From CSV files, in a folder or a ZIP, or one XLSX workbook to tables of text. Knows nothing of what columns mean.

Every cell becomes text: a typed XLSX number keeps its digits ("0.1" stays 0.1), a typed date becomes ISO 8601,
a typed truth value becomes yes or no. Everything read is bounded: bytes, rows, columns, characters in a cell.
Imports nothing of Django.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from planner.exchange import archive, workbook
from planner.exchange.escaping import is_formula, taken_back
from planner.exchange.faults import Faults, shown
from planner.exchange.limits import (
    MAX_CELL_CHARACTERS,
    MAX_COLUMNS,
    MAX_FILE_BYTES,
    MAX_ROWS,
    MAX_UNPACKED_BYTES,
)

# What can be read: a folder or a workbook on disk, or named bytes ("lots.csv"; "workshop.xlsx" or "tables.zip" alone).
Source = Path | Mapping[str, bytes]

FORMS = "a folder of CSV files or one .xlsx workbook"


@dataclass(frozen=True, slots=True)
class TextRow:
    """One row with something in it; ``number`` counts as a spreadsheet does, the header being row 1."""

    number: int
    cells: list[str]


@dataclass(frozen=True, slots=True)
class TextTable:
    """One file or sheet. ``place`` is how messages name it: "lots.csv", or "lots" for a sheet."""

    name: str
    place: str
    header: list[str]
    rows: list[TextRow]
    separator: str = ""  # of a CSV file; blank for a sheet


def read_tables(source: Source, known: Mapping[str, Sequence[str]], faults: Faults) -> dict[str, TextTable]:
    """The tables found, by name. ``known`` maps each accepted table to its column names.

    Faults (unknown files or sheets, broken text, too much of anything) are added; what has them is left out.
    """
    if isinstance(source, Path):
        return _read_path(source, known, faults)
    names = list(source)
    if len(names) == 1 and names[0].lower().endswith(".xlsx"):
        return _read_workbook(names[0], source[names[0]], known, faults)
    if len(names) == 1 and names[0].lower().endswith(".zip"):
        return _read_archive(names[0], source[names[0]], known, faults)
    found = {name: content for name, content in source.items() if not name.startswith(".")}
    return _read_files(found.items(), known, faults)


def _read_path(path: Path, known: Mapping[str, Sequence[str]], faults: Faults) -> dict[str, TextTable]:
    try:
        if path.is_dir():
            return _read_files(_files_of(path, faults), known, faults)
        if path.is_file() and path.suffix.lower() == ".xlsx":
            content = _bytes_of(path, path.name, faults)
            return {} if content is None else _read_workbook(path.name, content, known, faults)
        wrong = "" if path.exists() else "not found"
    except OSError as error:  # a folder on the way that may not be entered, a name too long
        wrong = error.strerror or "not readable"
    faults.add(str(path), None, "", wrong, f"{FORMS} that exists and may be read")
    return {}


def _files_of(folder: Path, faults: Faults) -> Iterator[tuple[str, bytes]]:
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        faults.add(str(folder), None, "", error.strerror or "", "a folder that may be read")
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if not _is_file(entry):
            faults.add(entry.name, None, "", "", "files only: no folders within the folder")
            continue
        if entry.suffix.lower() != ".csv":
            yield entry.name, b""
            continue
        content = _bytes_of(entry, entry.name, faults)
        if content is not None:
            yield entry.name, content


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a link into a folder that may not be entered
        return False


def _bytes_of(path: Path, place: str, faults: Faults) -> bytes | None:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        faults.add(place, None, "", error.strerror or "", "a file that may be read")
        return None
    return content if _fits(place, content, faults) else None


def _fits(place: str, content: bytes, faults: Faults) -> bool:
    if len(content) > MAX_FILE_BYTES:
        faults.add(place, None, "", "too large", f"a file of at most {MAX_FILE_BYTES // 1024**2} MiB")
        return False
    return True


# --- CSV ---------------------------------------------------------------------------------------------------


def _read_files(
    files: Iterable[tuple[str, bytes]], known: Mapping[str, Sequence[str]], faults: Faults
) -> dict[str, TextTable]:
    tables: dict[str, TextTable] = {}
    for place, content in files:
        stem, dot, ending = place.rpartition(".")
        name = stem.lower()
        if not dot or ending.lower() != "csv" or name not in known:
            accepted = "only " + ", ".join(f"{one}.csv" for one in known)
            faults.add(place, None, "", "", accepted)
        elif name in tables:
            faults.add(place, None, "", "", f"one file {name}.csv")
        elif _fits(place, content, faults):
            table = _read_csv(name, place, content, known[name], faults)
            if table is not None:
                tables[name] = table
    return tables


def _read_csv(name: str, place: str, content: bytes, columns: Sequence[str], faults: Faults) -> TextTable | None:
    text = _decoded(place, content, faults)
    if text is None:
        return None
    separator = _separator_of(text, columns)
    csv.field_size_limit(MAX_CELL_CHARACTERS)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[list[str]] = []
    try:
        for row in reader:
            rows.append(row)
            if len(rows) > MAX_ROWS:
                faults.add(place, None, "", "too many rows", f"at most {MAX_ROWS} rows")
                return None
    except csv.Error as error:
        accepted = f"cells of at most {MAX_CELL_CHARACTERS} characters, with quotes closed"
        faults.add(place, len(rows) + 1, "", str(error), accepted)
        return None
    return _table(name, place, rows, separator, faults)


def _decoded(place: str, content: bytes, faults: Faults) -> str | None:
    """UTF-8 with or without a byte order mark; anything else is a fault that names the row."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        faults.add(place, None, "", "UTF-16", 'text in UTF-8 (save as "CSV UTF-8")')
        return None
    at = content.find(b"\0")
    if at >= 0:
        faults.add(place, content.count(b"\n", 0, at) + 1, "", "a NUL byte", "text in UTF-8")
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        wrong = f"byte 0x{content[error.start]:02x}"
        faults.add(place, row, "", wrong, 'text in UTF-8 (save as "CSV UTF-8")')
        return None


def _separator_of(text: str, columns: Sequence[str]) -> str:
    """Comma or semicolon, whichever splits the header into more of the known columns."""
    header = text.lstrip("\r\n").split("\n", 1)[0].split("\r", 1)[0]

    def known_by(separator: str) -> int:
        return sum(cell.strip(' "').lower() in columns for cell in header.split(separator))

    return ";" if known_by(";") > known_by(",") else ","


# --- ZIP ---------------------------------------------------------------------------------------------------


def _read_archive(
    place: str, content: bytes, known: Mapping[str, Sequence[str]], faults: Faults
) -> dict[str, TextTable]:
    """CSV files in a ZIP, at its top or all in one folder, as packing a folder gives them."""
    if not _fits(place, content, faults):
        return {}
    bounds = archive.Bounds("a ZIP", "a ZIP of CSV files, without a password", MAX_UNPACKED_BYTES)
    try:
        parts = archive.unpacked(content, bounds, lambda name: name.lower().endswith(".csv"))
    except archive.ArchiveRefused as refusal:
        faults.add(place, None, "", refusal.value, refusal.accepted)
        return {}
    seen = {name: part for name, part in parts.items() if not _is_hidden(name)}
    folders = {name.rpartition("/")[0] for name in seen}
    cut = len(folders.pop()) + 1 if len(folders) == 1 and "" not in folders else 0
    return _read_files(((shown(name[cut:]), part) for name, part in seen.items()), known, faults)


def _is_hidden(name: str) -> bool:
    """Whether a program that packs folders added it for itself: a name that begins with a dot or two underscores."""
    return any(part.startswith((".", "__")) and part not in (".", "..") for part in name.split("/"))


# --- XLSX --------------------------------------------------------------------------------------------------


def _read_workbook(
    place: str, content: bytes, known: Mapping[str, Sequence[str]], faults: Faults
) -> dict[str, TextTable]:
    if not _fits(place, content, faults):
        return {}
    try:
        sheets = workbook.read_sheets(content)
    except workbook.WorkbookRefused as refusal:
        faults.add(place, None, "", refusal.value, refusal.accepted)
        return {}
    tables: dict[str, TextTable] = {}
    for sheet in sheets:
        name = sheet.name.lower()
        if name not in known:
            faults.add(sheet.name, None, "", "", "only the sheets " + ", ".join(known))
        elif name in tables:
            faults.add(sheet.name, None, "", "", f"one sheet {name}")
        else:
            for row, column in sheet.broken_cells:
                faults.add(
                    sheet.name,
                    row,
                    "",
                    f"cell {column}{row}",
                    "a value: this cell has an error or a formula without a result",
                )
            table = _table(name, sheet.name, sheet.rows, "", faults)
            if table is not None:
                tables[name] = table
    return tables


# --- both --------------------------------------------------------------------------------------------------


def _table(name: str, place: str, rows: list[list[str]], separator: str, faults: Faults) -> TextTable | None:
    """Header and rows with trailing blanks cut off and escapes taken back; blank rows are left out."""
    header = [cell.strip().lower() for cell in _trimmed(rows[0])] if rows else []
    if not _header_stands(place, header, faults):
        return None
    width = len(header)
    found = []
    for number, cells in enumerate(rows[1:], start=2):
        cells = _trimmed(cells)
        if not cells:
            continue
        if len(cells) > width:
            faults.add(
                place,
                number,
                "",
                f"{len(cells)} cells",
                f"at most {width} cells, as in the header (a cell with a comma needs quotes)",
            )
            continue
        for column, cell in zip(header, cells, strict=False):
            if is_formula(cell):
                accepted = "a value, not a spreadsheet formula; an apostrophe before it keeps it as text"
                faults.add(place, number, column, cell, accepted)
        texts = [taken_back(cell) for cell in cells]
        texts.extend([""] * (width - len(texts)))
        found.append(TextRow(number, texts))
    return TextTable(name, place, header, found, separator)


def _trimmed(cells: list[str]) -> list[str]:
    last = len(cells)
    while last and not cells[last - 1].strip():
        last -= 1
    return cells[:last]


def _header_stands(place: str, header: list[str], faults: Faults) -> bool:
    if not header:
        faults.add(place, 1, "", "", "the column names in row 1")
        return False
    if len(header) > MAX_COLUMNS:
        faults.add(place, 1, "", f"{len(header)} columns", f"at most {MAX_COLUMNS} columns")
        return False
    stands = True
    for column in dict.fromkeys(header):
        if not column:
            faults.add(place, 1, "", "", "a name above every column")
            stands = False
        elif header.count(column) > 1:
            faults.add(place, 1, column, column, "each column once")
            stands = False
    return stands
