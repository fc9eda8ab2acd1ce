"""The id of the request that is being served: kept beside the running code, written in every line of the log."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

HEADER = "X-Request-ID"
WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")

_current: ContextVar[str] = ContextVar("request_id", default="")


def current() -> str:
    """The id of the request or task at work here; "" where there is none."""
    return _current.get()


def taken_or_made(told: str | None) -> str:
    """The id that was told, where it is well-formed; else a new one."""
    return told if told and WELL_FORMED.fullmatch(told) else uuid.uuid4().hex


@contextmanager
def carried(request_id: str) -> Iterator[str]:
    """Everything inside is done for this request."""
    before = _current.set(request_id)
    try:
        yield request_id
    finally:
        _current.reset(before)
