"""Is it up, is it ready, how is it doing: for whoever watches the service. Open; the metrics behind a secret."""

from __future__ import annotations

import hmac

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from planner.operations import health, metrics

EXPOSITION = "text/plain; version=0.0.4; charset=utf-8"


@login_not_required
@never_cache
@require_safe
def alive(request: HttpRequest) -> HttpResponse:
    """200: the process is up. Asks neither database nor broker."""
    return JsonResponse({"status": "alive"})


@login_not_required
@never_cache
@require_safe
def ready(request: HttpRequest) -> HttpResponse:
    """200 when a request can be served: database reached, its tables up to date, broker reached. Else 503."""
    parts = health.parts()
    good = all(state in health.GOOD for state in parts.values())
    return JsonResponse({"status": "ready" if good else "not_ready", "parts": parts}, status=200 if good else 503)


@login_not_required
@never_cache
@require_safe
def measured(request: HttpRequest) -> HttpResponse:
    """What is measured, for who brings the secret METRICS_TOKEN: ``Authorization: Bearer ...``. Else 401."""
    if not _fits(request.headers.get("Authorization", "")):
        return HttpResponse(status=401, headers={"WWW-Authenticate": "Bearer"})
    return HttpResponse(metrics.told(), content_type=EXPOSITION)


def _fits(header: str) -> bool:
    """Whether the header brings the secret. Without a secret nothing fits."""
    scheme, _, given = header.partition(" ")
    wanted = settings.METRICS_TOKEN
    return bool(wanted and scheme.lower() == "bearer" and hmac.compare_digest(given.strip().encode(), wanted.encode()))
