"""What every test may use. The ledger's triggers are lifted only while the test runner empties the tables."""

from __future__ import annotations

import importlib
import os
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management.commands import flush as flush_command
from django.db import connections
from django.test import override_settings

from inventory import change_triggers, ledger_triggers

# Set by CI: what cannot be run is a failure. What needs the other database is left to the run on it.
NOTHING_SKIPPED = os.environ.get("NOTHING_SKIPPED") == "1"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """A test of the one database is skipped, and said to be, in a run on the other."""
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
def _flush_is_let_through() -> Iterator[None]:
    """The flush of transactional tests empties tables; the triggers would (rightly) refuse it."""
    handle = flush_command.Command.handle

    def handle_with_ledger_open(self: flush_command.Command, **options: object) -> None:
        with ledger_may_be_emptied(str(options["database"])):
            handle(self, **options)
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
