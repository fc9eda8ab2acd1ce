"""A forgotten password: a letter with a link where e-mail is set up, and the page that takes the new one."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import PasswordResetForm, SetPasswordForm
from django.contrib.auth.views import INTERNAL_RESET_SESSION_TOKEN, PasswordResetConfirmView, PasswordResetView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse_lazy
from django.utils.decorators import method_decorator
from django.views.decorators.http import require_safe

from planner import people
from planner.api.tokens import seconds_to_wait
from planner.notices import posting


@method_decorator(login_not_required, name="dispatch")
class Forgotten(PasswordResetView):
    """Name the e-mail; whether anybody has it is not told. Without e-mail it says whom to ask."""

    http_method_names = ["get", "head", "post"]
    template_name = "planner/password_forgotten.html"
    email_template_name = "planner/password_letter.txt"
    subject_template_name = "planner/password_letter_subject.txt"
    success_url = reverse_lazy("password-sent")

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(sends_mail=posting.is_set_up(), **kwargs)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        seconds = seconds_to_wait(request)
        if seconds:
            context = self.get_context_data(form=PasswordResetForm(), wait_seconds=seconds)
            return self.render_to_response(context, status=429, headers={"Retry-After": str(seconds)})
        if not posting.is_set_up():
            return self.get(request, *args, **kwargs)
        if settings.SITE_URL:  # else the letter leads to the name under which the request came
            scheme, _, host = settings.SITE_URL.partition("://")
            self.extra_email_context = {"protocol": scheme, "domain": host}
        return super().post(request, *args, **kwargs)


@login_not_required
@require_safe
def sent(request: HttpRequest) -> HttpResponse:
    return render(request, "planner/password_sent.html")


@method_decorator(login_not_required, name="dispatch")
class NewPassword(PasswordResetConfirmView):
    """The link's page. The token goes into the session at once, so that no address that is sent on holds it."""

    http_method_names = ["get", "head", "post"]
    template_name = "planner/password_new.html"
    success_url = reverse_lazy("sign-in")

    def form_valid(self, form: SetPasswordForm) -> HttpResponse:
        people.change_person(username=form.user.get_username(), password=form.cleaned_data["new_password1"])
        del self.request.session[INTERNAL_RESET_SESSION_TOKEN]
        return HttpResponseRedirect(str(self.success_url))


ROUTES = [
    path("password", Forgotten.as_view(), name="password-forgotten"),
    path("password/sent", sent, name="password-sent"),
    path("password/<uidb64>/<token>", NewPassword.as_view(), name="password-new"),
]
