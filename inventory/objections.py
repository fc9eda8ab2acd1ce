"""What speaks against a release beside the lot's own record: told by who knows it, and not imported from here.

Production registers its release checks. Who releases a lot in spite of an objection says why.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence

Ask = Callable[[Collection[int]], Mapping[int, Sequence[str]]]

_asked: list[Ask] = []


def register(ask: Ask) -> Ask:
    """From now on this is asked: which of these lots (ids) something speaks against, each as a few words."""
    if ask not in _asked:
        _asked.append(ask)
    return ask


def against(lot_ids: Collection[int]) -> dict[int, list[str]]:
    """What speaks against releasing each of these lots; those with nothing are left out."""
    found: dict[int, list[str]] = {}
    for ask in _asked:
        for lot_id, told in ask(lot_ids).items():
            found.setdefault(lot_id, []).extend(told)
    return found
