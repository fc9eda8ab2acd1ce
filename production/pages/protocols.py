"""Protocols of stability: how samples stand, when they are looked at, and for what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.api.pages import Listing
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, cut, person_of
from production import stability_selectors as selectors
from production.api.stability import NewProtocol, ProtocolForm, protocol_rows, read_protocol, spec_of
from production.models import Protocol
from production.services import stability

MORE = 3
EMPTY = {"conditions": 3, "pull_times": 6, "tests": 4}
MOST = {"conditions": 50, "pull_times": 100, "tests": 100}
FIRST = {"conditions": "condition", "pull_times": "count", "tests": "test"}
PARTS = {
    "conditions": ("condition", "temperature_c", "humidity_percent", "cycle_to_c", "cycle_days"),
    "pull_times": ("unit", "count", "days_before", "days_after"),
    "tests": ("test", "unit", "low", "high", "expected"),
}
UNITS = [("week", "weeks"), ("month", "months"), ("cycle", "cycles")]


def _address(code: str) -> str:
    return reverse("protocol", kwargs={"protocol": code})


class ProtocolsShown(Form):
    retired = fields.Flag(required=False)


class Protocols(Page):
    template_name = "production/protocols.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, _ = chosen(ProtocolsShown, request)
        retired = asked.get("retired", False)
        rows = Protocol.objects.filter(retired=retired).values(*selectors.PROTOCOL_COLUMNS)
        return {"cut": cut(Listing(rows, "code", show_page=protocol_rows), request), "retired": retired}


class OneProtocol(Page):
    template_name = "production/protocol.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"protocol": read_protocol(where["protocol"])}


class Writing(FormPage):
    template_name = "production/protocol_write.html"
    section = "workshop"
    lines: ClassVar = EMPTY
    sides: ClassVar = {"more": "more"}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"units": UNITS, "back": reverse("protocols")}

    def more(self, request: HttpRequest, texts: dict[str, str], facts: Facts, which: str) -> Mapping[str, str]:
        """Empty lines more of one kind."""
        if which not in EMPTY:
            return texts
        last = min(self._lines_of(texts)[which] + MORE, MOST[which]) - 1
        return texts | {f"{which}[{last}].{FIRST[which]}": ""}

    def _begun(self, name: str, line: Mapping[str, str]) -> bool:
        return any(text for part, text in line.items() if name != "pull_times" or part != "unit")


class NewOne(Writing):
    form = NewProtocol

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        code = asked.pop("protocol")
        stability.make_protocol(code=code, spec=spec_of(asked), who=person_of(request))
        return Done(_address(code), f"Protocol {code} is written down.")


class ChangeOne(Writing):
    guards = True
    form = ProtocolForm
    clears = True

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        found = read_protocol(where["protocol"])
        return super().facts(request, **where) | {"protocol": found, "back": _address(found["protocol"])}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        found = facts["protocol"]
        given = {name: found[name] for name in ("name", "samples_per_pull", "retired")}
        for of, parts in PARTS.items():
            for at, row in enumerate(found[of]):
                given |= {f"{of}[{at}].{part}": row[part] for part in parts}
        return given

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        protocol = selectors.find_protocol(where["protocol"])
        stability.change_protocol(protocol=protocol, spec=spec_of(asked), who=person_of(request))
        return Done(_address(protocol.code), "Written. Studies that have started keep what they began with.")


ROUTES = [
    path("workshop/protocols", Protocols.as_view(), name="protocols"),
    path("workshop/protocols/new", NewOne.as_view(), name="protocol-new"),
    path("workshop/protocol/<code:protocol>", OneProtocol.as_view(), name="protocol"),
    path("workshop/protocol/<code:protocol>/change", ChangeOne.as_view(), name="protocol-change"),
]
