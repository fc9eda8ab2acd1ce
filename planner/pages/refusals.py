"""Pages in words for what is refused, not there, or broken: what services raise, and Django's own errors."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from django.db import OperationalError
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.template.loader import render_to_string
from django.views.decorators.csrf import requires_csrf_token

from inventory.errors import DomainError

log = logging.getLogger(__name__)
API = "api"  # the namespace of the addresses that have a gate and refusals of their own

HEADINGS = {
    400: "That cannot be read",
    403: "Not for your roles",
    404: "Nothing is kept here",
    405: "Not in this way",
    409: "Not as things stand now",
    413: "More than is taken at once",
    500: "A fault of the program",
    503: "The books cannot be reached",
}


def page(request: HttpRequest, status: int, told: str, **more: Any) -> HttpResponse:
    """A refusal as a page: what happened, and where to go on."""
    heading = HEADINGS.get(status, "Refused")
    return render(request, "planner/refused.html", {"heading": heading, "told": told, **more}, status=status)


class Refusals:
    """Middleware: an error that a page raises is told as a page with the error's status."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponseBase | None:
        if request.resolver_match is not None and API in request.resolver_match.namespaces:
            return None
        if isinstance(error, DomainError):
            return page(request, error.status, error.message, faults=error.faults)
        if isinstance(error, OperationalError):
            log.error("the database cannot be used", exc_info=error)
            return HttpResponse(_plain(503, "The database cannot be used now. Try again in a moment."), status=503)
        return None


def _plain(status: int, told: str) -> str:
    """A page that asks nothing of the database."""
    return render_to_string("planner/broken.html", {"heading": HEADINGS[status], "told": told})


@requires_csrf_token
def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return HttpResponse(_plain(400, "The request cannot be read. Nothing was changed."), status=400)


@requires_csrf_token
def not_allowed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return page(request, 403, "Your roles do not cover this. Nothing was changed.")


@requires_csrf_token
def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return page(request, 404, "There is no page at this address.")


@requires_csrf_token
def broken(request: HttpRequest) -> HttpResponse:
    told = "Nothing was saved by this step. The fault is written in the program's log, with its moment."
    return HttpResponse(_plain(500, told), status=500)


def not_from_here(request: HttpRequest, reason: str = "") -> HttpResponse:
    """The form was sent by another site, or after its time, or before this browser kept the program's cookie."""
    told = (
        "This form was open too long, or you signed in again since. Nothing was changed: go back, load the page anew "
        "and send it again. The browser must keep this program's cookies."
    )
    return page(request, 403, told, heading="Send it once more")
