"""The settings of gunicorn: ``gunicorn -c python:planner.operations.web_server planner.wsgi:application``.

Variables: PORT (8000), BIND (all addresses), WEB_WORKERS (3).
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from planner import environment
from planner.operations import logs

bind = f"{os.environ.get('BIND') or '0.0.0.0'}:{environment.read_number('PORT', 8000, low=1, high=65535)}"
workers = environment.read_number("WEB_WORKERS", 3, low=1, high=64)
# A plan of a large workshop takes seconds; what takes longer is asked for as a job.
timeout = 120
graceful_timeout = 30
worker_tmp_dir = "/dev/shm" if Path("/dev/shm").is_dir() else None
# Whose word counts for address and scheme says PROXIES (planner.settings), and nothing else.
forwarded_allow_ips = ""
# The service's own lines tell every request.
accesslog = None
logconfig_dict: dict[str, Any] = logs.configuration(
    environment.read_choice("LOG_FORMAT", "json", logs.FORMATS),
    environment.read_choice("LOG_LEVEL", "INFO", logs.LEVELS),
)
logconfig_dict["loggers"] = logconfig_dict["loggers"] | {"gunicorn.error": {"handlers": [], "propagate": True}}


def on_starting(server: Any) -> None:
    """Counts of machines that are long gone need not be added up for ever."""
    from planner.operations import metrics

    if metrics.FOLDER:
        metrics.forget_old(Path(metrics.FOLDER), time.time())
