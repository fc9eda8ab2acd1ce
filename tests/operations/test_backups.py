"""Backup and restore as two commands, each a process of its own on a database of its own: SQLite always, PostgreSQL
where DATABASE_URL names one."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.planner.small_house import tables
from tests.tables import write_tables

ROOT = Path(__file__).resolve().parents[2]


class Workshop:
    """One database of a workshop, and the commands run on it."""

    def __init__(self, url: str, home: Path) -> None:
        self.url = url
        kept = {name: value for name, value in os.environ.items() if name in ("PATH", "PGPASSWORD", "PGHOST")}
        hosts = {"ALLOWED_HOSTS": "localhost", "SECRET_KEY": "k" * 30 + "a-key-for-tests-alone-1234567890"}
        self.environment = kept | hosts | {"HOME": str(home), "DATABASE_URL": url, "LOG_FORMAT": "line"}

    def run(self, *arguments: object, **variables: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "manage.py", *map(str, arguments)]
        return subprocess.run(
            command, cwd=ROOT, env=self.environment | variables, capture_output=True, text=True, check=False
        )

    def ask(self, *arguments: object) -> Any:
        done = self.run(*arguments, "--json")
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def sql(self, statement: str) -> list[tuple[Any, ...]]:
        if self.url.startswith("sqlite"):
            with closing(sqlite3.connect(self.url.removeprefix("sqlite:///"))) as database:
                rows = database.execute(statement).fetchall()
                database.commit()
                return rows
        import psycopg

        with psycopg.connect(self.url, autocommit=True) as database:
            cursor = database.execute(statement)
            return cursor.fetchall() if cursor.description else []


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory, new_workshop: Path) -> Path:
    """The database of a workshop with stock, on SQLite: to be copied, never used."""
    folder = tmp_path_factory.mktemp("loaded")
    write_tables(folder / "tables", tables())
    shutil.copy(new_workshop, folder / "loaded.sqlite3")
    workshop = Workshop(f"sqlite:///{folder}/loaded.sqlite3", folder)
    assert workshop.run("load", folder / "tables").returncode == 0
    workshop.sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder / "loaded.sqlite3"


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=[pytest.mark.slow, pytest.mark.postgresql])])
def two(request: pytest.FixtureRequest, tmp_path: Path, loaded: Path) -> Iterator[tuple[Workshop, Workshop]]:
    """A workshop with stock, and an empty database of the same kind."""
    if request.param == "sqlite":
        shutil.copy(loaded, tmp_path / "first.sqlite3")
        yield tuple(Workshop(f"sqlite:///{tmp_path}/{name}.sqlite3", tmp_path) for name in ("first", "second"))
        return
    template = request.getfixturevalue("loaded_on_the_server")
    with made_on_the_server(1, template) as (first,), made_on_the_server(1) as (second,):
        yield Workshop(first, tmp_path), Workshop(second, tmp_path)


@pytest.fixture(scope="module")
def loaded_on_the_server(loaded: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The same workshop on the server of DATABASE_URL: the name of a database, to be copied, never used."""
    with made_on_the_server(1) as (url,):
        workshop = Workshop(url, tmp_path_factory.mktemp("loaded-on-the-server"))
        assert workshop.run("migrate").returncode == 0
        assert workshop.run("load", loaded.parent / "tables").returncode == 0
        yield urlsplit(url).path.removeprefix("/")


@contextmanager
def made_on_the_server(count: int, template: str = "template1") -> Iterator[list[str]]:
    """Addresses of databases on the server of DATABASE_URL, empty or copies of one there, dropped in the end."""
    import psycopg

    server = os.environ["DATABASE_URL"]
    names = [f"keep_{uuid.uuid4().hex[:12]}" for _ in range(count)]
    with psycopg.connect(server, autocommit=True) as database:
        for name in names:
            database.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        try:
            yield [urlsplit(server)._replace(path=f"/{name}").geturl() for name in names]
        finally:
            for name in names:
                database.execute(f"DROP DATABASE {name} WITH (FORCE)")


def test_what_was_backed_up_comes_back_and_the_ledger_agrees(two: tuple[Workshop, Workshop], tmp_path: Path) -> None:
    first, second = two
    kept = first.ask("backup", tmp_path / "kept")
    assert kept["bytes"] == (tmp_path / "kept").stat().st_size
    assert stat.S_IMODE((tmp_path / "kept").stat().st_mode) == 0o600
    restored = second.ask("restore", tmp_path / "kept")
    assert (restored["ok"], restored["differences"], restored["sha256"]) == (True, [], kept["sha256"])
    plan = ("plan", "--from", "2027-03-01", "--weeks", "4")
    assert second.ask(*plan) == first.ask(*plan)
    assert second.ask("stock") == first.ask("stock")
    assert len(second.ask("stock")["portions"]) == 3


@pytest.mark.slow
def test_the_ledger_that_came_back_still_refuses_changes(two: tuple[Workshop, Workshop], tmp_path: Path) -> None:
    first, second = two
    first.ask("backup", tmp_path / "kept")
    second.ask("restore", tmp_path / "kept")
    with pytest.raises(Exception, match="the ledger only grows"):
        second.sql("UPDATE inventory_movement SET quantity = quantity + 1")


