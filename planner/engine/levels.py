"""Low-level codes: the order in which items are planned, and the loops that forbid one.

Pure; imports the standard library, numpy and the engine's error only.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

import numpy as np

from planner.engine.result import PlanError


def low_level_codes(uses: Mapping[str, Iterable[str]]) -> dict[str, int]:
    """The longest path from the top to each item; ``uses`` names what each made item is made from.

    An item that goes into nothing is 0; every other is one more than the deepest item it goes into
    (low-level coding of gross-to-net requirements planning). Items are met level by level, as in
    Kahn's topological sort, so depth costs no recursion.
    Raises PlanError ``loop`` with the path where an item reaches itself.
    """
    used_in: dict[str, int] = {}
    below: dict[str, list[str]] = {}
    for made, parts in uses.items():
        below[made] = sorted(set(parts))
        used_in.setdefault(made, 0)
        for part in below[made]:
            used_in[part] = used_in.get(part, 0) + 1
    codes: dict[str, int] = {}
    ready = [item for item, count in used_in.items() if count == 0]
    level = 0
    while ready:
        next_ready = []
        for item in ready:
            codes[item] = level
            for part in below.get(item, ()):
                used_in[part] -= 1
                if used_in[part] == 0:
                    next_ready.append(part)
        ready, level = next_ready, level + 1
    if len(codes) < len(used_in):
        path = _loop_among(below, [item for item in used_in if item not in codes])
        raise PlanError("loop", "a formula reaches itself: " + " > ".join(path), path)
    return codes


SHALLOW = 64  # levels: no method of a workshop is as deep; whatever is goes by the other way


def levels_of(made: np.ndarray, part: np.ndarray, codes: Sequence[str]) -> list[int]:
    """``low_level_codes`` over columns: of each use the places of what is made and of its part among ``codes``.

    Raises PlanError ``loop`` as it does.
    """
    level = np.zeros(len(codes), dtype=np.int64)
    for _ in range(SHALLOW):
        deeper = level.copy()
        np.maximum.at(deeper, part, level[made] + 1)
        if np.array_equal(deeper, level):
            return deeper.tolist()
        level = deeper
    uses: dict[str, set[str]] = {code: set() for code in codes}
    for one, other in zip(made.tolist(), part.tolist(), strict=True):
        uses[codes[one]].add(codes[other])
    found = low_level_codes(uses)
    return [found[code] for code in codes]


def find_loop(uses: Mapping[str, Iterable[str]]) -> tuple[str, ...] | None:
    """The path of one loop, first item repeated at its end, or None; the same loop for the same input."""
    try:
        low_level_codes(uses)
    except PlanError as error:
        return error.path
    return None


def _loop_among(below: Mapping[str, list[str]], unplaced: Collection[str]) -> tuple[str, ...]:
    """One loop among the items that could not be placed, starting at its first code.

    Each of them goes into another of them, so walking upward must come back to an item already met.
    """
    above: dict[str, str] = {}
    members = set(unplaced)
    for made in sorted(members, reverse=True):
        for part in below.get(made, ()):
            if part in members:
                above[part] = made
    walk: dict[str, int] = {}
    item = min(members)
    while item not in walk:
        walk[item] = len(walk)
        item = above[item]
    loop = [member for member, step in walk.items() if step >= walk[item]][::-1]
    first = loop.index(min(loop))
    loop = loop[first:] + loop[:first]
    return (*loop, loop[0])
