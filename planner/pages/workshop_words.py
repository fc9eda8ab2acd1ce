"""The pages of the Workshop in their order, as words with a sentence each. A page that is not there yet is left out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from django.urls import NoReverseMatch, reverse

from planner.pages.access import May

WORDS = (
    ("Yourself", "myself", "Your password and PIN, your letters, your calendar, and who stands in while you are away."),
    ("People", "people", "Who may sign in, and what for."),
    ("Bench", "bench", "A screen that several use: each signs what they weigh and do by a PIN, set under Yourself."),
    ("Settings", "settings", "Clock, currency, open days, scales, how lots and batches are numbered."),
    ("Places", "places", "Where things stand, and how much is in each place."),
    ("Holidays", "holidays", "The days on which the workshop is closed."),
    ("Upkeep", "upkeep", "What comes again: scales to check, rooms to clean."),
    ("Notices", "notice-kinds", "What is told to whom, and how many days before."),
    ("Protocols", "protocols", "When the samples of a study are looked at, and for what."),
    ("Bring tables in", "bring-in", "From a workbook or CSV files: looked at first, written when you agree."),
    ("Take tables out", "take-out", "All that is here, planned, wanted and on order, as a workbook or CSV files."),
    ("Privacy", "privacy", "A private customer who asks to be forgotten."),
    ("Change log", "changes", "Who changed what in items, parties, formulas, settings and people."),
    ("Work under way", "jobs", "Long work that goes on by itself: plans, traces, tables."),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    word: str
    to: str
    told: str


@cache
def _addresses() -> tuple[tuple[str, str, str, str], ...]:
    found = []
    for word, route, told in WORDS:
        try:
            found.append((word, route, reverse(route), told))
        except NoReverseMatch:
            continue
    return tuple(found)


def words_for(may: May) -> list[Entry]:
    """What the person may open."""
    return [Entry(word, to, told) for word, route, to, told in _addresses() if may.do("GET", route)]
