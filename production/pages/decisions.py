"""Decisions: lots that wait for a word, what is set apart, and the wall calendar of stability pulls."""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, ClassVar

from django.http import HttpRequest
from django.urls import path, reverse

from inventory import clock
from inventory.api import fields
from inventory.api.frame import Form, Lines, named
from inventory.models import Item, Lot
from inventory.models.items import WHY_LENGTH
from inventory.pages.frame import Done, Facts, FormPage, Page, chosen, person_of
from inventory.quantities import MASS
from inventory.selectors import find_item, get_lot
from production import stability_selectors as selectors
from production import waiting
from production.api import stability as api
from production.models import Protocol
from production.services import stability as services


class Decisions(Page):
    template_name = "production/decisions.html"
    section = "decisions"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "today": clock.today(),
            "most": waiting.MOST,
            "quarantine": waiting.lots_waiting(Lot.Status.QUARANTINE),
            "held": waiting.lots_waiting(Lot.Status.HELD),
            "retest": waiting.lots_to_retest(),
            "apart": waiting.set_apart(),
            "out_of_limits": selectors.readings_out_of_limits(),
        }


# --- studies -----------------------------------------------------------------------------------------------


class MonthChosen(Form):
    on = fields.Day(required=False)


class Studies(Page):
    """Pulls on a wall calendar, month by month: due, done, missed; and the studies they are of."""

    template_name = "production/studies.html"
    section = "decisions"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        asked, _ = chosen(MonthChosen, request)
        today = clock.today()
        first = (asked.get("on") or today).replace(day=1)
        weeks = calendar.Calendar().monthdatescalendar(first.year, first.month)
        pulls: dict[date, list[dict[str, Any]]] = defaultdict(list)
        found = selectors.pulls(due_from=weeks[0][0], due_to=weeks[-1][-1], on=today).order_by("due_on", "pk")
        for row in api.pull_rows([dict(one) for one in found.values(*selectors.PULL_COLUMNS)]):
            pulls[row["due_on"]].append(row)
        studies = [dict(one) for one in selectors.studies().order_by("-pk").values(*selectors.STUDY_COLUMNS)[:200]]
        return {
            "today": today,
            "first": first,
            "weeks": [[(day, day.month == first.month, pulls[day]) for day in week] for week in weeks],
            "before": (first - timedelta(days=1)).replace(day=1),
            "after": (first + timedelta(days=32)).replace(day=1),
            "overdue": selectors.pulls_due(to_day=today),
            "studies": api.study_rows(studies),
        }


class OneStudy(Page):
    template_name = "production/study.html"
    section = "decisions"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "study": api.read_study(where["study"]),
            "out_of_limits": selectors.readings_out_of_limits(where["study"]),
            "today": clock.today(),
        }


class StudyStart(Form):
    item = fields.Code(refers_to="items")
    lot = fields.Code()
    protocol = fields.Code(refers_to="protocols")
    sample = fields.Quantity(required=False)
    started_on = fields.Day(required=False)
    study = fields.Code(required=False)


class StartStudy(FormPage):
    form = StudyStart
    template_name = "production/study_start.html"
    section = "decisions"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        rows = Protocol.objects.filter(retired=False).order_by("code")
        return {"protocols": list(rows.values_list("code", "name"))}

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        protocols = facts["protocols"]
        return {
            "item": request.GET.get("item", ""),
            "lot": request.GET.get("lot", ""),
            "protocol": protocols[0][0] if protocols else "",
            "started_on": clock.today(),
        }

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        item = Item.objects.filter(code=texts.get("item", "").strip()).first()
        return item.measure if item else MASS

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        item = named(find_item, asked.pop("item"), "item")
        lot = named(lambda number: get_lot(item.code, number), asked.pop("lot"), "lot")
        study = services.start_study(
            lot=lot,
            protocol=named(selectors.find_protocol, asked.pop("protocol"), "protocol"),
            sample_quantity=api.sample_steps(item, asked),
            code=asked.pop("study", ""),
            who=person_of(request),
            **asked,
        )
        return Done(
            reverse("study", kwargs={"study": study.code}), f"Study {study.code} is begun; its samples left the stock."
        )


