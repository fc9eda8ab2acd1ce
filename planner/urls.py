"""Every address of the service: the API under /api/v1/, and the pages. ``planner.pages.rights`` names the open ones."""

from django.urls import URLPattern, URLResolver, include, path

from planner.notices import pages as notices
from planner.operations import pages as operations

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/v1/", include("planner.api.routes")),
    path("healthz", operations.alive, name="healthz"),
    path("readyz", operations.ready, name="readyz"),
    path("metrics", operations.measured, name="metrics"),
    path("calendar/<str:token>.ics", notices.calendar, name="calendar"),  # open to who knows the secret
    path("", include("planner.pages.routes")),
]

handler400 = "planner.pages.refusals.bad_request"
handler403 = "planner.pages.refusals.not_allowed"
handler404 = "planner.pages.refusals.not_found"
handler500 = "planner.pages.refusals.broken"
