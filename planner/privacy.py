"""Blanking a private customer wherever the program tells of it: the storeroom's records, and planning's own."""

from __future__ import annotations

from inventory.models import Party
from inventory.services.blanking import BLANK, blank_party
from inventory.transactions import write
from planner.jobs.models import Job
from planner.models import Notice
from planner.notices.models import NoticeAct, Upkeep, UpkeepDone

__all__ = ["BLANK", "blank"]


@write
def blank(*, party: Party, keep_code: bool = False) -> Party:
    """Blank who a customer is; past dispatches go on pointing to it. Raises as ``blank_party``.

    Files that jobs made, and backups, are not rewritten: the former are kept for a week, the latter are the owner's.
    """
    party, words = blank_party(party=party, keep_code=keep_code)
    words.rewrite(NoticeAct.objects.all(), ["why"])
    words.rewrite(Upkeep.objects.all(), ["name", "note"])
    words.rewrite(UpkeepDone.objects.all(), ["why"])
    words.rewrite(Notice.objects.all(), ["key", "what", "why"], ["subject", "facts"])
    words.rewrite(Job.objects.filter(refusal__isnull=False), [], ["refusal"])
    return party
