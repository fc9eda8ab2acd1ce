"""Every refusal as a problem document (RFC 9457): what services raise, what the frame refuses, and what breaks."""

from __future__ import annotations

import logging
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.signals import got_request_exception
from django.db import OperationalError
from django.http import Http404
from rest_framework import exceptions
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from inventory.api.frame import PROBLEM_TYPE
from inventory.errors import DomainError, Fault

log = logging.getLogger(__name__)

TITLES = {
    400: "Bad request",
    401: "Not signed in",
    403: "Not allowed",
    404: "Not found",
    405: "Method not allowed",
    406: "Not acceptable",
    409: "Conflict",
    413: "Content too large",
    415: "Unsupported media type",
    429: "Too many requests",
    500: "Fault of the program",
    503: "Service unavailable",
}
CODES = {
    400: "bad_input",
    401: "not_signed_in",
    403: "not_allowed",
    404: "not_found",
    405: "method_not_allowed",
    406: "not_acceptable",
    413: "too_large",
    415: "unsupported_media_type",
    429: "too_many_requests",
}


def document(status: int, code: str, detail: str, faults: list[Fault] | None = None, **facts: Any) -> dict[str, Any]:
    """The members of a problem; facts come first so that they never take the place of one of ours."""
    return facts | {
        "type": "about:blank",
        "title": TITLES.get(status, "Refused"),
        "status": status,
        "detail": detail,
        "code": code,
        "errors": [_fault_told(one) for one in faults or []],
    }


def _fault_told(one: Fault) -> dict[str, Any]:
    place = {"file": one.file} if one.file else {}
    return place | {"field": one.field, "row": one.row, "value": one.value, "accepted": one.accepted}


def answer(error: Exception, context: dict[str, Any]) -> Response | None:
    """The exception handler of every view of the API. Raises nothing; with DEBUG a fault shows itself."""
    headers: dict[str, str] = {}
    if isinstance(error, DomainError):
        told = document(error.status, error.code, error.message, error.faults, **error.facts)
    elif isinstance(error, exceptions.APIException):
        status, detail = error.status_code, str(error.detail)
        if isinstance(error, exceptions.NotAuthenticated):
            detail = "sign in first: a token in the header Authorization, or the page sign-in"
        if getattr(error, "auth_header", None):
            headers["WWW-Authenticate"] = error.auth_header
        if getattr(error, "wait", None):
            headers["Retry-After"] = str(int(error.wait) + 1)
        told = document(status, CODES.get(status, "refused"), detail)
    elif isinstance(error, Http404):
        told = document(404, "not_found", "there is nothing at this address")
    elif isinstance(error, PermissionDenied):
        told = document(403, "not_allowed", "this is not allowed")
    elif isinstance(error, RequestDataTooBig):
        told = document(413, "too_large", "the request holds more than is taken at once")
    elif isinstance(error, SuspiciousOperation):
        told = document(400, "bad_input", "the request cannot be read")
    elif isinstance(error, OperationalError):
        log.error("the database cannot be used", exc_info=error)
        told = document(503, "database", "the database cannot be used now; try again in a moment")
    elif settings.DEBUG:
        return None
    else:
        log.error("a fault at %s", context["request"].resolver_match.view_name, exc_info=error)
        got_request_exception.send(sender=None, request=context["request"]._request)
        told = document(500, "fault", "a fault of the program; it is written in its log")
    return Response(told, status=told["status"], headers=headers, content_type=PROBLEM_TYPE)


class NoSuchAddress(APIView):
    """Whatever stands under /api/v1/ and is no address."""

    authentication_classes: list[Any] = []
    permission_classes: list[Any] = []
    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        raise Http404
