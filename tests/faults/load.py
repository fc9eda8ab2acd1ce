"""People who go on working while something breaks: each takes a gram at a time, and sends again what got no answer."""

from __future__ import annotations

import contextlib
import threading
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.processes.machinery import Client, Refused

ITEM, LOT = "CLAY", "C-1"
FIRST_GRAMS = 100_000
_AGAIN = (409, 429, 500, 502, 503, 504)  # not done, or nobody knows: the same request again, under the same key


@dataclass
class Takers:
    """Threads that discard a gram each time, each request with a retry key of its own until it is answered."""

    client: Client
    taken: int = 0  # grams that the service said it wrote
    refusals: int = 0  # answers and silences that made somebody send again
    unknown: int = 0  # requests never answered: must be none at the end
    going_on: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take_one(self, until: float) -> None:
        key = {"Idempotency-Key": f"take-{uuid.uuid4()}"}
        while True:
            try:
                body = {"quantity": "1 g", "why": "swept up"}
                self.client.post(f"lots/{ITEM}/{LOT}/discard", body, **key)
            except (Refused, OSError) as trouble:
                if isinstance(trouble, Refused) and trouble.status not in _AGAIN:
                    raise
                with self.lock:
                    self.refusals += 1
                    if time.monotonic() > until:
                        self.unknown += 1
                        return
                time.sleep(0.1)
            else:
                with self.lock:
                    self.taken += 1
                return

    def work(self) -> None:
        while self.going_on.is_set():
            self.take_one(time.monotonic() + 120)
            time.sleep(0.01)


@contextlib.contextmanager
def at_work(client: Client, people: int = 4) -> Iterator[Takers]:
    """So many people at work; at the end each waits for the answer to its last request, two minutes at most."""
    takers = Takers(client)
    takers.going_on.set()
    threads = [threading.Thread(target=takers.work, daemon=True) for _ in range(people)]
    for thread in threads:
        thread.start()
    try:
        yield takers
    finally:
        takers.going_on.clear()
        for thread in threads:
            thread.join(timeout=150)


def on_hand_grams(client: Client) -> int:
    """What the books say is here."""
    rows = client.get(f"portions?item={ITEM}")["rows"]
    return sum(int(str(row["on_hand"]).removesuffix(" g")) for row in rows)
