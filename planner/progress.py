"""How far a long piece of work has come: counted by the work itself, told to whoever watches. Imports nothing of ours.

A watcher is called often and must be quick. It may raise, to stop the work: whoever counts lets that pass.
"""

from __future__ import annotations

from collections.abc import Callable

# What is being done (one word), how much of it is done, of how much.
Progress = Callable[[str, int, int], None]


def unwatched(doing: str, done: int, of: int) -> None:
    """Nobody watches."""
