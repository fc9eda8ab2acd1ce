"""``backup PATH``: the whole database into one new file, while others go on working."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console

from planner.management.door import DoorCommand
from planner.operations import backups


class Command(DoorCommand):
    help = "Write the whole database into one new file, or into a folder under a name made of the moment."

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument("path", type=Path, help="a file that is not there yet, or a folder")

    def answer(self, *, who: Any, path: Path, **options: Any) -> Any:
        return backups.back_up(path)

    def show(self, console: Console, document: Any) -> None:
        console.print(f"{document['path']}: {document['bytes']} bytes, SHA-256 {document['sha256']}", soft_wrap=True)
