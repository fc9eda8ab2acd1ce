"""Who is at work here: set once by each door (a request, a command), read where a change is written down."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

_who: ContextVar[Callable[[], Any] | None] = ContextVar("who", default=None)


def person() -> Any:
    """The signed-in user whose act this is; None for somebody at the machine itself."""
    ask = _who.get()
    found = ask() if ask is not None else None
    return found if found is not None and found.is_authenticated else None


@contextmanager
def acting(ask: Callable[[], Any]) -> Iterator[None]:
    """All that is written inside is this person's doing. ``ask`` is called only when something is written."""
    before = _who.set(ask)
    try:
        yield
    finally:
        _who.reset(before)
