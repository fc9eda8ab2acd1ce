"""What runs in this process: the web server, the worker, the beat. Started by ``serve``, told on the start page."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from celery.beat import EmbeddedService
from celery.worker import WorkController

from planner.celery import app


@dataclass(frozen=True, slots=True)
class Part:
    name: str
    what_for: str
    running: bool


class Parts:
    """The threads of one process. Each part is a thread that can be asked whether it lives."""

    def __init__(self) -> None:
        self.threads: dict[str, threading.Thread] = {}
        self._worker: WorkController | None = None
        self._beat: EmbeddedService | None = None

    def start(self) -> None:
        """Start worker and beat beside the web server, on the in-memory broker or on Redis where one is given.

        The broker is only a bell: what is due stands in the database, so that nothing is lost with the process.
        """
        worker = WorkController(
            app=app, pool_cls="solo", concurrency=1, without_heartbeat=True, without_mingle=True, without_gossip=True
        )
        self._worker = worker
        thread = threading.Thread(target=worker.start, name="worker", daemon=True)
        self._beat = EmbeddedService(app, thread=True, scheduler_cls="celery.beat:Scheduler")
        self._beat.daemon = True
        self.threads = {"worker": thread, "beat": self._beat}
        thread.start()
        self._beat.start()
        # The schedule first rings after its interval; what fell due while nothing ran should not wait for that.
        for entry in app.conf.beat_schedule.values():
            app.send_task(entry["task"])

    def stop(self) -> None:
        if self._beat is not None:
            self._beat.stop()
        if self._worker is not None:
            self._worker.stop()

    def told(self) -> list[Part]:
        """The parts as the start page names them."""
        purposes = {
            "web": "answers pages and programs",
            "worker": "does what is due: the daily look at the plan",
            "beat": "rings the bell every few minutes",
        }
        alive = {"web": True} | {name: thread.is_alive() for name, thread in self.threads.items()}
        return [Part(name, purpose, alive.get(name, False)) for name, purpose in purposes.items()]


parts = Parts()
