"""The day's pages in the demo's workshop: a look at all sources first, so that there are notices."""

from __future__ import annotations

from uuid import UUID

from planner.api.roles import HELPER
from planner.notices.kinds import seen_with
from planner.notices.looking import look_when_due
from planner.notices.models import Notice


def _notice() -> dict[str, UUID]:
    """One that everybody with a role may see."""
    seen = Notice.objects.filter(state="open", kind__in=seen_with(frozenset({HELPER}))).order_by("pk")
    if not seen.exists():
        look_when_due()
    return {"notice": seen[0].uid}


WHERE = {"notice-put-off": _notice, "notice-done": _notice}
