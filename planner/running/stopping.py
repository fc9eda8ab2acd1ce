"""Whether this worker was told to stop: heavy work looks between two steps, and goes back to its queue.

The flag is one byte of memory that the processes a worker forks share with it. A lock is not needed for one byte, and
one that a killed process held would be held for ever.
"""

from __future__ import annotations

import mmap

_told = mmap.mmap(-1, 1)


def tell() -> None:
    _told[0] = 1


def forget() -> None:
    """For a process that begins anew."""
    _told[0] = 0


def is_told() -> bool:
    return _told[0] == 1
