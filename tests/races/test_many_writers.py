"""Many writers on the same few lots: nothing is promised twice, nothing is lost, and every refusal says why.

Each race runs in a process and a database of its own: 32 writers on PostgreSQL, on SQLite eight threads of a process
that serves. Its control is the same race with the locks off, which must promise more than there is.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

pytestmark = pytest.mark.programs_on_the_database
ROOT = Path(__file__).resolve().parents[2]
ON_POSTGRESQL = not settings.ON_SQLITE
WRITERS = 32 if ON_POSTGRESQL else 8
# What a writer may be told beside a shortage: that the batch or lot is in another state by now, or to try again.
CLEAR = {"shortage", "not_on_hand", "wrong_state", "unusable", "changed", "busy", "more_than_wanted", "already_weighed"}


@pytest.fixture(scope="module")
def kept(request: pytest.FixtureRequest) -> Iterator[str]:
    """A migrated database, to be copied and never used: the path of a file, on PostgreSQL a name."""
    if not ON_POSTGRESQL:
        yield str(request.getfixturevalue("new_workshop"))
        return
    with made_on_the_server() as name:
        told = environment(address_on_the_server(name))
        subprocess.run([sys.executable, "manage.py", "migrate", "-v0"], cwd=ROOT, env=told, check=True)
        yield name


@contextmanager
def new_database(folder: Path, kept: str) -> Iterator[str]:
    """The address of a new workshop's database, gone afterwards."""
    if not ON_POSTGRESQL:
        yield f"sqlite:///{shutil.copy(kept, folder / f'crowd-{uuid.uuid4().hex[:12]}.sqlite3')}"
        return
    with made_on_the_server(template=kept) as name:
        yield address_on_the_server(name)


@pytest.fixture
def database(tmp_path: Path, kept: str) -> Iterator[str]:
    with new_database(tmp_path, kept) as address:
        yield address


@contextmanager
def made_on_the_server(template: str = "template1") -> Iterator[str]:
    import psycopg
    from django.db import connection

    given = connection.settings_dict
    name = f"crowd_{uuid.uuid4().hex[:12]}"
    server = {"host": given["HOST"], "port": given["PORT"] or None, "user": given["USER"] or None}
    with psycopg.connect(dbname="postgres", password=given["PASSWORD"] or None, autocommit=True, **server) as admin:
        admin.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        try:
            yield name
        finally:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


def address_on_the_server(name: str) -> str:
    from django.db import connection

    given = connection.settings_dict
    password = f":{given['PASSWORD']}" if given["PASSWORD"] else ""
    user = f"{given['USER']}{password}@" if given["USER"] else ""
    port = f":{given['PORT']}" if given["PORT"] else ""
    return f"postgres://{user}{given['HOST']}{port}/{name}"


def environment(database: str) -> dict[str, str]:
    return os.environ | {
        "DJANGO_SETTINGS_MODULE": "planner.settings",
        "DATABASE_URL": database,
        "SECRET_KEY": "only for racing, never served " * 2,
        "ALLOWED_HOSTS": "localhost",
        "PYTHONPATH": str(ROOT),
    }


def crowd(database: str, *options: str, seconds: float) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.races.crowd", f"--writers={WRITERS}", f"--seconds={seconds}", *options],
        cwd=ROOT,
        env=environment(database),
        capture_output=True,
        text=True,
        timeout=seconds + 240,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def expect_all_right(found: dict[str, Any]) -> None:
    assert found["broken"] == [], found
    assert found["unclear"] == [], found
    assert (found["oversold"], found["deadlocks"], found["lost"], found["books"]) == (0, 0, [], []), found
    assert set(found["refused"]) <= CLEAR, found


def expect_reserved_until_short(found: dict[str, Any]) -> None:
    expect_all_right(found)
    assert found["done"]["reserve"] > 0, found
    assert found["refused"].get("shortage", 0) > 0, "the stock was never short: this race shows nothing"


def expect_everything_was_done(found: dict[str, Any]) -> None:
    expect_all_right(found)
    for act in ("reserve", "release", "weigh", "dispatch", "count", "hold", "release lot", "move"):
        assert found["done"].get(act, 0) > 0, found


def test_nothing_is_promised_twice(database: str) -> None:
    expect_reserved_until_short(crowd(database, seconds=3))


def test_control_without_the_lock_more_is_promised_than_there_is(tmp_path: Path, kept: str) -> None:
    """Whether it comes to that in three seconds is chance: it is tried until it does, in a new workshop each time."""
    for _ in range(10):
        with new_database(tmp_path, kept) as address:
            if crowd(address, "--without=lock", seconds=3)["oversold"] > 0:
                return
    raise AssertionError("ten races without the lock promised nothing twice: the others show nothing")


def test_reserving_weighing_dispatch_counts_and_holds_at_once_leave_the_books_right(database: str) -> None:
    expect_all_right(crowd(database, "--mixed", seconds=3))


@pytest.mark.slow
def test_nothing_is_promised_twice_in_twenty_seconds(database: str) -> None:
    expect_reserved_until_short(crowd(database, seconds=20))


@pytest.mark.slow
def test_everything_at_once_for_twenty_seconds(database: str) -> None:
    expect_everything_was_done(crowd(database, "--mixed", seconds=20))


@pytest.mark.long
def test_nothing_is_promised_twice_in_two_minutes(database: str) -> None:
    expect_reserved_until_short(crowd(database, seconds=120))


@pytest.mark.long
def test_everything_at_once_for_two_minutes(database: str) -> None:
    expect_everything_was_done(crowd(database, "--mixed", seconds=120))
