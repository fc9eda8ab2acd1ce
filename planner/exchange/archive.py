"""A ZIP packed and unpacked within bounds, safe to open whoever made it. Knows nothing of tables.

1. The directory is read first: too much, too many or locked parts are refused before anything is unpacked.
2. Every wanted part is unpacked piece by piece, so that a directory that lies about sizes gains nothing.

Imports nothing of Django.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from planner.exchange.limits import MAX_PARTS

_PIECE_BYTES = 1024**2
# The day that every part says it was made on, so that equal contents give equal bytes: the first there can be.
_DAY = (1980, 1, 1, 0, 0, 0)
_PLAIN_FILE = 0o100644 << 16
_ON_UNIX = 3


class ArchiveRefused(Exception):
    """The archive cannot be read safely: what it is, and what would be accepted."""

    def __init__(self, value: str, accepted: str) -> None:
        super().__init__(f"{value}; accepted: {accepted}")
        self.value = value
        self.accepted = accepted


@dataclass(frozen=True, slots=True)
class Bounds:
    """What an archive is called in a refusal, when it is readable, and what it may unpack to."""

    called: str  # "a workbook"
    readable: str
    most_bytes: int

    def unreadable(self) -> ArchiveRefused:
        return ArchiveRefused("not readable", self.readable)

    def too_large(self) -> ArchiveRefused:
        most = self.most_bytes // 1024**2
        return ArchiveRefused("too large when unpacked", f"{self.called} that unpacks to at most {most} MiB")


def unpacked(content: bytes, bounds: Bounds, wanted: Callable[[str], bool]) -> dict[str, bytes]:
    """Every part by its name, in the archive's order; one that is not wanted is not unpacked, and empty.

    Raises ArchiveRefused.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = [entry for entry in archive.infolist() if not entry.is_dir()]
            _check_directory(entries, bounds)
            room = bounds.most_bytes
            parts: dict[str, bytes] = {}
            for entry in entries:
                part = _unpacked_part(archive, entry, room, bounds) if wanted(entry.filename) else b""
                room -= len(part)
                parts[entry.filename] = part
            return parts
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        raise bounds.unreadable() from error


def _check_directory(entries: list[zipfile.ZipInfo], bounds: Bounds) -> None:
    names = [entry.filename for entry in entries]
    if len(names) > MAX_PARTS or len(set(names)) < len(names):
        raise ArchiveRefused(f"{len(names)} parts", f"{bounds.called} of at most {MAX_PARTS} parts, each once")
    if any(entry.flag_bits & 1 for entry in entries):
        raise ArchiveRefused("locked by a password", bounds.readable)
    if sum(entry.file_size for entry in entries) > bounds.most_bytes:
        raise bounds.too_large()


def _unpacked_part(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, room: int, bounds: Bounds) -> bytes:
    pieces: list[bytes] = []
    with archive.open(entry) as stream:
        while piece := stream.read(_PIECE_BYTES):
            room -= len(piece)
            if room < 0:
                raise bounds.too_large()
            pieces.append(piece)
    return b"".join(pieces)


def packed(files: Mapping[str, bytes]) -> bytes:
    """A ZIP of files by name; equal files give equal bytes."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, file in files.items():
            entry = zipfile.ZipInfo(name, _DAY)
            entry.compress_type, entry.external_attr, entry.create_system = zipfile.ZIP_DEFLATED, _PLAIN_FILE, _ON_UNIX
            archive.writestr(entry, file)
    return content.getvalue()
