"""What the log looks like: one JSON object a line for a server, plain lines for a person at a terminal.

Imports nothing of Django, so that settings.py can use it.
"""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime
from typing import Any

from planner.operations import request_ids

FORMATS = ("json", "line")
LEVELS = ("DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL")

# What every record has of itself. Anything else was given as ``extra`` and is told too.
_OF_EVERY_RECORD = {*vars(logging.makeLogRecord({})), "message", "asctime", "taskName", "request_id"}
# Given by libraries for themselves: objects, or the words that the message is made of.
_NOT_TOLD = {"request", "response", "server_time", "status_code", "data", "color_message"}


class WithRequestId(logging.Filter):
    """Every record names the request it was written for."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.request_id = request_ids.current() or "-"
        return True


class WithoutAddress(logging.Filter):
    """No line tells the address of a request: what Django writes of one that broke or was refused names the route.

    An address may hold a secret: that of a calendar, or of a new password.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        request = getattr(record, "request", None)
        address = getattr(request, "path", None)
        if address and isinstance(record.args, tuple):
            found = getattr(request, "resolver_match", None)
            route = found.view_name if found else "none"
            written = (address, address.encode("unicode_escape").decode("ascii"))  # some lines escape it
            record.args = tuple(route if one in written else one for one in record.args)
        return True


class JsonLines(logging.Formatter):
    """One JSON object a line: time, level, logger, request_id, message, what ``extra`` gave, and the exception."""

    def format(self, record: logging.LogRecord) -> str:
        told: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "request_id": getattr(record, "request_id", "-"),
            "process": record.process,
            "message": record.getMessage(),
        }
        more = {key: value for key, value in vars(record).items() if key not in _OF_EVERY_RECORD | _NOT_TOLD}
        told |= {key: value for key, value in more.items() if key not in told}
        if record.exc_info:
            told["exception"] = self.formatException(record.exc_info)
        if record.stack_info:
            told["stack"] = record.stack_info
        return json.dumps(told, default=str, ensure_ascii=False)


def configuration(form: str, level: str) -> dict[str, Any]:
    """A logging configuration (``logging.config.dictConfig``): everything to standard error, in this form."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "filters": {"request_id": {"()": WithRequestId}, "no_address": {"()": WithoutAddress}},
        "formatters": {
            "json": {"()": JsonLines},
            "line": {"format": "%(asctime)s %(levelname)s %(name)s [%(request_id)s] %(message)s"},
        },
        "handlers": {
            "console": {"class": "logging.StreamHandler", "formatter": form, "filters": ["request_id", "no_address"]}
        },
        "root": {"handlers": ["console"], "level": level},
        "loggers": {
            # Its own handlers would write each line again, in another form.
            "django": {"handlers": [], "propagate": True},
            "django.server": {"handlers": [], "propagate": True},
            # A refused request stands in planner.requests already.
            "django.request": {"level": "ERROR"},
        },
    }
