"""Answers that are kept for as long as nothing is written and the day is the same: of what is read from all the stock.

A sheet that tells of stock as it was this morning would have people weigh what is gone. So an answer is asked for
again as soon as anything was committed; several pages that stand on the same plan share it until then. It is kept in
the process: each worker makes its own.
"""

from __future__ import annotations

import functools
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import ParamSpec, TypeVar, cast

from inventory import clock
from inventory.database_state import state_token

P = ParamSpec("P")
R = TypeVar("R")

MOST = 16  # answers in all: the plan itself, and what a few sheets read from it


class _Kept:
    """One answer, and the lock under which it is made: who asks meanwhile waits for it instead of making it too."""

    __slots__ = ("answer", "lock", "of")

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.of: tuple[str, object] | None = None
        self.answer: object = None


_answers: OrderedDict[Hashable, _Kept] = OrderedDict()
_guard = threading.Lock()


def kept(read: Callable[P, R]) -> Callable[P, R]:
    """Keep what a read answers, by its arguments. The answer is shared: nobody may change it.

    Inside a transaction nothing is kept and nothing kept is answered: what it wrote itself counts there.
    """

    @functools.wraps(read)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        key = (read.__module__, read.__qualname__, args, tuple(sorted(kwargs.items())))
        return _kept_or_made(key, lambda _: read(*args, **kwargs))

    return inside


def kept_from_the_last(read: Callable[[R | None], R]) -> Callable[[], R]:
    """As ``kept``, for a read that is given its last answer, though something was written since, or None.

    For one that answers the same without it, and sooner with it.
    """

    @functools.wraps(read)
    def inside() -> R:
        return _kept_or_made((read.__module__, read.__qualname__), read)

    return inside


def _kept_or_made(key: Hashable, make: Callable[[R | None], R]) -> R:
    token = state_token()
    if token is None:
        last = _answers.get(key)
        return make(cast("R | None", last.answer if last is not None else None))
    place = _place_of(key)
    with place.lock:
        of = (token, clock.today())
        if place.of != of:
            # Read before the answer is made: what is written while it is made is not taken for read.
            place.answer = make(cast("R | None", place.answer))
            place.of = of
        return cast(R, place.answer)


def _place_of(key: Hashable) -> _Kept:
    with _guard:
        place = _answers.setdefault(key, _Kept())
        _answers.move_to_end(key)
        while len(_answers) > MOST:
            _answers.popitem(last=False)
        return place
