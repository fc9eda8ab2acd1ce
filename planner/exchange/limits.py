"""How much a brought file may hold, and the text of a typed number. Imports nothing."""

from __future__ import annotations

MAX_FILE_BYTES = 64 * 1024**2
MAX_ROWS = 2_000_000
MAX_COLUMNS = 200
MAX_CELL_CHARACTERS = 10_000

# Of a workbook: what all its parts may unpack to, how many there may be, the rectangle a sheet may span, and
# what its shared texts may grow to when every cell that names one gets its own.
MAX_UNPACKED_BYTES = 256 * 1024**2
MAX_PARTS = 2_000
MAX_SHEET_AREA = 12_000_000
MAX_SHARED_CHARACTERS = 256 * 1024**2


class TypedNumber(str):
    """The text of a number that was typed as one (XLSX): its point is no sign of how the maker writes decimals."""

    __slots__ = ()
