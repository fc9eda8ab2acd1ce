"""The addresses that serve the OpenAPI document, and a page to read it on."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView

from planner.api.wire import Renderer


@extend_schema(exclude=True)
class SchemaDocument(SpectacularAPIView):
    """The OpenAPI document as JSON."""

    renderer_classes = [Renderer]


@extend_schema(exclude=True)
class SchemaPage(SpectacularSwaggerSplitView):
    """The schema to read and try; its scripts come from the installed package, and none stands in the page itself."""

    template_name = "planner/schema_page.html"

    def handle_exception(self, error: Exception) -> Any:
        """A refusal is a problem document here too, not a page."""
        self.request.accepted_renderer = Renderer()
        return super().handle_exception(error)


ROUTES = [
    path("schema", SchemaDocument.as_view(), name="schema"),
    path("schema/page", SchemaPage.as_view(url_name="api:schema"), name="schema-page"),
]
