"""The parts of this process: the web server, the worker, the beat. Started by ``serve``, told on the start page."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from celery.beat import EmbeddedService
from celery.worker import WorkController

from planner.celery import app
from planner.running import stopping

# Two heavy jobs at most run at once (planner.jobs.services): the others are for what must not wait.
WORKER_THREADS = 4
STOP_SECONDS = 15

PURPOSES = {
    "web": "answers pages and programs",
    "worker": "does what is due: notices, the daily look at the plan, heavy work",
    "beat": "rings the bell every few seconds",
}


@dataclass(frozen=True, slots=True)
class Part:
    name: str
    what_for: str
    running: bool


@dataclass(frozen=True, slots=True)
class _Started:
    worker: WorkController
    worker_thread: threading.Thread
    beat: EmbeddedService


_started: list[_Started] = []


def start() -> None:
    """Start worker and beat beside the web server, on the in-memory broker or on Redis where one is given.

    The broker is only a bell: what is due stands in the database, so that nothing is lost with the process.
    """
    stopping.forget()
    worker = WorkController(
        app=app,
        pool_cls="threads",
        concurrency=WORKER_THREADS,
        without_heartbeat=True,
        without_mingle=True,
        without_gossip=True,
    )
    thread = threading.Thread(target=worker.start, name="worker", daemon=True)
    beat = EmbeddedService(app, thread=True, scheduler_cls="celery.beat:Scheduler")
    beat.daemon = True
    _started.append(_Started(worker, thread, beat))
    thread.start()
    beat.start()
    # The schedule first rings after its interval; what fell due while nothing ran should not wait for that.
    for entry in app.conf.beat_schedule.values():
        app.send_task(entry["task"])


def stop() -> None:
    """Ring no more, let heavy work go back to its queue, and wait a while for the threads."""
    stopping.tell()
    while _started:
        parts = _started.pop()
        parts.beat.stop()
        parts.worker.stop()
        parts.worker_thread.join(STOP_SECONDS)


def told() -> list[Part]:
    """The parts as the start page names them."""
    alive = {"web": True}
    for parts in _started:
        alive |= {"worker": parts.worker_thread.is_alive(), "beat": parts.beat.is_alive()}
    return [Part(name, purpose, alive.get(name, False)) for name, purpose in PURPOSES.items()]
