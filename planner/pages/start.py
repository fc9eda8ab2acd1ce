"""The start and sign-in: what the program is, and on to the first sheet of the day for those signed in."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from planner import selectors
from planner.api.tokens import seconds_to_wait
from planner.notices.posting import is_set_up
from planner.pages.navigation import first_page
from planner.running import parts


@login_not_required
@require_safe
def start(request: HttpRequest) -> HttpResponse:
    """Signed in: on to the first page that the person may see. Else what this is, and what is running."""
    if request.user.is_authenticated:
        first = first_page(request.may)  # type: ignore[attr-defined]
        if first:
            return HttpResponseRedirect(first)
    return render(
        request,
        "planner/start.html",
        {
            "parts": parts.told(),
            "database": "SQLite, one file" if settings.ON_SQLITE else "PostgreSQL",
            "broker": "Redis" if settings.REDIS_URL else "in this process",
            "mailed": is_set_up(),
            "needs_first_user": not selectors.has_user(),
        },
    )


class SignIn(LoginView):
    """Name and password for a session; tries are limited as those for a token are, and together with them."""

    template_name = "planner/sign_in.html"
    http_method_names = ["get", "head", "post"]
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        seconds = seconds_to_wait(request)
        if not seconds:
            return super().post(request, *args, **kwargs)
        context = self.get_context_data(form=AuthenticationForm(request), wait_seconds=seconds)
        return self.render_to_response(context, status=429, headers={"Retry-After": str(seconds)})


ROUTES = [
    path("", start, name="start"),
    path("sign-in", SignIn.as_view(), name="sign-in"),
    path("sign-out", LogoutView.as_view(next_page="start"), name="sign-out"),
]
