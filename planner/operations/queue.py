"""What the broker holds, whether it can be reached, and when the beat's bell was last heard."""

from __future__ import annotations

import time

from django.conf import settings
from django.core.cache import cache
from kombu.exceptions import OperationalError

from planner.celery import app

HEARD = "weighhouse:bell-heard-at"
REACH_SECONDS = 2.0


def reached() -> bool | None:
    """Whether the broker answers within two seconds; None where it is in this process."""
    if not settings.REDIS_URL:
        return None
    import redis

    client = redis.Redis.from_url(
        settings.REDIS_URL, socket_connect_timeout=REACH_SECONDS, socket_timeout=REACH_SECONDS
    )
    try:
        return bool(client.ping())
    except redis.RedisError:
        return False
    finally:
        client.close()


def depth() -> int:
    """How many tasks wait in the queue. Raises OperationalError where the broker cannot be reached."""
    if reached() is False:
        raise OperationalError("the broker cannot be reached")
    with app.connection_for_read() as connection:
        try:
            return int(connection.channel().queue_declare(app.conf.task_default_queue, passive=True).message_count)
        except connection.channel_errors:  # nobody has put anything into it yet
            return 0


def hear() -> None:
    """The bell was heard: beat, broker and worker all work."""
    cache.set(HEARD, time.time(), timeout=None)


def silence_seconds() -> float | None:
    """Seconds since the bell was heard; None where it never was since the cache began."""
    heard_at = cache.get(HEARD)
    return None if heard_at is None else max(0.0, time.time() - heard_at)
