"""Around every request: its id, one line of the log, what is measured; and the gate that is closed by default."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from inventory.acting import acting
from planner.operations import metrics, request_ids

log = logging.getLogger("planner.requests")
METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}


class Requests:
    """Outermost: whatever answers, also a refusal on the way, has an id, a line and a count.

    The address is told by its route's name: addresses hold codes, and some a secret.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        with request_ids.carried(request_ids.taken_or_made(request.headers.get(request_ids.HEADER))) as request_id:
            began = time.perf_counter()
            with acting(lambda: getattr(request, "user", None)):
                response = self.get_response(request)
            seconds = time.perf_counter() - began
            response.headers[request_ids.HEADER] = request_id
            _told(request, response.status_code, seconds)
            return response


def _told(request: HttpRequest, status: int, seconds: float) -> None:
    method = request.method if request.method in METHODS else "other"
    route = request.resolver_match.view_name if request.resolver_match else "none"
    metrics.REQUESTS.labels(method, route, str(status)).inc()
    metrics.REQUEST_SECONDS.labels(method, route).observe(seconds)
    log.info(
        "%s %s %s",
        method,
        route,
        status,
        extra={
            "method": method,
            "route": route,
            "status": status,
            "milliseconds": round(seconds * 1000, 1),
            "person": _known_person(request),
        },
    )


def _known_person(request: HttpRequest) -> str | None:
    """Who asked, where serving the request has found that out; nothing is looked up for the log."""
    person: Any = getattr(request, "_cached_user", None) or vars(request).get("known_person")
    return person.get_username() or None if person is not None else None


class ClosedByDefault(LoginRequiredMiddleware):
    """Every page needs a signed-in user unless it says otherwise. An open one asks nobody's name: it stands where the
    database does not."""

    def process_view(
        self, request: HttpRequest, view_func: Callable[..., Any], view_args: Any, view_kwargs: Any
    ) -> HttpResponseBase | None:
        if not getattr(view_func, "login_required", True):
            return None
        answer: HttpResponseBase | None = super().process_view(request, view_func, view_args, view_kwargs)
        return answer
