"""The calendar's secret address: open to who knows it, without a session. It can be made anew and revoked."""

from __future__ import annotations

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from planner.notices.choices import whose_calendar
from planner.notices.feed import calendar_of


@login_not_required
@require_safe
def calendar(request: HttpRequest, token: str) -> HttpResponse:
    """The person's calendar. A secret that opens nothing is an address that is not there."""
    person = whose_calendar(token)
    if person is None:
        raise Http404
    answer = HttpResponse(calendar_of(person), content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = 'inline; filename="weighhouse.ics"'
    answer["Cache-Control"] = "private, no-cache"
    answer["Referrer-Policy"] = "no-referrer"
    return answer
