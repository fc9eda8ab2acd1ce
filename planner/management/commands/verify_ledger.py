"""``verify_ledger``: recompute every balance from the ledger and report any difference."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from planner import selectors
from planner.management.door import DoorCommand


class Command(DoorCommand):
    help = "Recompute balances and reservations from the ledger. Exit code 1 when anything differs."

    def answer(self, *, who: Any, **options: Any) -> Any:
        return selectors.verification_document()

    def show(self, console: Console, document: Any) -> None:
        if document["ok"]:
            console.print("The ledger and the balances agree.")
        for row in document["differences"]:
            console.print(row["sentence"])

    def exit_code(self, document: Any) -> int:
        return 0 if document["ok"] else 1
