"""``plan``: what to make and buy, by when, and what next weeks' batches find on the shelf."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from inventory import clock
from planner import services, terminal
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

    def answer(self, *, who: Any, from_day: date | None, weeks: int, **options: Any) -> Any:
        return services.run_plan(from_day=from_day or clock.today(), weeks=weeks).document()

    def show(self, console: Console, document: Any) -> None:
        terminal.show_plan(console, document)
        console.print()
        console.print(terminal.CAUTION, style="dim")
