"""The pages of decisions and stability in the demo's workshop."""

from __future__ import annotations

from typing import Any

from production.models import Pull, Study


def a_study() -> dict[str, str]:
    return {"study": Study.objects.filter(status="under_way").order_by("pk")[0].code}


def a_planned_pull() -> dict[str, Any]:
    pull = Pull.objects.select_related("study").filter(done_on=None, missed_on=None).order_by("pk")[0]
    return {"study": pull.study.code, "pull": pull.number}


def a_done_pull() -> dict[str, Any]:
    pull = Pull.objects.select_related("study").filter(done_on__isnull=False).order_by("pk")[0]
    return {"study": pull.study.code, "pull": pull.number}


WHERE = {
    "study": a_study,
    "study-close": a_study,
    "pull": a_planned_pull,
    "pull-missed": a_planned_pull,
    "pull-reopen": a_done_pull,
}