class CloseStudy(FormPage):
    form = api.StudyClose
    template_name = "production/study_close.html"
    section = "decisions"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"study": api.read_study(where["study"])}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        services.close_study(study=selectors.find_study(where["study"]), who=person_of(request), **asked)
        return Done(reverse("study", kwargs=where), f"Study {where['study']} is closed.")


# --- pulls -------------------------------------------------------------------------------------------------


class ReadingRow(Form):
    test = fields.Text()
    value = fields.Showed(required=False)
    sample = fields.Whole(1, services.MOST_SAMPLES, required=False)


class PullForm(Form):
    done_on = fields.Day(required=False)
    readings = Lines(child=ReadingRow(), most=500, allow_empty=True, required=False)
    why = fields.Text(WHY_LENGTH, required=False, blank=True)


class OnePull(FormPage):
    """A pull: its readings, and while it is planned the form that records it with its real day."""

    form = PullForm
    template_name = "production/pull.html"
    section = "decisions"
    lines: ClassVar = {"readings": 0}

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "pull": api.read_pull(where["study"], where["pull"]),
            "study": api.read_study(where["study"]),
            "today": clock.today(),
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        given: dict[str, Any] = {"done_on": facts["today"]}
        for at, test in enumerate(facts["study"]["tests"]):
            given[f"readings[{at}].test"] = test["test"]
        return given

    def _begun(self, name: str, line: Mapping[str, str]) -> bool:
        return bool(line.get("value", "").strip())

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        found = selectors.find_pull(where["study"], where["pull"])
        asked["readings"] = api.reading_specs(asked)
        if found.done_on is None:
            services.record_pull(pull=found, who=person_of(request), **asked)
        else:
            services.record_readings(pull=found, readings=asked["readings"], who=person_of(request))
        return Done(reverse("pull", kwargs=where), f"Pull {where['pull']} of {where['study']} is recorded.")


class PullAct(FormPage):
    form = api.PullWhy
    template_name = "production/pull_act.html"
    section = "decisions"
    heading: ClassVar[str]
    act_told: ClassVar[str]

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {
            "pull": api.read_pull(where["study"], where["pull"]),
            "heading": self.heading,
            "act_told": self.act_told,
            "back": reverse("pull", kwargs=where),
        }


class Missed(PullAct):
    heading, act_told = "A pull that was missed", "It was missed"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        services.miss_pull(pull=selectors.find_pull(where["study"], where["pull"]), who=person_of(request), **asked)
        return Done(reverse("study", kwargs={"study": where["study"]}), f"Pull {where['pull']} is missed.")


class Reopened(PullAct):
    heading, act_told = "Open a pull again", "Open it again"

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        services.reopen_pull(pull=selectors.find_pull(where["study"], where["pull"]), who=person_of(request), **asked)
        return Done(reverse("pull", kwargs=where), f"Pull {where['pull']} is planned again.")


ROUTES = [
    path("decisions", Decisions.as_view(), name="decisions"),
    path("decisions/studies", Studies.as_view(), name="studies"),
    path("decisions/studies/start", StartStudy.as_view(), name="study-start"),
    path("decisions/studies/<code:study>", OneStudy.as_view(), name="study"),
    path("decisions/studies/<code:study>/close", CloseStudy.as_view(), name="study-close"),
    path("decisions/studies/<code:study>/pulls/<int:pull>", OnePull.as_view(), name="pull"),
    path("decisions/studies/<code:study>/pulls/<int:pull>/missed", Missed.as_view(), name="pull-missed"),
    path("decisions/studies/<code:study>/pulls/<int:pull>/again", Reopened.as_view(), name="pull-reopen"),
]
