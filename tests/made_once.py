"""Files that take seconds to make, made once for all workers of a run."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """An SQLite file of this name, made once for all workers of a run: to be copied, never used.

    A copy is served with a secret key of its own, so a PIN that was set in the file is none in the copy.
    """
    shared = factory.getbasetemp()
    shared = shared.parent if "PYTEST_XDIST_WORKER" in os.environ else shared
    made = shared / f"{name}.sqlite3"
    with (shared / f"{name}.lock").open("w") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)
        if not made.exists():
            making = shared / f"{name}-in-the-making.sqlite3"
            for left in shared.glob(f"{making.name}*"):  # by a worker that failed
                left.unlink()
            make(making)
            with closing(sqlite3.connect(making)) as database:
                database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            making.rename(made)
    return made
