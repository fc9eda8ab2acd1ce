"""The start page and sign-in. The pages that a maker works from come beside these."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from planner import selectors
from planner.api.tokens import seconds_to_wait
from planner.running import parts


@login_not_required
@require_safe
def start(request: HttpRequest) -> HttpResponse:
    """What is running, for anyone; what the workshop holds, for those signed in."""
    return render(
        request,
        "planner/start.html",
        {
            "parts": parts.told(),
            "database": "SQLite, one file" if settings.ON_SQLITE else "PostgreSQL",
            "broker": "Redis" if settings.REDIS_URL else "in this process",
            "holds": selectors.workshop_counts() if request.user.is_authenticated else None,
            "needs_first_user": not selectors.has_user(),
        },
    )


class SignIn(LoginView):
    """Name and password for a session; tries are limited as those for a token are, and together with them."""

    template_name = "planner/sign_in.html"

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        seconds = seconds_to_wait(request)
        if not seconds:
            return super().post(request, *args, **kwargs)
        context = self.get_context_data(form=AuthenticationForm(request), wait_seconds=seconds)
        return self.render_to_response(context, status=429, headers={"Retry-After": str(seconds)})
