"""The kinds of notices: for whom each is and when it is told, as the owner wants it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.http import HttpRequest
from django.urls import path, reverse

from inventory.api import fields
from inventory.api.frame import Form
from inventory.errors import BadInput, Fault, NotFound
from inventory.pages.conventions import read_days
from inventory.pages.frame import Done, Facts, FormPage, Page
from planner.api.notices import kind_row
from planner.api.roles import ROLES
from planner.notices import choices
from planner.notices.kinds import KINDS, Kind, kinds_now

RuleForm = type(
    "NoticeRuleOnAPage",
    (Form,),
    {role: fields.Flag(required=False) for role in ROLES}
    | {
        "at_once": fields.Flag(required=False),
        "soon_days": fields.Text(80, required=False, blank=True),
        "escalate_days": fields.Days(required=False, allow_null=True),
    },
)


def _find(name: str) -> Kind:
    if name not in KINDS:
        raise NotFound(f"no kind of notices {name!r}")
    return kinds_now()[name]


def _in_words(days: Iterable[int]) -> str:
    return " ".join(map(str, sorted(days, reverse=True)))


class Rules(Page):
    template_name = "planner/notice_rules.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        return {"kinds": [kind_row(kind) | {"changed": kind != KINDS[name]} for name, kind in kinds_now().items()]}


class OneRule(FormPage):
    """What stands as it did at first is kept as no change, so that a later default reaches it."""

    guards = True
    form = RuleForm
    clears = True
    template_name = "planner/notice_rule.html"
    section = "workshop"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        kind, first = _find(where["kind"]), KINDS[where["kind"]]
        return {
            "kind": kind_row(kind),
            "first": kind_row(first) | {"soon": _in_words(first.soon_days)},
            "roles": [role for role in ROLES if role in kind.seen_by],
        }

    def initial(self, request: HttpRequest, facts: Facts) -> dict[str, Any]:
        row = facts["kind"]
        ticks = {role: role in row["roles"] for role in ROLES}
        days = {"soon_days": _in_words(row["soon_days"]), "escalate_days": row["escalate_days"]}
        return ticks | days | {"at_once": row["at_once"]}

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        first = KINDS[_find(where["kind"]).name]
        roles = [role for role in ROLES if asked.get(role)]
        if not roles:
            raise BadInput("nobody would be told", faults=[Fault("roles", "", "at least one role")])
        wanted: dict[str, Any] = {
            "roles": roles,
            "at_once": asked.get("at_once", False),
            "soon_days": _days_of(asked.get("soon_days", "")),
            "escalate_days": asked.get("escalate_days"),
        }
        stands = kind_row(first)
        changes = {name: None if value == stands[name] else value for name, value in wanted.items()}
        kind = choices.change_rule(kind=where["kind"], **changes)
        return Done(reverse("notice-kinds"), f"{kind.title}: as you wrote it.")


def _days_of(text: str) -> list[int]:
    """ "14 3": the days before it is due, the earliest first. Raises BadInput."""
    return sorted(set(read_days(text, "soon_days", least=1, such_as='"14 3"')), reverse=True)


ROUTES = [
    path("workshop/notices", Rules.as_view(), name="notice-kinds"),
    path("workshop/notices/<code:kind>", OneRule.as_view(), name="notice-kind"),
]
