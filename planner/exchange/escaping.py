"""Text that a spreadsheet would run as a formula is written with an apostrophe before it, and taken back on reading.

The same apostrophe keeps spaces at the edges and a leading apostrophe, so that any text comes back as it was.
Imports nothing of Django.
"""

from __future__ import annotations

import re

_RUN_BY_SPREADSHEETS = "=+-@\t\r\n"


# "=" always begins a formula; "+", "-" and "@" also begin telephone numbers and remarks, so only what calls something.
_FORMULA = re.compile(r"\s*(?:=|[+\-@].*(?:\w\(|\|.*!))", re.DOTALL)


def is_formula(cell: str) -> bool:
    """Whether a cell without an apostrophe before it would be run."""
    return _FORMULA.match(cell) is not None


def _needs_escape(text: str) -> bool:
    return bool(text) and (text[0] in _RUN_BY_SPREADSHEETS or text[0] == "'" or text != text.strip())


def escaped(text: str) -> str:
    """The text as it may stand in a cell."""
    return "'" + text if _needs_escape(text) else text


def taken_back(cell: str) -> str:
    """What a cell says: the text that was escaped, or the cell without the spaces around it."""
    if cell.startswith("'") and _needs_escape(cell[1:]):
        return cell[1:]
    stripped = cell.strip()
    # A typed number is a text of its own class: unchanged, it stays what it is.
    return cell if len(stripped) == len(cell) else stripped
