"""What is measured: requests, tasks and plans as they happen, the rest when it is asked for.

Several processes write what happens into one folder, PROMETHEUS_MULTIPROC_DIR, and any of them tells the sums; a file
there belongs to one process of one machine. Without the variable one process counts for itself.
"""

from __future__ import annotations

import functools
import importlib
import logging
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ParamSpec, TypeVar

import prometheus_client
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest, multiprocess, values

log = logging.getLogger(__name__)
P = ParamSpec("P")
R = TypeVar("R")

FOLDER = os.environ.get("PROMETHEUS_MULTIPROC_DIR")
KEPT_DAYS = 7  # of what a machine wrote that is no more


def _of_this_process() -> str:
    """Process numbers repeat from one container to the next."""
    return f"{os.uname().nodename.replace('_', '-')}-{os.getpid()}"


if FOLDER:
    Path(FOLDER).mkdir(parents=True, exist_ok=True)
    values.ValueClass = values.MultiProcessValue(_of_this_process)

QUICK = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
SLOW = (0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0)

REQUESTS = Counter("weighhouse_requests_total", "Requests answered", ["method", "route", "status"])
REQUEST_SECONDS = Histogram("weighhouse_request_seconds", "How long an answer took", ["method", "route"], buckets=QUICK)
TASKS = Counter("weighhouse_tasks_total", "Tasks ended, by how", ["task", "outcome"])
TASK_SECONDS = Histogram("weighhouse_task_seconds", "How long a task took", ["task"], buckets=SLOW)
PLAN_SECONDS = Histogram("weighhouse_plan_seconds", "How long a plan took, from reading to netting", buckets=SLOW)

# Looked at when somebody asks: a name, what it tells, and the function that tells it.
SOURCES: list[tuple[str, str, str]] = [
    (
        "weighhouse_queue_depth",
        "Tasks that the broker holds and no worker has taken",
        "planner.operations.queue.depth",
    ),
    (
        "weighhouse_beat_silence_seconds",
        "Seconds since a worker carried out what the beat rings",
        "planner.operations.queue.silence_seconds",
    ),
    (
        "weighhouse_notice_lag_seconds",
        "How long the oldest notice that is due has waited to be told",
        "planner.operations.sources.notice_lag_seconds",
    ),
    (
        "weighhouse_mails_in_trouble",
        "Letters that could not be sent yet",
        "planner.operations.sources.mails_in_trouble",
    ),
    (
        "weighhouse_jobs_waiting",
        "Heavy work that was asked for and that nobody has taken up",
        "planner.operations.sources.jobs_waiting",
    ),
]


def timed_plan(function: Callable[P, R]) -> Callable[P, R]:
    """Measure a function that makes a plan; one that is refused counts too."""

    @functools.wraps(function)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        with PLAN_SECONDS.time():
            return function(*args, **kwargs)

    return inside


@contextmanager
def task_measured(name: str) -> Iterator[None]:
    began, outcome = time.perf_counter(), "failed"
    try:
        yield
        outcome = "done"
    finally:
        TASKS.labels(name, outcome).inc()
        TASK_SECONDS.labels(name).observe(time.perf_counter() - began)


def told() -> bytes:
    """Everything measured, in the text form of the exposition format 0.0.4."""
    if FOLDER:
        happened = CollectorRegistry()
        multiprocess.MultiProcessCollector(happened)
    else:
        happened = prometheus_client.REGISTRY
    return bytes(generate_latest(happened) + generate_latest(_looked_at()))


def _looked_at() -> CollectorRegistry:
    """The sources, asked now. One that cannot be asked is named, and the others are told all the same."""
    registry = CollectorRegistry()
    # A gauge of the multi-process kind would be written into the folder: these are told by whoever is asked.
    kind, values.ValueClass = values.ValueClass, values.MutexValue
    try:
        meaning = "1 for a source that could not be asked"
        failed = Gauge("weighhouse_source_failed", meaning, ["source"], registry=registry)
        for name, meaning, path in SOURCES:
            gauge = Gauge(name, meaning, registry=None)
            try:
                value = _source(path)()
            except Exception:
                log.exception("%s cannot be asked", name)
                failed.labels(name).set(1)
                continue
            failed.labels(name).set(0)
            if value is not None:
                gauge.set(value)
                registry.register(gauge)
    finally:
        values.ValueClass = kind
    return registry


def _source(path: str) -> Callable[[], float | None]:
    module, _, name = path.rpartition(".")
    function: Callable[[], float | None] = getattr(importlib.import_module(module), name)
    return function


def forget_old(folder: Path, now: float) -> int:
    """Remove what machines that are no more wrote long ago; answers how many files. Their counts are forgotten."""
    removed = 0
    for path in folder.glob("*.db"):
        if now - path.stat().st_mtime > KEPT_DAYS * 86_400:
            path.unlink(missing_ok=True)
            removed += 1
    return removed
