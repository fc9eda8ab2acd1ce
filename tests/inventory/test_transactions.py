"""The lock taken once, services within services, and on SQLite the queue of those who write."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.errors import LockTimeout, Shortage
from inventory.models import Portion
from inventory.queued_sqlite3.base import Queue
from inventory.services import counting
from inventory.transactions import MOST_LOOKS, LockedOutOfOrder, lock_found, lock_items, write
from tests.inventory.builders import make_item, make_stock

ROOT = Path(__file__).resolve().parents[2]


# The lock


@pytest.mark.django_db
def test_items_are_locked_once_in_an_act_and_never_out_of_order() -> None:
    first, second, third = (make_item() for _ in range(3))

    @write
    def inner() -> int:
        with CaptureQueriesContext(connection) as statements:
            lock_items([first.pk, second.pk])
        return len(statements)

    @write
    def outer() -> int:
        lock_items([second.pk, first.pk])
        return inner()

    @write
    def wrong_order() -> None:
        lock_items([second.pk])
        lock_items([first.pk])

    @write
    def right_order() -> None:
        lock_items([second.pk])
        lock_items([second.pk, third.pk])

    assert outer() == 0, "what the act has locked is locked anew"
    right_order()
    with pytest.warns(LockedOutOfOrder, match=f"{first.pk}"):
        wrong_order()
    with CaptureQueriesContext(connection) as statements:
        lock_items([first.pk])
    assert len(statements) == (1 if connection.vendor == "postgresql" else 0), "an act that ended holds its items"


@pytest.mark.django_db
def test_what_is_found_beyond_is_locked_with_all_the_rest_in_one_order(recwarn: pytest.WarningsRecorder) -> None:
    first, second, third = (make_item().pk for _ in range(3))
    steps = iter([[second], [second, third], [first, second, third], [first, second, third]])

    @write
    def act() -> list[int]:
        found = lock_found(lambda: next(steps), lambda found: found)
        with CaptureQueriesContext(connection) as statements:
            lock_items(found)
        assert len(statements) == 0, "what was found is not locked"
        return found

    assert act() == [first, second, third]
    assert [one for one in recwarn if issubclass(one.category, LockedOutOfOrder)] == []


@pytest.mark.django_db
def test_who_finds_ever_more_is_told_to_try_again() -> None:
    pks = sorted(make_item().pk for _ in range(MOST_LOOKS + 2))
    more = iter(range(1, len(pks) + 1))

    @write
    def act() -> None:
        lock_found(lambda: pks[: next(more)], lambda found: found)

    with pytest.raises(LockTimeout):
        act()


def test_a_lock_outside_a_transaction_is_a_mistake(transactional_db: None) -> None:
    with pytest.raises(RuntimeError):
        lock_items([1])


@pytest.mark.django_db(transaction=True)
def test_what_an_inner_service_refuses_undoes_the_whole_act() -> None:
    portion = make_stock(quantity=1000)

    @write
    def act() -> None:
        counting.discard(portion=portion, quantity=300)
        counting.discard(portion=portion, quantity=800)

    with pytest.raises(Shortage):
        act()
    assert Portion.objects.get().on_hand == 1000
    counting.discard(portion=portion, quantity=1000)
    assert Portion.objects.get().on_hand == 0


@pytest.mark.django_db
@pytest.mark.postgresql
def test_nobody_waits_longer_than_five_seconds_for_a_lock() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SHOW lock_timeout")
        assert cursor.fetchone() == ("5s",)


# The queue


def test_turns_come_in_the_order_in_which_they_were_asked_for() -> None:
    queue, served, asked = Queue(), [], []
    assert queue.enter(1)

    def stand(number: int) -> None:
        assert queue.enter(10)
        served.append(number)
        queue.leave()

    threads = []
    for number in range(8):
        threads.append(threading.Thread(target=stand, args=(number,)))
        threads[-1].start()
        asked.append(number)
        while len(queue._waiting) < number + 1:
            time.sleep(0.001)
    queue.leave()
    for thread in threads:
        thread.join(10)
    assert served == asked
    assert queue.enter(0), "nobody has the turn any more"


def test_who_waits_too_long_leaves_the_queue_and_holds_nobody_up() -> None:
    queue = Queue()
    assert queue.enter(1)
    assert not queue.enter(0.01)
    queue.leave()
    assert queue.enter(0)


_BUSY = """
import sys, django
django.setup()
from inventory.errors import Conflict
from inventory.models import Item
from inventory.services.dispatching import want
from inventory import clock
item = Item.objects.create(code="OIL", name="Oil", kind="raw", measure="mass", caps_life=True)
from django.db import connection
connection.close()
connection.settings_dict["OPTIONS"]["timeout"] = 0.3
print("ready", flush=True)
for line in sys.stdin:
    try:
        written = want(item=item, quantity=5, due_on=clock.today(), reference=line.strip())
        print("written", written.reference, flush=True)
    except Conflict as refusal:
        print(refusal.status, refusal.code, flush=True)
"""


@pytest.mark.sqlite
def test_another_process_that_writes_too_long_is_a_conflict_and_the_next_try_succeeds(
    tmp_path: Path, new_workshop: Path
) -> None:
    path = tmp_path / "house.sqlite3"
    shutil.copy(new_workshop, path)
    environment = os.environ | {
        "DATABASE_URL": f"sqlite:///{path}",
        "DJANGO_SETTINGS_MODULE": "planner.settings",
        "PYTHONPATH": str(ROOT),
    }
    with subprocess.Popen(
        [sys.executable, "-c", _BUSY], env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as serving:
        assert serving.stdin is not None
        assert serving.stdout is not None
        assert serving.stdout.readline().strip() == "ready"

        def ask(reference: str) -> str:
            serving.stdin.write(f"{reference}\n")
            serving.stdin.flush()
            return str(serving.stdout.readline()).strip()

        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        assert ask("first") == "409 busy"
        other.execute("ROLLBACK")
        assert ask("second") == "written second"
        serving.stdin.close()
