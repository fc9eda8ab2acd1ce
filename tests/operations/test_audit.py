"""The audit of dependencies: no all-clear where nothing was looked at. pip-audit is played by a script of its name, so
that no test asks an advisory service."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest

from planner.management.commands import audit_dependencies
from planner.management.commands.audit_dependencies import CannotAudit, audit

PINS = "Django==5.2.19\nprometheus_client==0.26.0\n"
CLEAN: list[dict[str, Any]] = [
    {"name": "django", "version": "5.2.19", "vulns": []},
    {"name": "prometheus-client", "version": "0.26.0", "vulns": []},
]


@pytest.fixture
def says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    (tmp_path / "pins.txt").write_text(PINS)

    def answered(dependencies: Any, code: int = 0, error: str = "") -> Path:
        script = tmp_path / "pip-audit"
        told = json.dumps({"dependencies": dependencies, "fixes": []}) if dependencies is not None else ""
        script.write_text(f"#!/bin/sh\ncat <<'X'\n{told}\nX\necho '{error}' >&2\nexit {code}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setattr(audit_dependencies.shutil, "which", lambda name, path=None: str(script))
        return tmp_path / "pins.txt"

    return answered


def test_all_were_looked_at_and_nothing_was_found(says: Any) -> None:
    assert audit(says(CLEAN)) == {"audited": 2, "weaknesses": []}


def test_a_weakness_is_told(says: Any) -> None:
    weak = CLEAN[0] | {"vulns": [{"id": "PYSEC-0000-1", "fix_versions": ["5.2.20"]}]}
    (found,) = audit(says([weak, CLEAN[1]], code=1))["weaknesses"]
    assert (found["package"], found["weakness"], found["mended_in"]) == ("django", "PYSEC-0000-1", ["5.2.20"])


@pytest.mark.parametrize(
    "dependencies",
    [
        [],
        CLEAN[:1],
        [CLEAN[0], {"name": "prometheus-client", "skip_reason": "not found on the index"}],
        [{"name": one["name"], "skip_reason": "the service did not answer"} for one in CLEAN],
    ],
)
def test_what_was_not_looked_at_is_no_all_clear_though_the_tool_exits_with_0(says: Any, dependencies: Any) -> None:
    with pytest.raises(CannotAudit, match="could not be audited"):
        audit(says(dependencies, code=0))


def test_a_service_that_cannot_be_reached_is_told(says: Any) -> None:
    with pytest.raises(CannotAudit, match="Could not connect"):
        audit(says(None, code=1, error="ERROR: Could not connect to the service"))


def test_no_pins_are_no_all_clear(says: Any, tmp_path: Path) -> None:
    says([])
    (tmp_path / "empty.txt").write_text("# nothing\n")
    with pytest.raises(CannotAudit):
        audit(tmp_path / "empty.txt")


def test_without_the_tool_it_fails(says: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    pins = says(CLEAN)
    monkeypatch.setattr(audit_dependencies.shutil, "which", lambda name, path=None: None)
    with pytest.raises(CannotAudit, match="not installed"):
        audit(pins)
