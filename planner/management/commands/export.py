"""``export``: write the workshop as the tables that ``load`` reads."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console
from rich.text import Text

from planner.exchange import export_tables
from planner.management.door import DoorCommand


class Command(DoorCommand):
    help = (
        "Write what is in stock, planned, wanted and on order as tables: a folder of CSV files, or one workbook where "
        "PATH ends in .xlsx. Nothing is overwritten. Past history is not in the tables."
    )

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "path", type=Path, metavar="PATH", help="a new or empty folder, or a new file ending in .xlsx"
        )

    def answer(self, *, who: Any, **options: Any) -> Any:
        report = export_tables(options["path"])
        return {"ok": True, "path": report.path, "written": report.written, "left_out": report.left_out}

    def show(self, console: Console, document: Any) -> None:
        counts = ", ".join(f"{name} {count}" for name, count in document["written"].items())
        console.print(Text(f"written to {document['path']}: {counts or 'nothing'}"))
        for line in document["left_out"]:
            console.print(Text(f"left out: {line}"))
