"""How every service writes: one transaction, one lock on the item rows, and database refusals told as domain errors.

Order matters inside a service:
1. lock the record that the act is about, where it has one of its own (a batch), and read it again;
2. read what is needed to know which items are touched;
3. ``lock_items``: late, once, all items of the act together, ordered by primary key;
4. read balances again under the lock, check, write.

A service that another one calls is part of its transaction: the first undoes everything, whatever refuses.
"""

from __future__ import annotations

import functools
import json
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

from django.db import DataError, IntegrityError, OperationalError, connection, transaction
from django.utils.crypto import salted_hmac

from inventory import statements
from inventory.errors import BadInput, Conflict, Fault, KeyReused, LockTimeout
from inventory.models import RetryKey
from inventory.models.workshop import KEY_LENGTH

P = ParamSpec("P")
R = TypeVar("R")


class LockedOutOfOrder(RuntimeWarning):
    """An act that has locked items locks others that come before them: two such acts may wait for each other."""


class _Act(threading.local):
    """What the outermost service that runs in this thread has locked; None while none runs."""

    locked: frozenset[int] | None = None


_act = _Act()


def write(service: Callable[P, R]) -> Callable[P, R]:
    """Run a service in one transaction; a lock that does not come, or a guard of the database, is a Conflict.

    Called by another service it joins that one's transaction, without a savepoint: who catches its error there
    cannot go on writing.
    """

    @functools.wraps(service)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        if _act.locked is not None:
            with transaction.atomic(savepoint=False):
                return service(*args, **kwargs)
        try:
            with transaction.atomic():
                _act.locked = frozenset()
                return service(*args, **kwargs)
        except OperationalError as error:
            if _is_lock_timeout(error):
                raise LockTimeout("somebody else is writing to the same items; try again in a moment") from error
            raise
        except DataError as error:  # a value that its column does not hold, where no check named it before
            raise BadInput(f"a value is too long or too large to be kept: {error}".strip()) from error
        except IntegrityError as error:
            if "portion_reserved_within_on_hand" in str(error):
                raise Conflict(
                    "the stock was used by somebody else in the meantime; look again", code="changed"
                ) from error
            if _is_taken(error):
                raise Conflict(
                    "somebody else took the same number or wrote the same line in the meantime; try again",
                    code="changed",
                ) from error
            raise
        finally:
            _act.locked = None

    return inside


def _is_taken(error: IntegrityError) -> bool:
    """Whether a unique constraint refused: two people at once, since services look before they write."""
    return getattr(error.__cause__, "sqlstate", None) == "23505" or "UNIQUE constraint failed" in str(error)


def _is_lock_timeout(error: OperationalError) -> bool:
    state = getattr(error.__cause__, "sqlstate", None)
    return state in ("55P03", "40P01") or "database is locked" in str(error) or "database table is locked" in str(error)


_LOCK = "SELECT id FROM inventory_item WHERE id = ANY(%s::bigint[]) ORDER BY id FOR NO KEY UPDATE"


def lock_items(item_ids: Iterable[int]) -> None:
    """Lock the item rows, ordered by primary key, until the transaction ends. One statement.

    What the act has locked already is not locked anew. Who cannot know all its items before it has locked some takes
    ``lock_found``.

    Nobody waits longer than the connection allows (``planner.environment``): then it is a LockTimeout.
    On SQLite the transaction began IMMEDIATE and holds the one write lock already.
    A plain FOR UPDATE would block foreign-key inserts of other transactions: hence NO KEY.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("lock_items needs a transaction")
    held = _act.locked or frozenset()
    wanted = set(item_ids) - held
    if not wanted:
        return
    if held and min(wanted) < max(held):
        warnings.warn(f"items {sorted(wanted)} are locked after {sorted(held)}", LockedOutOfOrder, stacklevel=2)
    if connection.vendor == "postgresql":
        statements.rows(_LOCK, statements.array(sorted(wanted)))
    if _act.locked is not None:
        _act.locked = held | wanted


TELLING = 7_160_934  # any number, of this program's own: the name of a lock


def lock_telling() -> None:
    """Only one act at a time opens alerts of holders, until its transaction ends: after the items, nothing follows.

    Acts on quite other items may share a holder, and one act may tell several in an order that comes of its lines: two
    such would wait for each other. Who only closes the alerts of one holder needs none.
    """
    if connection.vendor == "postgresql":
        statements.rows("SELECT pg_advisory_xact_lock(%s)", TELLING)


MOST_LOOKS = 20  # each finds what was made since the one before, while what it was made of was not locked


def lock_found(find: Callable[[], R], items_of: Callable[[R], Iterable[int]]) -> R:
    """What ``find`` finds, with its items locked: found again under the lock, until it names no items beyond.

    Where it does, what was locked here is let go (a savepoint is undone) and all is locked anew in the one order: two
    acts never wait for each other so. Raises LockTimeout where ever more is found.
    """
    wanted = frozenset(items_of(find()))
    for _ in range(MOST_LOOKS):
        held, savepoint = _act.locked, transaction.savepoint()
        lock_items(wanted)
        found = find()
        beyond = frozenset(items_of(found)) - wanted
        if not beyond:
            transaction.savepoint_commit(savepoint)
            return found
        transaction.savepoint_rollback(savepoint)
        _act.locked, wanted = held, wanted | beyond
    raise LockTimeout("others go on making what this is about; try again in a moment")


@contextmanager
def steady_read() -> Iterator[None]:
    """All that is read inside is of one moment, however many queries it takes. Nothing is written inside.

    On PostgreSQL a read-only transaction of its own, REPEATABLE READ; on SQLite a deferred one, which takes no
    write lock. Inside a transaction that has begun already it adds nothing.
    """
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
    else:
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")


def retry_safe(key: str | None, action: str, content: Any, act: Callable[[], Any]) -> Any:
    """Do ``act`` once for this key and answer its JSON-ready result; the same key and content again: the first answer.

    ``content`` is what was asked, JSON-ready. Raises KeyReused when the key came before with other content or
    for another action, BadInput for one that is too long. Without a key the act is simply done.
    """
    if not key:
        return act()
    if len(key) > KEY_LENGTH:
        accepted = f"at most {KEY_LENGTH} characters"
        raise BadInput(f"a retry key has {accepted}", faults=[Fault("key", key[:80], accepted)])
    # Keyed, since some content is a password: nobody who reads the row can try guesses on it.
    told = json.dumps([action, content], sort_keys=True, default=str)
    digest = salted_hmac("inventory.retry_safe", told, algorithm="sha256").hexdigest()
    with transaction.atomic():
        kept = RetryKey.objects.filter(key=key).first()
        if kept is None:
            answer = act()
            try:
                with transaction.atomic():
                    RetryKey.objects.create(key=key, action=action, digest=digest, answer=answer)
            except IntegrityError:
                # Two requests with one key at once: this one is undone as a whole, the other's answer stands.
                raise LockTimeout("the same request is being carried out; try again in a moment") from None
            return answer
    if kept.digest != digest:
        raise KeyReused("this retry key was used before with other content")
    return kept.answer
