"""``plan``: what to make and buy, by when, and what next weeks' batches find on the shelf."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from inventory import clock
from planner import services, terminal
from planner.collector import collector_paused
from planner.management.door import DoorCommand, read_day, read_weeks


class Command(DoorCommand):
    help = "Plan the coming weeks: coverage of batches, what to make, what to buy, what will spoil. Changes nothing."

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--from",
            dest="from_day",
            type=read_day,
            metavar="DATE",
            help="the plan's first day (default: today)",
        )
        parser.add_argument(
            "--weeks",
            type=read_weeks,
            default=services.DEFAULT_WEEKS,
            metavar="N",
            help="how many weeks to show (default: %(default)s)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with collector_paused():
            super().handle(*args, **options)

    def answer(self, *, who: Any, from_day: date | None, weeks: int, json: bool, **options: Any) -> Any:
        """The document, or with ``--json`` its text in pieces."""
        run = services.run_plan(from_day=from_day or clock.today(), weeks=weeks)
        return run.json() if json else run.document()

    def print_json(self, document: Any) -> None:
        if not isinstance(document, Iterator):
            super().print_json(document)
            return
        for piece in document:
            self.stdout.write(piece, ending="")
        self.stdout.write()

    def show(self, console: Console, document: Any) -> None:
        terminal.show_plan(console, document)
        console.print()
        console.print(terminal.CAUTION, style="dim")
