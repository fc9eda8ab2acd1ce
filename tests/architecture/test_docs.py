"""What README and DEVELOPERS say is so: the commands, the columns, the order in which README tells things."""

from __future__ import annotations

import re
from pathlib import Path

from planner.exchange.tables import TABLES, as_markdown

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_every_column_stands_in_developers() -> None:
    """Paste ``planner.exchange.tables.as_markdown()`` under "The tables" when this fails."""
    assert as_markdown().strip() in DEVELOPERS


def test_readme_names_every_required_column() -> None:
    told: dict[str, list[str]] = {}
    for names, columns in re.findall(r"^\| ([a-z_, ]+) \| [^|]+ \| ([a-z_,; ]+) \|$", README, re.MULTILINE):
        if names != "table":
            tables = zip(names.split(", "), columns.split("; "), strict=True)
            told |= {name: text.split(", ") for name, text in tables}
    assert told == {
        table.name: [column.name for column in table.columns if column.required] for table in TABLES.values()
    }


def test_readme_begins_with_the_job_in_one_paragraph() -> None:
    title, first, *_ = README.split("\n\n")
    assert title == "# Weighhouse"
    assert first.startswith("Weighhouse keeps stock and plans production")


def test_the_two_commands_stand_alone_and_first() -> None:
    commands = [line for line in README.splitlines() if re.search(r"pip install|pytest", line)]
    assert commands == [
        "python3 -m venv .venv && .venv/bin/pip install -c planner/constraints.txt -e . "
        "&& .venv/bin/python manage.py demo",
        "python3 -m venv .venv && .venv/bin/pip install -c planner/constraints.txt -e '.[test]' "
        "&& .venv/bin/python -m pytest",
    ]


def test_no_placeholder_is_left() -> None:
    for text in (README, DEVELOPERS):
        assert not re.search(r"\b[A-Z]+_(OUTPUT|TABLES)\b", text)
