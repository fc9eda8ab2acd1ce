"""A worker and a beat say that they live: a file each, touched while they do their work. ``probe`` looks at its age.

Only where HEARTBEAT_FOLDER names a folder of this container's or process's own.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from celery import Celery, bootsteps
from celery.signals import after_task_publish, beat_init

VARIABLE = "HEARTBEAT_FOLDER"
WORKER_SECONDS = 10


def touch(name: str) -> None:
    """Note that this part is alive now."""
    folder = os.environ.get(VARIABLE)
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        Path(folder, name).touch()


class WorkerBeats(bootsteps.StartStopStep):
    """A step of the worker's consumer: it runs while the broker is reached, and so does its timer."""

    requires = ("celery.worker.consumer.tasks:Tasks",)

    def __init__(self, parent: Any, **kwargs: Any) -> None:
        self.timer: Any = None
        super().__init__(parent, **kwargs)

    def start(self, parent: Any) -> None:
        touch("worker")
        self.timer = parent.timer.call_repeatedly(WORKER_SECONDS, touch, ("worker",), priority=10)

    def stop(self, parent: Any) -> None:
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None


def _rang(**told: Any) -> None:
    touch("beat")


@beat_init.connect
def _beat_begins(**told: Any) -> None:
    # In the beat's process alone: what it puts into the broker shows that it lives. Kept: receivers are weak else.
    after_task_publish.connect(_rang, weak=False)


def beat_in(app: Celery) -> None:
    """Let the workers of this application say that they live."""
    if os.environ.get(VARIABLE):
        app.steps["consumer"].add(WorkerBeats)
