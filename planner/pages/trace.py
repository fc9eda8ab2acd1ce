"""Trace: from any number of a lot to all that contains it and who received it, or back to what it was made from."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form, read_form
from inventory.errors import BadInput, Conflict, Fault, NotFound
from inventory.models import Lot
from inventory.models.items import WHY_LENGTH
from inventory.pages.frame import Done, Facts, FormPage, FormSheet, Page, person_of
from planner import selectors, services
from planner.genealogy import in_words, picture_of
from planner.pages.pictures import Picture
from planner.trace_sheet import csv_of, trace_sheet, workbook_of

ROWS_ON_THE_PAGE = 200  # of each table; the print and the file have all
DIRECTIONS = [("forward", "what contains it, and who received it"), ("backward", "what it was made from")]


class Sought(Form):
    """Lots by any of their numbers, one a line; where items are named too, one for each in the same order."""

    lot = fields.ListOf(fields.Text(), most=100, required=False)
    item = fields.ListOf(fields.Code(refers_to="items"), most=100, required=False)
    direction = fields.Choice("forward", "backward", required=False)


def sought(request: HttpRequest) -> dict[str, Any]:
    """What the address asks for. Raises BadInput."""
    found = {name: _each_line(request.GET.getlist(name)) for name in ("lot", "item")}
    direction = request.GET.get("direction", "")
    return read_form(
        Sought, {name: value for name, value in {**found, "direction": direction}.items() if value}, texts=True
    )


def _each_line(values: list[str]) -> list[str]:
    return [line.strip() for whole in values for line in whole.splitlines() if line.strip()]


def origins_of(asked: dict[str, Any]) -> list[Lot]:
    """Raises NotFound or Conflict ("ambiguous", with the lots to choose from) of inventory.errors."""
    return selectors.find_each_lot(asked.get("lot", []), asked.get("item", []))


def query_of(origins: list[Lot], *, forward: bool = True) -> str:
    """The lots by their own numbers and items, so that the address means the same for ever."""
    pairs = [pair for lot in origins for pair in (("lot", lot.number), ("item", lot.item.code))]
    return urlencode(pairs if forward else [*pairs, ("direction", "backward")])


class TracePage(Page):
    template_name = "planner/trace.html"
    section = "trace"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked = sought(request)
        typed = {"lot": "\n".join(asked.get("lot", [])), "direction": asked.get("direction", "forward")}
        shown: Facts = {
            "form": FormSheet(Sought, typed, key=""),
            "directions": DIRECTIONS,
            "choices": [],
            "sheet": None,
            "missing": "",
        }
        if not asked.get("lot"):
            return shown
        try:
            origins = origins_of(asked)
        except NotFound as error:
            return shown | {"missing": error.message}
        except Conflict as error:
            return shown | {"choices": error.facts["lots"], "direction": asked.get("direction", "forward")}
        forward = asked.get("direction") != "backward"
        sheet = trace_sheet(origins, forward=forward)
        return shown | {
            "sheet": sheet,
            "today": clock.today(),
            "most": None if request.GET.get("all") else ROWS_ON_THE_PAGE,
            "cut": max(len(sheet.lots), len(sheet.links), len(sheet.here)) > ROWS_ON_THE_PAGE,
            "picture_told": in_words(sheet.trace),
            "query": query_of(origins, forward=forward),
            "other_query": query_of(origins, forward=not forward),
            "lots_query": query_of(origins),
        }


class Genealogy(Picture):
    """The picture of the same trace, an answer of its own."""

    template_name = "planner/genealogy.svg"
    section = "trace"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked = sought(request)
        found = trace_sheet(_needed(asked), forward=asked.get("direction") != "backward")
        return {"picture": picture_of(found.trace)}


class TraceFile(Page):
    """The whole trace as one table: CSV, or a workbook."""

    section = "trace"
    KINDS = {
        "csv": ("text/csv; charset=utf-8", csv_of),
        "xlsx": ("application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", workbook_of),
    }

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        kind = where["kind"]
        if kind not in self.KINDS:
            raise NotFound(f"a trace is written as {' or '.join(self.KINDS)}")
        asked = sought(request)
        origins = _needed(asked)
        content_type, written = self.KINDS[kind]
        sheet = trace_sheet(origins, forward=asked.get("direction") != "backward")
        answer = HttpResponse(written(sheet), content_type=content_type)
        answer["Content-Disposition"] = f'attachment; filename="trace.{kind}"'
        return answer


def _needed(asked: dict[str, Any]) -> list[Lot]:
    if not asked.get("lot"):
        accepted = "the number of a lot"
        raise BadInput("say which lot", faults=[Fault("lot", "", accepted)])
    return origins_of(asked)


class Reason(Form):
    lot = fields.ListOf(fields.Text(), most=100, allow_empty=False)
    item = fields.ListOf(fields.Code(refers_to="items"), most=100, allow_empty=False)
    why = fields.Text(WHY_LENGTH)


class DecideOnAll(FormPage):
    """One decision on the lots and all that contains them, after a look at what it would change."""

    form = Reason
    template_name = "planner/trace_decide.html"
    section = "trace"
    status: str
    heading: str
    act_told: str

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked = request.POST if request.method == "POST" else request.GET
        names = {
            name: [text for whole in asked.getlist(name) for text in whole.split("\n")] for name in ("lot", "item")
        }
        origins = _needed(names)
        rows = services.affected_lots(origins=origins)
        return {
            "heading": self.heading,
            "act_told": self.act_told,
            "holds": self.status == Lot.Status.HELD,
            "origins": origins,
            "rows": rows,
            "would_change": sum(self._changes(row) for row in rows),
            "back": f"{reverse('trace')}?{query_of(origins)}",
        }

    def _changes(self, row: services.AffectedLot) -> bool:
        return row.would_hold if self.status == Lot.Status.HELD else row.lot.status == Lot.Status.HELD

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        origins: list[Lot] = facts["origins"]
        return {
            "lot": "\n".join(lot.number for lot in origins),
            "item": "\n".join(lot.item.code for lot in origins),
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        origins = origins_of(asked)
        made = services.decide_affected(origins=origins, status=self.status, why=asked["why"], who=person_of(request))
        told = f"{len(made)} lots decided in one action." if made else "There was nothing to decide: no lot changed."
        return Done(f"{reverse('trace')}?{query_of(origins)}", told)


class HoldAll(DecideOnAll):
    status, heading, act_told = Lot.Status.HELD, "Hold everything affected", "Hold them all"


class ReleaseAll(DecideOnAll):
    status, heading, act_told = Lot.Status.RELEASED, "End the hold of everything affected", "End the hold"


ROUTES = [
    path("trace", TracePage.as_view(), name="trace"),
    path("trace/picture.svg", Genealogy.as_view(), name="trace-picture"),
    path("trace/file.<str:kind>", TraceFile.as_view(), name="trace-file"),
    path("trace/hold", HoldAll.as_view(), name="trace-hold"),
    path("trace/release", ReleaseAll.as_view(), name="trace-release"),
]
