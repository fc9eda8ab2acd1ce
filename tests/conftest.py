"""What every test may use. The ledger's triggers are lifted only while the test runner empties the tables."""

from __future__ import annotations

import gc
import importlib
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import global_settings, settings
from django.core.management.commands import flush as flush_command
from django.db import connections
from django.test import override_settings
from whitenoise.middleware import WhiteNoiseMiddleware

from inventory import change_triggers, ledger_triggers
from tests.made_once import made_once

# Thousands of tests stand in memory for the whole run; looking through them for garbage as often as Python would is a
# twentieth of it.
gc.set_threshold(50_000, 20, 50)

# Set by CI: what cannot be run is a failure. What needs the other database is left to the run on it.
NOTHING_SKIPPED = os.environ.get("NOTHING_SKIPPED") == "1"


def pytest_addoption(parser: pytest.Parser) -> None:
    told = "leave out every test that cannot ask the database: for a second run, on another database"
    parser.addoption("--asks-database", action="store_true", help=told)


def can_ask_the_database(item: pytest.Item) -> bool:
    """pytest-django refuses a query to a test without its mark or one of its fixtures. A test that starts programs on
    the database of this run has neither, and is marked."""
    markers = ("django_db", "postgresql", "sqlite", "programs_on_the_database")
    fixtures = {"db", "transactional_db", "django_db_setup"}
    return any(item.get_closest_marker(one) for one in markers) or bool(fixtures & {*getattr(item, "fixturenames", ())})


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """A test of the one database is skipped, and said to be, in a run on the other."""
    if config.getoption("--asks-database"):
        config.hook.pytest_deselected(items=[item for item in items if not can_ask_the_database(item)])
        items[:] = [item for item in items if can_ask_the_database(item)]
    other, told = ("postgresql", "PostgreSQL") if settings.ON_SQLITE else ("sqlite", "SQLite")
    of_other = [item for item in items if item.get_closest_marker(other)]
    if NOTHING_SKIPPED:
        config.hook.pytest_deselected(items=of_other)
        items[:] = [item for item in items if not item.get_closest_marker(other)]
        return
    for item in of_other:
        item.add_marker(pytest.mark.skip(reason=f"needs {told}: DATABASE_URL names another database"))


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    if not NOTHING_SKIPPED or hasattr(session.config, "workerinput"):
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("NOTHING_SKIPPED=1, and something was skipped: see the reasons", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@contextmanager
def ledger_may_be_emptied(database: str) -> Iterator[None]:
    connection = connections[database]
    ledger_triggers.remove(connection)
    change_triggers.remove(connection)
    try:
        yield
    finally:
        ledger_triggers.install(connection)
        change_triggers.install(connection)


@pytest.fixture(autouse=True, scope="session")
def _served_over_plain_http() -> Iterator[None]:
    """A server sends every request to https; the tests' own requests have none. What is sent there is tested apart."""
    with override_settings(SECURE_SSL_REDIRECT=False):
        yield


@pytest.fixture(autouse=True, scope="session")
def _passwords_are_hashed_quickly() -> Iterator[None]:
    """What makes a hash worth keeping is that it takes long: nearly half a second for each account and each try. The
    program's own way of hashing is met by all tests that serve a workshop in a process of its own."""
    with override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"]):
        yield


@pytest.fixture(autouse=True, scope="session")
def _static_files_are_looked_for_once() -> Iterator[None]:
    """Each client of the tests has a chain of middleware of its own, which would look through all folders anew."""
    look, found = WhiteNoiseMiddleware.add_files_from_finders, {}

    def look_once(self: WhiteNoiseMiddleware) -> None:
        if self.static_prefix not in found:
            look(self)
            found[self.static_prefix] = self.files
        self.files = dict(found[self.static_prefix])

    WhiteNoiseMiddleware.add_files_from_finders = look_once
    yield
    WhiteNoiseMiddleware.add_files_from_finders = look


@pytest.fixture
def hashed_as_served() -> Iterator[None]:
    """For a test of the hashes themselves: as the program's settings say."""
    from planner import settings as program

    with override_settings(PASSWORD_HASHERS=getattr(program, "PASSWORD_HASHERS", global_settings.PASSWORD_HASHERS)):
        yield


@pytest.fixture(scope="session")
def new_workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As ``migrate`` has just made it, for programs that begin with a new workshop: to be copied. It takes seconds."""

    def make(file: Path) -> None:
        told = {"DATABASE_URL": f"sqlite:///{file}", "SECRET_KEY": "only for making tables, never served " * 2}
        command = [sys.executable, "manage.py", "migrate", "-v0"]
        subprocess.run(command, cwd=Path(__file__).parents[1], env=os.environ | told, check=True)

    return made_once(tmp_path_factory, "new-workshop", make)


@pytest.fixture(autouse=True, scope="session")
def _flush_is_let_through() -> Iterator[None]:
    """The flush of transactional tests empties tables; the triggers would (rightly) refuse it."""
    handle = flush_command.Command.handle

    def handle_with_ledger_open(self: flush_command.Command, **options: object) -> None:
        with ledger_may_be_emptied(str(options["database"])):
            # Numbered from one again, so that what is written next has the numbers that it had after the migrations.
            handle(self, **options | {"reset_sequences": True})
        _begin_as_a_new_workshop()

    flush_command.Command.handle = handle_with_ledger_open  # type: ignore[method-assign]
    yield
    flush_command.Command.handle = handle  # type: ignore[method-assign]


def _begin_as_a_new_workshop() -> None:
    """The flush takes what migrations wrote: the roles, and the protocol of common practice."""
    from django.contrib.auth.models import Group

    from planner.api.roles import ROLES

    Group.objects.bulk_create([Group(name=name) for name in ROLES], ignore_conflicts=True)
    protocol = importlib.import_module("production.migrations.0003_protocol_of_common_practice")
    protocol.write(apps, None)
