"""The whole database into one file, and back. SQLite by its online backup, PostgreSQL by pg_dump and pg_restore.

Raises ``inventory.errors``; a restore that cannot be finished leaves what was there.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

from django.apps import apps
from django.contrib.auth import get_user_model
from django.core.management import call_command
from django.db import connection, connections
from django.db.migrations.loader import MigrationLoader

from inventory import clock
from inventory.errors import BadInput, Conflict, DomainError, Fault, NotFound
from inventory.models import Item, Party, Setting, StockEvent
from planner import selectors

SQLITE, POSTGRESQL = "sqlite", "postgresql"
BEGINS = {SQLITE: b"SQLite format 3\x00", POSTGRESQL: b"PGDMP"}
ENDINGS = {SQLITE: ".sqlite3", POSTGRESQL: ".dump"}
WAIT_SECONDS = 20


class CannotKeep(DomainError):
    """A tool or the file system refused."""

    code = "backup_failed"
    status = 500


# --- backup ------------------------------------------------------------------------------------------------


def back_up(path: Path) -> dict[str, Any]:
    """Write the database into a new file; into a folder, under a name made of the moment.

    Others may go on writing: the file holds one moment. It is readable by its owner alone. Raises Conflict where the
    file is there already, CannotKeep where it cannot be written.
    """
    vendor, moment = connection.vendor, clock.now().astimezone(UTC)
    if path.is_dir():
        path = path / f"weighhouse-{moment:%Y%m%dT%H%M%SZ}{ENDINGS[vendor]}"
    if path.exists():
        fault = Fault("path", str(path), "a file that is not there yet, or a folder")
        raise Conflict(f"{path} is there already", code="taken", faults=[fault])
    with _written_whole(path) as part:
        if vendor == SQLITE:
            _copy_sqlite(_sqlite_name(), part)
        else:
            _run(["pg_dump", "--format=custom", "--no-owner", "--no-privileges", "--file", str(part)])
            _run(["pg_restore", "--list", str(part)])  # what cannot be read is no backup
    return {
        "path": str(path),
        "database": vendor,
        "bytes": path.stat().st_size,
        "sha256": _digest(path),
        "made_at": moment.isoformat(timespec="seconds"),
    }


@contextmanager
def _written_whole(path: Path) -> Iterator[Path]:
    """A file beside ``path`` to write into, which takes its name when all of it is on the disk."""
    part = path.with_name(path.name + ".part")
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        yield part
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise CannotKeep(f"{path} cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


def _copy_sqlite(source: str, target: Path) -> None:
    """All pages in one step: a writer waits for nothing (WAL), and does not make it begin again."""
    try:
        with closing(_opened(source, "ro")) as database, closing(sqlite3.connect(target)) as copy:
            database.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            _check_sqlite(copy)
    except sqlite3.Error as error:
        raise CannotKeep(f"{source} cannot be copied: {error}") from error


def _opened(name: str, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{Path(name).absolute().as_uri()}?mode={mode}", uri=True, timeout=WAIT_SECONDS)


def _check_sqlite(database: sqlite3.Connection) -> None:
    """Raise sqlite3.DatabaseError where a page is broken."""
    (told,) = database.execute("PRAGMA integrity_check(1)").fetchone()
    if told != "ok":
        raise sqlite3.DatabaseError(str(told))


def _sqlite_name() -> str:
    return str(connection.settings_dict["NAME"])


# --- restore -----------------------------------------------------------------------------------------------


def restore(path: Path, *, replace: bool) -> dict[str, Any]:
    """Bring a backup into the database, bring its tables up to date, and verify the ledger.

    1. Look at the file: a backup, of this kind of database, of no later program than this.
    2. Look at the database: it holds nothing, or may be replaced.
    3. Put the one in the other's place, all or nothing.
    4. Migrate, verify.

    Raises NotFound, BadInput, Conflict (``not_empty``, ``later_program``), CannotKeep.
    """
    vendor = connection.vendor
    _check_kind(path, vendor)
    later = sorted(_migrations_in(path, vendor) - set(MigrationLoader(None).graph.nodes))
    ours = {config.label for config in apps.get_app_configs()}
    later = [one for one in later if one[0] in ours]
    if later:
        told = f"the backup is of a later program: this one does not know {later[0][0]} {later[0][1]}"
        raise Conflict(told, code="later_program")
    if not replace:
        _refuse_what_is_not_empty()
    connections.close_all()
    if vendor == SQLITE:
        _replace_sqlite(path)
    else:
        _replace_postgresql(path)
    call_command("migrate", verbosity=0, interactive=False)
    return {"path": str(path), "database": vendor, "sha256": _digest(path)} | selectors.verification_document()


def _check_kind(path: Path, vendor: str) -> None:
    try:
        with path.open("rb") as file:
            begins = file.read(16)
    except OSError as error:
        fault = Fault("path", str(path), "a file that backup wrote")
        raise NotFound(f"{path} cannot be read: {error.strerror}", faults=[fault]) from error
    kind = next((name for name, first in BEGINS.items() if begins.startswith(first)), None)
    if kind != vendor:
        told = f"of {kind}, and this database is {vendor}" if kind else "no backup"
        hint = "; between them carry the tables: export and load" if kind else ""
        raise BadInput(f"{path} is {told}{hint}", faults=[Fault("path", str(path), f"a backup of {vendor}")])


def _migrations_in(path: Path, vendor: str) -> set[tuple[str, str]]:
    """The migrations that were applied in what was backed up. Raises BadInput where there are none."""
    if vendor == SQLITE:
        try:
            with closing(_opened(str(path), "ro")) as database:
                _check_sqlite(database)
                found = {(app, name) for app, name in database.execute("SELECT app, name FROM django_migrations")}
        except sqlite3.Error as error:
            raise BadInput(f"{path} is broken, or no workshop's: {error}") from error
    else:
        told = _run(["pg_restore", "--data-only", "--table=django_migrations", "--file=-", str(path)])
        rows = [line.split("\t") for line in told.splitlines()]
        found = {(row[1], row[2]) for row in rows if len(row) == 4 and row[0].isdigit()}
    if not any(app == "inventory" for app, _ in found):
        raise BadInput(f"{path} is no workshop's", faults=[Fault("path", str(path), "a file that backup wrote")])
    return found


def _refuse_what_is_not_empty() -> None:
    """Raise Conflict where the database holds a workshop, or tables that are not this program's."""
    there = set(connection.introspection.table_names())
    known = {model._meta.db_table for model in apps.get_models(include_auto_created=True)} | {"django_migrations"}
    holds = sorted(there - known)
    for model in (Item, Party, Setting, StockEvent, get_user_model()):
        if model._meta.db_table in there and model._default_manager.exists():
            holds.append(model._meta.db_table)
    if holds:
        raise Conflict(
            f"the database is not empty: {', '.join(holds[:3])} hold something; nothing was changed. "
            "With --replace all of it is lost",
            code="not_empty",
        )


