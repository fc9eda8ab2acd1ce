"""``restore PATH``: a backup into the database, its tables brought up to date, and the ledger verified."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from planner.management.door import DoorCommand
from planner.operations import backups


class Command(DoorCommand):
    help = (
        "Bring a backup into an empty database, and verify the ledger. Exit code 1 when it does not agree. "
        "Stop web, worker and beat first."
    )
    needs_tables = False

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument("path", type=Path, help="a file that backup wrote")
        parser.add_argument(
            "--replace", action="store_true", help="even where the database holds something: it is lost"
        )

    def answer(self, *, path: Path, replace: bool, **options: Any) -> Any:
        return backups.restore(path, replace=replace)

    def show(self, console: Console, document: Any) -> None:
        console.print(f"{document['path']} was restored.", soft_wrap=True)
        if document["ok"]:
            console.print("The ledger and the balances agree.")
        for row in document["differences"]:
            console.print(row["sentence"])

    def exit_code(self, document: Any) -> int:
        return 0 if document["ok"] else 1
