"""The Week sheet, one batch line by line, moving and resizing with a look at what that does, and one item's days."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form, read_form
from inventory.errors import DomainError
from inventory.models.items import WHY_LENGTH
from inventory.pages.conventions import show_day
from inventory.pages.frame import (
    KEY,
    STANDS,
    Done,
    Facts,
    FormPage,
    FormSheet,
    Page,
    chosen,
    given_by,
    person_of,
    refused_sheet,
)
from inventory.quantities import show_quantity as plain_quantity
from planner import outlook, services, week
from planner.api.access import roles_of
from planner.api.rights.planning import ACCEPTS
from planner.chart import chart_of
from planner.pages.pictures import Picture
from production import selectors
from production.api.batches import NewBatch, named_version
from production.api.formulas import measure_of
from production.api.places import steps_of
from production.models import Batch, Formula
from production.services import batches


class WeekChosen(Form):
    on = fields.Day(required=False)


class Proposals(Form):
    """The ids of proposals; ``one`` is that of a single row's own button."""

    proposal = fields.ListOf(fields.Code(), most=500, required=False)
    one = fields.Code(required=False)


class WeekSheet(FormPage):
    """The week of a day, Monday to Sunday. Its form accepts the proposals that are ticked, or one alone."""

    form = Proposals
    template_name = "planner/week.html"
    section = "week-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, _ = chosen(WeekChosen, request)
        monday = week.monday_of(asked.get("on") or clock.today())
        roles = roles_of(request.user)
        return {
            "sheet": week.week_sheet(monday),
            "week": monday.isocalendar(),
            "sunday": monday + timedelta(days=6),
            "before": monday - timedelta(days=7),
            "after": monday + timedelta(days=7),
            "may_make": bool(roles & set(ACCEPTS["make"])),
            "may_buy": bool(roles & set(ACCEPTS["buy"])),
        }

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        wanted = [asked["one"]] if "one" in asked else asked.get("proposal", [])
        here = f"{reverse('week-sheet')}?{request.GET.urlencode()}" if request.GET else reverse("week-sheet")
        if not wanted:
            return Done(here, "Nothing was ticked, so nothing changed.")
        roles = roles_of(request.user)
        kinds = [kind for kind, allowed in ACCEPTS.items() if roles & set(allowed)]
        found = services.accept(
            proposals=wanted, from_day=clock.today(), weeks=week.WEEKS_AHEAD, kinds=kinds, who=person_of(request)
        )
        told = ", ".join(f"{'batch' if one.kind == 'make' else 'order'} {one.result}" for one in found)
        return Done(here, f"Accepted: {told}.")


class BatchChange(Form):
    size = fields.Quantity(required=False)
    planned_for = fields.Day(required=False)


class BatchPlan(FormPage):
    """One batch line by line: where it comes from, why a lot was passed over; moved or resized after a look."""

    guards = True
    form = BatchChange
    template_name = "planner/week_batch.html"
    section = "week-sheet"
    sides = {"look": "look"}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"shown": week.batch_shown(where["batch"]), "today": clock.today()}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        entry: week.Entry = facts["shown"].entry
        return {"size": plain_quantity(entry.charge, entry.measure), "planned_for": entry.planned_for}

    def stands(self, request: HttpRequest, facts: Facts | None, **where: Any) -> dict[str, Any]:
        found = selectors.find_batch(where["batch"])
        size = plain_quantity(found.charge, measure_of(found.version.basis))
        return {"size": size, "planned_for": found.transformation.planned_for}

    def measure_of(self, name: str, texts: Any, facts: Facts) -> str:
        return measure_of(selectors.find_batch(self.kwargs["batch"]).version.basis)

    def post(self, request: HttpRequest, **where: Any) -> HttpResponse:
        if request.POST.get("side") == "look":
            return self.look(request, **where)
        return super().post(request, **where)

    def look(self, request: HttpRequest, **where: Any) -> HttpResponse:
        """What the change would do to this batch and to the others. Changes nothing."""
        texts = {name: request.POST.get(name, "") for name in self.form._declared_fields}
        sheet = FormSheet(self.form, texts, request.POST.get(KEY, ""), stands=request.POST.get(STANDS, ""))
        try:
            found = selectors.find_batch(where["batch"])
            changes = self._changes(found, self._asked(texts))
            facts = {"what_if": week.what_if(batch=found, **changes)}
        except DomainError as error:
            return self.show(request, self.facts(request, **where), refused_sheet(sheet, error), status=error.status)
        return self.show(request, self.facts(request, **where) | facts, sheet)

    def _asked(self, texts: dict[str, str]) -> dict[str, Any]:
        given, _ = given_by(self.form, texts, lambda name: self.measure_of(name, texts, {}))
        return read_form(self.form, given, texts=True)

    def _changes(self, batch: Batch, asked: dict[str, Any]) -> dict[str, Any]:
        measure = measure_of(batch.version.basis)
        charge = steps_of(measure, asked["size"], "size") if "size" in asked else None
        return {"charge": charge, "planned_for": asked.get("planned_for")}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_batch(where["batch"])
        batches.change_plan(batch=found, who=person_of(request), **self._changes(found, asked))
        return Done(self._here(where), f"Batch {where['batch']} is planned anew.")

    def _here(self, where: dict[str, Any]) -> str:
        return reverse("week-batch", kwargs={"batch": where["batch"]})


