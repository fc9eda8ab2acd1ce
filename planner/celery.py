"""The Celery application: tasks are found in the apps' ``tasks.py``, the beat schedule stands in settings.

A bell carries the id of the request that rang it, so that the lines a worker logs can be found by it.
"""

from __future__ import annotations

import os
from typing import Any

from celery import Celery, Task
from celery.signals import worker_shutting_down

from planner.operations import heartbeat, metrics, request_ids
from planner.running import broker, stopping

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")

REQUEST_ID_HEADER = "request_id"


class CarryingTask(Task):
    """A task that runs under the id of the request which rang for it, or one of its own; its end is measured."""

    abstract = True

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        if self.request.called_directly:
            return super().__call__(*args, **kwargs)
        told = (self.request.headers or {}).get(REQUEST_ID_HEADER)
        with request_ids.carried(request_ids.taken_or_made(told)), metrics.task_measured(self.name):
            return super().__call__(*args, **kwargs)


class CarryingCelery(Celery):
    def send_task(self, *args: Any, **options: Any) -> Any:
        if request_ids.current():
            options["headers"] = {REQUEST_ID_HEADER: request_ids.current()} | (options.get("headers") or {})
        return super().send_task(*args, **options)


broker.install()
app = CarryingCelery("weighhouse", task_cls=CarryingTask)
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["planner", "planner.jobs", "planner.notices", "planner.operations"])
heartbeat.beat_in(app)


@worker_shutting_down.connect
def _heavy_work_goes_back(**told: Any) -> None:
    """A worker that is told to stop does not wait for heavy work: it goes back to its queue between two steps."""
    stopping.tell()
