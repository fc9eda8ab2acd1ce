"""``load``: bring tables in, from a folder of CSV files or one XLSX workbook; all of it or nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser
from rich.console import Console
from rich.text import Text

from inventory.errors import DomainError
from planner.exchange import LoadRefused, load_tables, sentence_of
from planner.management.door import DoorCommand


class Command(DoorCommand):
    help = (
        "Load a folder of CSV files or one .xlsx workbook. Everything is checked before anything is written, and "
        "loading the same tables again adds nothing."
    )

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument("path", type=Path, metavar="PATH", help="a folder of CSV files, or a file ending in .xlsx")
        parser.add_argument("--check", action="store_true", help="check only: nothing is written")

    def answer(self, *, who: Any, **options: Any) -> Any:
        report = load_tables(options["path"], who, check_only=options["check"])
        return {
            "ok": True,
            "checked_only": report.checked_only,
            "added": report.added,
            "unchanged": report.unchanged,
            "updated": report.updated,
            "report": report.report,
        }

    def show(self, console: Console, document: Any) -> None:
        if document["checked_only"]:
            console.print("The tables have no fault. Nothing was written.")
        for title in ("added", "updated", "unchanged"):
            counts = ", ".join(f"{name} {count}" for name, count in document[title].items())
            console.print(Text(f"{title}: {counts or 'nothing'}"))
        for line in document["report"]:
            console.print(Text(line))

    def tell(self, error: DomainError, *, as_json: bool) -> None:
        """Every fault: one object on standard output with ``--json``, and always the sentences on standard error."""
        left_out = error.left_out if isinstance(error, LoadRefused) else 0
        if as_json:
            faults = [
                {
                    "file": fault.file,
                    "row": fault.row,
                    "column": fault.field,
                    "value": fault.value,
                    "accepted": fault.accepted,
                }
                for fault in error.faults
            ]
            self.print_json(
                {"ok": False, "code": error.code, "detail": error.message, "faults": faults, "more_faults": left_out}
            )
        for fault in error.faults:
            self.stderr.write(sentence_of(fault))
        if left_out:
            self.stderr.write(f"and {left_out} more")
        self.stderr.write(error.message)
