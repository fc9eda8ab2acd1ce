"""``stock``: every portion on a day, with quantity, unit cost and value."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from inventory import clock
from planner import selectors, terminal
from planner.management.door import DoorCommand, read_day


class Command(DoorCommand):
    help = "Show the stock at the end of a day: portions, quantities, unit cost (per kg or piece) and value."

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--on", dest="on_day", type=read_day, metavar="DATE", help="the day (default: today)")

    def answer(self, *, who: Any, on_day: date | None, **options: Any) -> Any:
        return selectors.stock_document(on_day or clock.today())

    def show(self, console: Console, document: Any) -> None:
        terminal.show_stock(console, document)
