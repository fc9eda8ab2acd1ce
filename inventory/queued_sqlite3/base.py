"""SQLite where the threads of a process write one after the other in the order in which they came.

SQLite lets one connection write. Those that wait only look again after growing pauses, and who comes at the right
moment goes first: among eight threads one waited two seconds, though nobody held the lock for longer than a few
milliseconds. So the threads of a process stand in a queue before they ask the database. Other processes are not in it:
between processes the database's own timeout decides, after which the act is refused as busy. Reads never wait.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Any

from django.db.backends.sqlite3 import base
from django.db.utils import OperationalError

_WRITES = ("INSERT", "UPDATE", "DELETE", "REPLACE")


class Queue:
    """A lock that is handed on in the order in which it was asked for."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._waiting: deque[threading.Lock] = deque()
        self._taken = False

    def enter(self, timeout_s: float) -> bool:
        """Wait for one's turn; False where it did not come in time."""
        with self._guard:
            if not self._taken:
                self._taken = True
                return True
            turn = threading.Lock()
            turn.acquire()
            self._waiting.append(turn)
        if turn.acquire(timeout=timeout_s):
            return True
        with self._guard:
            if turn in self._waiting:
                self._waiting.remove(turn)
                return False
        return True  # it was handed over in this very moment

    def leave(self) -> None:
        with self._guard:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._taken = False


_queues: dict[str, Queue] = {}
_queues_guard = threading.Lock()


def queue_of(name: str) -> Queue:
    with _queues_guard:
        return _queues.setdefault(name, Queue())


class DatabaseWrapper(base.DatabaseWrapper):
    """A connection that takes its turn before it begins a transaction, or writes without one."""

    has_turn = False

    def _start_transaction_under_autocommit(self) -> None:
        self.take_turn()
        try:
            super()._start_transaction_under_autocommit()  # type: ignore[misc]
        except BaseException:
            self.end_turn()
            raise

    def take_turn(self) -> None:
        if self.has_turn:
            return
        timeout_s = float(self.settings_dict["OPTIONS"].get("timeout", 5))
        if not queue_of(str(self.settings_dict["NAME"])).enter(timeout_s):
            raise OperationalError("database is locked: other threads of this process are writing")
        self.has_turn = True

    def end_turn(self) -> None:
        if self.has_turn:
            self.has_turn = False
            queue_of(str(self.settings_dict["NAME"])).leave()

    def _commit(self) -> None:
        super()._commit()  # type: ignore[misc]
        self.end_turn()  # a commit that failed is rolled back

    def _rollback(self) -> None:
        try:
            super()._rollback()  # type: ignore[misc]
        finally:
            self.end_turn()

    def _close(self) -> None:
        try:
            super()._close()  # type: ignore[misc]
        finally:
            self.end_turn()

    def create_cursor(self, name: str | None = None) -> Any:
        return self.connection.cursor(factory=lambda raw: Cursor(raw, self))


class Cursor(base.SQLiteCursorWrapper):
    """A cursor whose single writes, outside a transaction, take their turn too."""

    def __init__(self, raw: Any, owner: DatabaseWrapper) -> None:
        super().__init__(raw)
        self._owner = owner

    def execute(self, query: str, params: Any = None) -> Any:
        if self._owner.in_atomic_block or not query.lstrip()[:7].upper().startswith(_WRITES):
            return super().execute(query, params)
        self._owner.take_turn()
        try:
            return super().execute(query, params)
        finally:
            self._owner.end_turn()
