"""``audit_dependencies``: are known weaknesses in the packages that this program is built of?

Fails when it found one, and when it could not look: pip-audit may skip every package and still exit with 0. It asks
the advisory service of the package index, which not every machine reaches; so it is a command for whoever releases,
not a step of the tests. Needs the extra ``audit``.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandParser
from rich.console import Console

from inventory.errors import DomainError
from planner.management.door import DoorCommand

SECONDS = 600


class CannotAudit(DomainError):
    """Nothing is known of one package or of all: that is no all-clear."""

    code = "not_audited"
    status = 503


class Command(DoorCommand):
    help = "Look for known weaknesses in the pinned packages. Exit code 1 for one, and when it could not look."
    needs_tables = False

    def arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--pins",
            type=Path,
            default=Path(settings.BASE_DIR) / "planner" / "constraints.txt",
            help="the file of exact versions (default: %(default)s)",
        )

    def answer(self, *, pins: Path, **options: Any) -> Any:
        return audit(pins)

    def show(self, console: Console, document: Any) -> None:
        console.print(f"{document['audited']} packages were looked at.")
        for row in document["weaknesses"]:
            better = ", ".join(row["mended_in"]) or "no version yet"
            console.print(f"{row['package']} {row['version']}: {row['weakness']}; mended in {better}")

    def exit_code(self, document: Any) -> int:
        return 1 if document["weaknesses"] else 0


def audit(pins: Path) -> dict[str, Any]:
    """What pip-audit says of each pin. Raises CannotAudit unless it says something of every one."""
    try:
        wanted = {_name(line.partition("==")[0]) for line in pins.read_text().splitlines() if "==" in line}
    except OSError as error:
        raise CannotAudit(f"{pins} cannot be read: {error.strerror}") from error
    told = _asked(pins)
    silent = sorted({_name(one["name"]) for one in told if one.get("skip_reason") or "vulns" not in one})
    unseen = sorted(wanted - {_name(one["name"]) for one in told})
    if not wanted or silent or unseen:
        named = ", ".join((silent + unseen)[:5]) or "no package"
        count = len(silent) + len(unseen)
        raise CannotAudit(f"{count} of {len(wanted)} packages could not be audited: {named}", skipped=silent + unseen)
    weaknesses = [
        {
            "package": one["name"],
            "version": one["version"],
            "weakness": found["id"],
            "mended_in": found.get("fix_versions", []),
        }
        for one in told
        for found in one["vulns"]
    ]
    return {"audited": len(told), "weaknesses": weaknesses}


def _name(text: str) -> str:
    return text.strip().lower().replace("_", "-").replace(".", "-")


def _asked(pins: Path) -> list[dict[str, Any]]:
    tool = shutil.which("pip-audit", path=str(Path(sys.executable).parent)) or shutil.which("pip-audit")
    if tool is None:
        raise CannotAudit("pip-audit is not installed here; it comes with the extra: pip install -e '.[audit]'")
    command = [tool, "--requirement", str(pins), "--no-deps", "--disable-pip", "--strict", "--format", "json"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=SECONDS)
    except subprocess.TimeoutExpired as error:
        raise CannotAudit(f"pip-audit did not end within {SECONDS} seconds") from error
    try:
        told: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError, TypeError) as error:
        reason = next((line for line in reversed(done.stderr.splitlines()) if line.strip()), "it said nothing")
        raise CannotAudit(f"pip-audit could not look: {reason.strip()[:300]}") from error
    return told
