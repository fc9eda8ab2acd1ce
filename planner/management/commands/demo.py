"""``demo``: an invented workshop, laid down in an empty database, and the main job shown on it end to end."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from planner.demo import story
from planner.demo.build import lay_down
from planner.management.door import DoorCommand


class Command(DoorCommand):
    help = (
        "Lay an invented workshop down in an empty database and show the main job on it: next week's batches, what to "
        "make and buy, what will spoil, a recall. Run again it writes nothing; a database with other data is refused."
    )

    def answer(self, *, who: Any, **options: Any) -> Any:
        return story.tell(lay_down())

    def show(self, console: Console, document: Any) -> None:
        story.show(console, document)
