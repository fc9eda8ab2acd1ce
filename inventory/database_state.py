"""Whether anything at all was written to the database since a moment: a token that another commit changes.

What takes long to make from the whole stock (the plan behind a sheet) may be kept for as long as the token stays the
same; then it is what would be made anew. The database itself says so: no writer has to remember to, not even one that
goes past the services. Writes nothing.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

from django.db import connection


def state_token() -> str | None:
    """What identifies the state that a read begun now would see; None where it cannot be told.

    It cannot be told inside a transaction, which sees what it wrote itself, nor of a database in memory. Costs less
    than a tenth of a millisecond on SQLite, on PostgreSQL one statement. A write anywhere in the same PostgreSQL
    server changes the token too: more is made anew than must be, never less.
    """
    if connection.in_atomic_block:
        return None
    name = str(connection.settings_dict["NAME"])
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # Which transactions are over: the documentation of PostgreSQL, "Transaction ID and Snapshot Information".
            cursor.execute("SELECT pg_current_snapshot()::text")
            return f"{name} {cursor.fetchone()[0]}"
    connection.ensure_connection()
    return _version_of_file(name)


class _Watch:
    """A connection that never writes, so that the number it is told changes whenever any other one commits.

    ``PRAGMA data_version`` compares only what one connection was told at two moments (SQLite's documentation).
    """

    def __init__(self, name: str, stands: tuple[int, int]) -> None:
        self.stands = stands
        self._connection = sqlite3.connect(f"{Path(name).as_uri()}?mode=ro", uri=True, check_same_thread=False)

    def version(self) -> int:
        with closing(self._connection.execute("PRAGMA data_version")) as cursor:
            return int(cursor.fetchone()[0])

    def close(self) -> None:
        self._connection.close()


_watches: dict[tuple[int, str], _Watch] = {}  # by process, since a connection does not outlive a fork, and file
_guard = threading.Lock()
_opened = 0


def _version_of_file(name: str) -> str | None:
    """None where the database is no file."""
    global _opened
    path = Path(name).absolute()
    try:
        found = path.stat()
    except OSError:
        return None
    stands = (found.st_dev, found.st_ino)  # another file in its place is another database: a copy that was put back
    with _guard:
        watch = _watches.get((os.getpid(), name))
        if watch is None or watch.stands != stands:
            if watch is not None:
                watch.close()
            watch = _watches[os.getpid(), name] = _Watch(str(path), stands)
            _opened += 1
        return f"{name} {_opened} {watch.version()}"
