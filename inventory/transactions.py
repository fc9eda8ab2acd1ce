"""How every service writes: one transaction, one lock on the item rows, and database refusals told as domain errors.

Order matters inside a service:
1. read what is needed to know which items are touched;
2. ``lock_items``: late, once, all items of the act together, ordered by primary key;
3. read balances again under the lock, check, write.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

from django.db import DataError, IntegrityError, OperationalError, connection, transaction

from inventory.errors import BadInput, Conflict, Fault, KeyReused, LockTimeout
from inventory.models import Item, RetryKey
from inventory.models.workshop import KEY_LENGTH

P = ParamSpec("P")
R = TypeVar("R")

LOCK_TIMEOUT_MS = 5000


def write(service: Callable[P, R]) -> Callable[P, R]:
    """Run a service in one transaction; a lock that does not come, or a guard of the database, is a Conflict."""

    @functools.wraps(service)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            with transaction.atomic():
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

    return inside


def _is_taken(error: IntegrityError) -> bool:
    """Whether a unique constraint refused: two people at once, since services look before they write."""
    return getattr(error.__cause__, "sqlstate", None) == "23505" or "UNIQUE constraint failed" in str(error)


def _is_lock_timeout(error: OperationalError) -> bool:
    state = getattr(error.__cause__, "sqlstate", None)
    return state in ("55P03", "40P01") or "database is locked" in str(error) or "database table is locked" in str(error)


def lock_items(item_ids: Iterable[int]) -> None:
    """Lock the item rows, ordered by primary key, until the transaction ends. Waits at most 5 s.

    On SQLite the transaction began IMMEDIATE and holds the one write lock already.
    A plain FOR UPDATE would block foreign-key inserts of other transactions: hence no_key.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("lock_items needs a transaction")
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL lock_timeout = '{LOCK_TIMEOUT_MS}ms'")
    list(
        Item.objects.filter(pk__in=set(item_ids))
        .order_by("pk")
        .select_for_update(no_key=True)
        .values_list("pk", flat=True)
    )


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
    digest = hashlib.sha256(json.dumps([action, content], sort_keys=True, default=str).encode()).hexdigest()
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
