"""What every test may use. The ledger's triggers are lifted only while the test runner empties the tables."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.core.management.commands import flush as flush_command
from django.db import connections
from django.test import override_settings

from inventory import change_triggers, ledger_triggers


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

    flush_command.Command.handle = handle_with_ledger_open  # type: ignore[method-assign]
    yield
    flush_command.Command.handle = handle  # type: ignore[method-assign]
