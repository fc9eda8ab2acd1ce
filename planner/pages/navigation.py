"""The words of the navigation, in the order of a working day; each is followed only by whom its page is open to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse

from planner.pages.access import May

WORDS = (
    ("Day sheet", "day-sheet"),
    ("Week sheet", "week-sheet"),
    ("Shelf", "shelf"),
    ("Orders", "orders"),
    ("Formulas", "formulas"),
    ("Batch sheets", "batch-sheets"),
    ("Decisions", "decisions"),
    ("Trace", "trace"),
    ("Workshop", "workshop"),
)


@dataclass(frozen=True, slots=True)
class Word:
    word: str
    to: str
    here: bool


@cache
def _addresses() -> tuple[tuple[str, str, str], ...]:
    found = []
    for word, route in WORDS:
        try:
            found.append((word, route, reverse(route)))
        except NoReverseMatch:
            continue  # a room that has no page yet
    return tuple(found)


def words_for(request: HttpRequest, may: May) -> list[Word]:
    match = request.resolver_match
    view = getattr(match.func, "view_class", None) if match is not None else None
    section = getattr(view, "section", "") or (match.url_name if match is not None else "")
    return [Word(word, to, route == section) for word, route, to in _addresses() if may.do("GET", route)]


def first_page(may: May) -> str:
    """Where a person begins: the first word that they may follow; "" where there is none."""
    return next((to for _, route, to in _addresses() if may.do("GET", route)), "")