class Nothing(Form):
    """An act that asks for nothing but the press of its button."""


class BatchAct(FormPage):
    """One act on a planned batch, on a page of its own that says what it does."""

    template_name = "planner/week_act.html"
    section = "week-sheet"
    heading: str
    act_told: str
    explained: str
    grave = False

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        selectors.find_batch(where["batch"])
        return {
            "batch": where["batch"],
            "heading": self.heading,
            "act_told": self.act_told,
            "explained": self.explained,
            "grave": self.grave,
            "needs_why": "why" in self.form._declared_fields,
            "back": reverse("week-batch", kwargs={"batch": where["batch"]}),
        }


class Reserve(BatchAct):
    form = Nothing
    heading, act_told = "Set stock aside for a batch", "Set it aside"
    explained = "For every line or for none: first what ends first, and only what may be used on the planned day."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = services.reserve_batch(batch=selectors.find_batch(where["batch"]), who=person_of(request))
        told = f"{len(found.taken)} portions are set aside for batch {where['batch']}."
        if found.became_short:
            told += f" By it these become short: {', '.join(found.became_short)}."
        return Done(reverse("week-batch", kwargs={"batch": where["batch"]}), told)


class Free(BatchAct):
    form = Nothing
    heading, act_told = "Free what is set aside for a batch", "Free it"
    explained = "What was set aside may then be promised to others; the batch stays planned."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        batches.unreserve(batch=selectors.find_batch(where["batch"]), who=person_of(request))
        return Done(reverse("week-batch", kwargs={"batch": where["batch"]}), "What was set aside is free again.")


class Reason(Form):
    why = fields.Text(WHY_LENGTH)


class Cancel(BatchAct):
    form = Reason
    heading, act_told, grave = "Cancel a batch", "Cancel it", True
    explained = "Its number is not used again. Once something was weighed, a batch is abandoned at the bench instead."

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        batches.cancel(batch=selectors.find_batch(where["batch"]), who=person_of(request), **asked)
        return Done(reverse("week-sheet"), f"Batch {where['batch']} is cancelled.")


class PlanBatch(FormPage):
    """A new batch of an approved version."""

    form = NewBatch
    template_name = "planner/week_plan.html"
    section = "week-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        rows = Formula.objects.filter(versions__status="approved").distinct().order_by("code")
        return {"formulas": [(code, name) for code, name in rows.values_list("code", "item__name")]}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        asked, _ = chosen(WeekChosen, request)
        return {"planned_for": asked.get("on") or clock.today(), "formula": request.GET.get("formula", "")}

    def measure_of(self, name: str, texts: Any, facts: Facts) -> str:
        found = Formula.objects.filter(code=texts.get("formula", "").strip()).first()
        version = found and found.versions.filter(status="approved").first()
        return measure_of(version.basis) if version else "mass"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        version = named_version(asked)
        charge = steps_of(measure_of(version.basis), asked.pop("size"), "size")
        batch = batches.plan(
            version=version, charge=charge, code=asked.pop("batch", None), who=person_of(request), **asked
        )
        code = batch.transformation.code
        told = f"Batch {code} is planned for {show_day(batch.transformation.planned_for, weekday=True)}."
        return Done(reverse("week-batch", kwargs={"batch": code}), told)


class ItemDays(Page):
    """What becomes of one item over the plan's days, as a table beside its picture."""

    template_name = "planner/item_days.html"
    section = "week-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"outlook": outlook.outlook_of(where["item"]), "weeks": week.WEEKS_AHEAD}


class ItemPicture(Picture):
    template_name = "planner/item_days.svg"
    section = "week-sheet"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"chart": chart_of(outlook.outlook_of(where["item"]))}


ROUTES = [
    path("week", WeekSheet.as_view(), name="week-sheet"),
    path("week/plan", PlanBatch.as_view(), name="week-plan"),
    path("week/batch/<code:batch>", BatchPlan.as_view(), name="week-batch"),
    path("week/batch/<code:batch>/reserve", Reserve.as_view(), name="week-batch-reserve"),
    path("week/batch/<code:batch>/free", Free.as_view(), name="week-batch-free"),
    path("week/batch/<code:batch>/cancel", Cancel.as_view(), name="week-batch-cancel"),
    path("week/item/<code:item>", ItemDays.as_view(), name="item-days"),
    path("week/item/<code:item>/picture.svg", ItemPicture.as_view(), name="item-days-picture"),
]