def _replace_sqlite(path: Path) -> None:
    """Every page in one transaction of the database: a reader sees the old one or the new one."""
    name = _sqlite_name()
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    try:
        with closing(_opened(str(path), "ro")) as backup, closing(_opened(name, "rwc")) as database:
            backup.backup(database)
            database.execute("PRAGMA journal_mode = WAL")
    except sqlite3.Error as error:
        told = f"{name} cannot be replaced: {error}; stop what uses it, and try again"
        raise CannotKeep(told) from error


# Whoever still works there must be stopped first: waiting for them would be waiting for ever.
CLEARED = "SET lock_timeout = '10s'; DROP SCHEMA public CASCADE; CREATE SCHEMA public;"


def _replace_postgresql(path: Path) -> None:
    """All statements are written out first, so that a backup which breaks off is not taken for a short one."""
    with tempfile.TemporaryDirectory() as folder:
        statements = str(Path(folder, "statements.sql"))
        _run(["pg_restore", "--no-owner", "--no-privileges", f"--file={statements}", str(path)])
        quiet = ["--no-psqlrc", "--quiet", "--output=/dev/null", "--set=ON_ERROR_STOP=1"]
        try:
            _run(["psql", *quiet, "--single-transaction", f"--command={CLEARED}", f"--file={statements}"])
        except CannotKeep as error:
            told = f"the database was not replaced: {error.message}; stop web, worker and beat, and try again"
            raise CannotKeep(told) from error


# --- tools -------------------------------------------------------------------------------------------------


def _environment() -> dict[str, str]:
    """How PostgreSQL's tools reach the database: by variables, so that no process list shows the password."""
    told = connection.settings_dict
    given = {
        "PGDATABASE": told["NAME"],
        "PGUSER": told["USER"],
        "PGPASSWORD": told["PASSWORD"],
        "PGHOST": told["HOST"],
        "PGPORT": told["PORT"],
        "PGSSLMODE": told["OPTIONS"].get("sslmode", ""),
    }
    return dict(os.environ) | {name: str(value) for name, value in given.items() if value}


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise CannotKeep(f"{name} is not installed here; it comes with PostgreSQL's client")
    return found


def _run(arguments: list[str]) -> str:
    done = subprocess.run(
        [_tool(arguments[0]), *arguments[1:]], env=_environment(), capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise CannotKeep(f"{arguments[0]}: {_first_line(done.stderr)}")
    return done.stdout


def _first_line(text: str) -> str:
    return next((line.strip() for line in text.splitlines() if line.strip()), "it gave no reason")


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
