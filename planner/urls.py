"""Every address of the service. Open to anyone: the start page and sign-in; all else needs a signed-in user."""

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import URLPattern, URLResolver, include, path

from planner import pages

urlpatterns: list[URLPattern | URLResolver] = [
    path("", pages.start, name="start"),
    path("sign-in", LoginView.as_view(template_name="planner/sign_in.html"), name="sign-in"),
    path("sign-out", LogoutView.as_view(), name="sign-out"),
    path("api/v1/", include("planner.api.routes")),
]
