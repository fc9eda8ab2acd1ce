"""Writes small workshops as the CSV tables that people bring, loads them by the command, and asks for the plan."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

from django.core.management import call_command

Row = Mapping[str, object]
Tables = Mapping[str, Sequence[Row]]


def write_tables(folder: Path, tables: Tables) -> Path:
    """One CSV file a table; a row may leave columns out."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, columns)
            writer.writeheader()
            writer.writerows(rows)
    return folder


def run_json(*arguments: object) -> dict[str, Any]:
    """The one object that a command prints with ``--json``."""
    out = StringIO()
    call_command(*[str(argument) for argument in arguments], "--json", stdout=out)
    answer: dict[str, Any] = json.loads(out.getvalue())
    return answer


def load(folder: Path, tables: Tables) -> dict[str, Any]:
    return run_json("load", write_tables(folder, tables))


def plan(from_day: date, weeks: int) -> dict[str, Any]:
    return run_json("plan", "--from", from_day, "--weeks", weeks)
