"""How a worker holds its broker when that is Redis and goes away: it lives on, and lets go of what it had in hand.

A channel that was closed with its connection cannot acknowledge what was taken from it, nor put it back; trying would
end the worker. Neither is needed: what is due stands in the database, and Redis gives back by itself what nobody
acknowledged.
"""

from __future__ import annotations

import logging
from typing import Any

from kombu.transport import redis as over_redis

log = logging.getLogger(__name__)


class Channel(over_redis.Channel):
    do_restore = False  # when it closes, the connection may be lost already

    def basic_ack(self, delivery_tag: Any, multiple: bool = False) -> None:
        if self.connection is None:
            log.warning("a message of a connection that was lost is not acknowledged: it may come again")
            return
        super().basic_ack(delivery_tag, multiple=multiple)

    def basic_reject(self, delivery_tag: Any, requeue: bool = False) -> None:
        if self.connection is not None:
            super().basic_reject(delivery_tag, requeue=requeue)


def install() -> None:
    over_redis.Transport.Channel = Channel
