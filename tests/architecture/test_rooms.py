"""The shape of the project: what may import what, what stands at the top, what the migrations know."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "manage.py", "pyproject.toml", "planner", "inventory", "production", "tests",
    "docker-compose.yml", "LICENSE",
}  # fmt: skip
MAY_IMPORT = {"inventory": set(), "production": {"inventory"}, "planner": {"inventory", "production"}}


def imported_roots(path: Path) -> set[str]:
    """First names of every module that a file imports."""
    roots: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            roots |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            roots.add(node.module.split(".")[0])
    return roots


@pytest.mark.parametrize("app", sorted(MAY_IMPORT))
def test_imports_run_one_way(app: str) -> None:
    for path in (ROOT / app).rglob("*.py"):
        others = imported_roots(path) & (set(MAY_IMPORT) - {app})
        assert others <= MAY_IMPORT[app], f"{path} imports {others - MAY_IMPORT[app]}"


def test_the_engine_imports_the_standard_library_and_numpy_only() -> None:
    allowed = set(sys.stdlib_module_names) | {"numpy", "planner"}
    for path in (ROOT / "planner/engine").rglob("*.py"):
        assert imported_roots(path) <= allowed, path
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("planner"):
                assert (node.module or "").startswith("planner.engine"), path


def test_the_top_level_is_the_owners() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.django_db
def test_every_model_change_has_its_migration() -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)
