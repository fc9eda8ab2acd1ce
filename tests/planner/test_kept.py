"""What is kept of the plan is what would be planned anew: any commit, by whomever, has it made again."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
import time_machine
from django.db import transaction

from inventory import database_state
from inventory.database_state import state_token
from inventory.models import Item
from planner import kept as keeping
from planner.kept import kept
from tests.inventory.builders import make_item


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    keeping._answers.clear()
    yield
    keeping._answers.clear()


@pytest.fixture
def state(monkeypatch: pytest.MonkeyPatch) -> dict[str, str | None]:
    told: dict[str, str | None] = {"token": "1"}
    monkeypatch.setattr(keeping, "state_token", lambda: told["token"])
    monkeypatch.setattr(keeping.clock, "today", lambda: datetime.now(UTC).date())
    return told


def counted() -> tuple[list[tuple[int, ...]], object]:
    asked: list[tuple[int, ...]] = []

    @kept
    def read(*numbers: int) -> int:
        asked.append(numbers)
        return sum(numbers)

    return asked, read


def test_an_answer_is_kept_by_its_arguments_until_something_is_written(state) -> None:
    asked, read = counted()
    assert [read(1), read(1), read(1, 2), read(1)] == [1, 1, 3, 1]
    assert asked == [(1,), (1, 2)]
    state["token"] = "2"
    assert (read(1), read(1)) == (1, 1)
    assert asked == [(1,), (1, 2), (1,)]


def test_another_day_has_it_made_anew(state) -> None:
    asked, read = counted()
    with time_machine.travel("2027-03-10T09:00:00Z", tick=False):
        read(1)
        read(1)
    with time_machine.travel("2027-03-11T00:00:01Z", tick=False):
        read(1)
    assert asked == [(1,), (1,)]


def test_where_the_state_cannot_be_told_nothing_is_kept(state) -> None:
    asked, read = counted()
    read(1)
    state["token"] = None
    read(1)
    read(1)
    state["token"] = "1"
    read(1)
    assert asked == [(1,)] * 3


def test_a_write_while_the_answer_is_made_has_it_made_again(state) -> None:
    """The answer may hold what was written meanwhile or not; nobody may take it for newer than it is."""

    @kept
    def read() -> str | None:
        found = state["token"]
        state["token"] = "2"
        return found

    assert read() == "1"
    assert read() == "2"


def test_two_who_ask_at_once_have_it_made_once(state) -> None:
    asked: list[float] = []

    @kept
    def read() -> int:
        asked.append(time.monotonic())
        time.sleep(0.2)
        return len(asked)

    answers: list[int] = []
    threads = [threading.Thread(target=lambda: answers.append(read())) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (answers, len(asked)) == ([1] * 4, 1)


def test_no_more_is_kept_than_a_few_answers(state) -> None:
    _, read = counted()
    for number in range(3 * keeping.MOST):
        read(number)
    assert len(keeping._answers) == keeping.MOST


def test_a_read_that_fails_keeps_nothing(state) -> None:
    @kept
    def read() -> int:
        raise LookupError("nothing there")

    for _ in range(2):
        with pytest.raises(LookupError):
            read()


# --- the state of the database ------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(tmp_path / "store.sqlite3", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("CREATE TABLE lot (number TEXT)")
        yield connection


def test_a_commit_changes_the_state_of_a_file_and_a_read_does_not(file: sqlite3.Connection, tmp_path: Path) -> None:
    name = str(tmp_path / "store.sqlite3")
    first = database_state._version_of_file(name)
    file.execute("SELECT * FROM lot").fetchall()
    assert database_state._version_of_file(name) == first is not None
    file.execute("BEGIN")
    file.execute("INSERT INTO lot VALUES ('L1')")
    assert database_state._version_of_file(name) == first  # nobody else sees it yet
    file.execute("COMMIT")
    second = database_state._version_of_file(name)
    assert second != first
    assert database_state._version_of_file(name) == second


def test_another_file_in_its_place_is_another_state(file: sqlite3.Connection, tmp_path: Path) -> None:
    """A copy that is put back has its own count of commits, which may be the same."""
    name = tmp_path / "store.sqlite3"
    first = database_state._version_of_file(str(name))
    other = tmp_path / "copy.sqlite3"
    with closing(sqlite3.connect(other)) as copy:
        file.backup(copy)
    other.replace(name)
    assert database_state._version_of_file(str(name)) != first


def test_a_database_in_memory_has_no_state_to_tell() -> None:
    assert database_state._version_of_file(":memory:") is None


@pytest.mark.django_db
def test_inside_a_transaction_the_state_cannot_be_told() -> None:
    assert state_token() is None


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_commit_changes_the_state_of_a_server_and_a_read_does_not() -> None:
    """What is written beside this test in other databases of the same server changes the token too, which is meant.

    So the read is tried until nobody else was over in the middle of it. A read that changed the token would do so at
    each try.
    """

    def token_is_the_same_after_a_read() -> bool:
        first = state_token()
        assert first is not None
        Item.objects.count()
        return state_token() == first

    assert any(token_is_the_same_after_a_read() for _ in range(1_000))
    first = state_token()
    make_item("OIL")
    assert state_token() != first
    with transaction.atomic():
        Item.objects.update(name="Oil")
        transaction.set_rollback(True)
    assert state_token() is not None
