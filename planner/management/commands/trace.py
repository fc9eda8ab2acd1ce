"""``trace``: from a lot's number to everything it contains or went into, with the balance."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from planner import selectors, terminal
from planner.management.door import DoorCommand


class Command(DoorCommand):
    help = (
        "Trace a lot by any of its numbers (ours, the supplier's, the maker's; case, spaces and dashes do not matter): "
        "forward to what contains it and who received it, or backward to what it was made from. "
        "Exit code 2 with the list when the number fits several lots."
    )

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument("lot", help="any number of the lot")
        parser.add_argument("--item", metavar="CODE", help="the item, where lots of several items carry the number")
        way = parser.add_mutually_exclusive_group()
        way.add_argument("--forward", action="store_true", help="what contains it, and who received it (the default)")
        way.add_argument("--backward", action="store_true", help="what it was made from")

    def answer(self, *, who: Any, lot: str, item: str | None, backward: bool, **options: Any) -> Any:
        return selectors.trace_document(number=lot, item=item, forward=not backward)

    def show(self, console: Console, document: Any) -> None:
        terminal.show_trace(console, document)
