"""Every address of the service. Open to anyone: the start page and sign-in; all else needs a signed-in user."""

from django.contrib.auth.views import LogoutView
from django.urls import URLPattern, URLResolver, include, path

from planner import pages
from planner.operations import pages as operations

urlpatterns: list[URLPattern | URLResolver] = [
    path("", pages.start, name="start"),
    path("sign-in", pages.SignIn.as_view(), name="sign-in"),
    path("sign-out", LogoutView.as_view(), name="sign-out"),
    path("api/v1/", include("planner.api.routes")),
    path("healthz", operations.alive, name="healthz"),
    path("readyz", operations.ready, name="readyz"),
    path("metrics", operations.measured, name="metrics"),
]