@pytest.mark.slow
def test_a_restored_ledger_that_does_not_agree_is_told(two: tuple[Workshop, Workshop], tmp_path: Path) -> None:
    """The control of the check above: a balance that was tampered with before the backup is found after the restore."""
    first, second = two
    first.sql("UPDATE inventory_portion SET on_hand = on_hand + 5")
    first.ask("backup", tmp_path / "kept")
    done = second.run("restore", tmp_path / "kept", "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["ok"] is False
    assert len(json.loads(done.stdout)["differences"]) >= 3


@pytest.mark.slow
def test_a_database_that_holds_something_is_kept_unless_told_so(two: tuple[Workshop, Workshop], tmp_path: Path) -> None:
    first, _ = two
    first.ask("backup", tmp_path / "kept")
    first.sql("INSERT INTO inventory_setting (key, value) VALUES ('currency', 'EUR')")
    done = first.run("restore", tmp_path / "kept", "--json")
    assert (done.returncode, json.loads(done.stdout)["code"]) == (1, "not_empty")
    assert first.sql("SELECT value FROM inventory_setting WHERE key = 'currency'") == [("EUR",)]
    assert first.ask("restore", tmp_path / "kept", "--replace")["ok"] is True
    assert first.sql("SELECT value FROM inventory_setting WHERE key = 'currency'") == []


@pytest.mark.slow
def test_what_is_no_backup_or_of_a_later_program_changes_nothing(
    two: tuple[Workshop, Workshop], tmp_path: Path
) -> None:
    first, _ = two
    (tmp_path / "text").write_text("no backup")
    whole = Path(first.ask("backup", tmp_path / "whole")["path"]).read_bytes()
    (tmp_path / "half").write_bytes(whole[: len(whole) // 2])
    first.sql(
        "INSERT INTO django_migrations (app, name, applied) VALUES ('inventory', '9999_from_the_future', '2027-01-01')"
    )
    first.ask("backup", tmp_path / "later")
    expected = {
        "text": ("bad_input",),
        "half": ("bad_input", "backup_failed"),
        "later": ("later_program",),
        "none": ("not_found",),
    }
    for name, codes in expected.items():
        done = first.run("restore", tmp_path / name, "--replace", "--json")
        assert done.returncode == 1, name
        assert json.loads(done.stdout)["code"] in codes, done.stdout
        assert "Traceback" not in done.stderr
    assert len(first.ask("stock")["portions"]) == 3


@pytest.mark.slow
def test_a_backup_overwrites_nothing_and_names_itself_in_a_folder(
    two: tuple[Workshop, Workshop], tmp_path: Path
) -> None:
    first, _ = two
    (tmp_path / "kept").write_text("mine")
    done = first.run("backup", tmp_path / "kept", "--json")
    assert (done.returncode, json.loads(done.stdout)["code"]) == (1, "taken")
    assert (tmp_path / "kept").read_text() == "mine"
    folder = tmp_path / "backups"
    folder.mkdir()
    written = first.ask("backup", folder)["path"]
    assert [str(path) for path in folder.iterdir()] == [written]


@pytest.mark.slow
def test_a_backup_is_of_one_moment_while_others_write(tmp_path: Path, loaded: Path) -> None:
    """SQLite: a writer that goes on all the while neither breaks the copy nor is kept waiting for long."""
    workshop = Workshop(f"sqlite:///{tmp_path}/busy.sqlite3", tmp_path)
    shutil.copy(loaded, tmp_path / "busy.sqlite3")
    writing = (
        "import pathlib, sqlite3, sys, time\n"
        "database = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=20)\n"
        "end = time.time() + 120\n"
        "number = 0\n"
        "while time.time() < end and not pathlib.Path(sys.argv[2]).exists():\n"
        "    number += 1\n"
        "    database.execute('BEGIN IMMEDIATE')\n"
        "    for key in ('one', 'two'):\n"
        "        row = (key, str(number))\n"
        '        database.execute("INSERT OR REPLACE INTO inventory_setting (key, value) VALUES (?, ?)", row)\n'
        "    database.execute('COMMIT')\n"
        "print(number)\n"
    )
    writer = subprocess.Popen(
        [sys.executable, "-c", writing, str(tmp_path / "busy.sqlite3"), str(tmp_path / "enough")],
        stdout=subprocess.PIPE,
        text=True,
    )
    kept = [workshop.ask("backup", tmp_path / f"kept-{number}") for number in range(2)]
    assert writer.poll() is None
    (tmp_path / "enough").touch()
    assert int(writer.communicate()[0]) > 50
    for one in kept:
        with closing(sqlite3.connect(one["path"])) as copy:
            values = copy.execute("SELECT value FROM inventory_setting WHERE key IN ('one', 'two')").fetchall()
        assert len(set(values)) == 1, values


@pytest.mark.slow
@pytest.mark.postgresql
def test_a_database_in_use_is_not_replaced_and_the_wait_has_an_end(tmp_path: Path) -> None:
    import psycopg

    with made_on_the_server(1) as (url,):
        workshop = Workshop(url, tmp_path)
        assert workshop.run("migrate").returncode == 0
        workshop.ask("backup", tmp_path / "kept")
        with psycopg.connect(url) as other:
            other.execute("SELECT count(*) FROM inventory_item")  # its transaction stays open
            done = workshop.run("restore", tmp_path / "kept", "--replace", "--json")
        assert (done.returncode, json.loads(done.stdout)["code"]) == (1, "backup_failed")
        assert "stop web, worker and beat" in done.stderr
        assert workshop.ask("verify_ledger")["ok"] is True
