"""Pictures that are files of their own: the colours of the pages, also in dark."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any

from csp.decorators import csp_update
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.decorators import method_decorator

from inventory.pages.frame import Page

# The same as in weighhouse.css. Named by its digest it is the one style that an answer may hold.
DARK = (
    "@media (prefers-color-scheme: dark) {"
    ".paper { fill: #181d1e } .box { fill: #22292a; stroke: #b3bbb8 } .origin { fill: #3a2f12 }"
    " .barred { fill: #431f1c; stroke: #ffada3 } .ink { fill: #ecebe4 } .soft { fill: #b3bbb8 } .bad { fill: #ffada3 }"
    " .good { fill: #93d6a8 } .tie { stroke: #8b9692 } .rule { stroke: #434c4c } .ink-line { stroke: #ecebe4 }"
    " .good-line { stroke: #93d6a8 } .wait-line { stroke: #f0ca72 }"
    "}"
)
_AS_A_SOURCE = f"'sha256-{b64encode(sha256(DARK.encode()).digest()).decode()}'"


class Picture(Page):
    """An SVG, drawn from what ``facts`` answers; the template is given the style as ``dark``."""

    @method_decorator(csp_update({"style-src": [_AS_A_SOURCE]}))
    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        drawn = self.facts(request, **where) | {"dark": DARK}
        return render(request, self.template_name, drawn, content_type="image/svg+xml")
