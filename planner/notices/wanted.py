"""What a source yields: a notice that should stand, before it is compared with what stands."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from planner.notices.days import Wall
from planner.notices.kinds import Kind

Json = dict[str, Any]
KEEP = "\0keep"  # a text that only a whole look reckons: what stands is kept


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the causes: when, by which clock, under which rules.

    ``whole`` is false where only some causes are looked at again before somebody is told: what takes a plan is then
    left as it was.
    """

    now: datetime
    today: date
    wall: Wall
    kinds: Mapping[str, Kind]
    country: str
    open_weekdays: frozenset[int]
    whole: bool = True


@dataclass(frozen=True, slots=True)
class Wanted:
    """A notice that should stand. ``key`` is the condition's own: found again, it is the same notice.

    ``due_on`` None: the day on which it is opened. ``soon_days`` None: those of its kind.
    """

    key: str
    cause: int
    subject: Json
    what: str
    why: str
    due_on: date | None
    overdue_after_days: int = 1
    soon_days: tuple[int, ...] | None = None
    role: str = ""
    person: int | None = None
    facts: Json = field(default_factory=dict)


Source = Callable[[Look, Collection[int] | None], Iterable[Wanted]]
# From the facts that stood and those of now: the sentence that says what is worse, or "".
Worse = Callable[[Mapping[str, Any], Mapping[str, Any]], str]


def told(day: date) -> str:
    """A day as letters write it: "3 March 2027"."""
    return f"{day.day} {day:%B %Y}"


def horizon(look: Look, kind: str, extra_days: int = 7) -> date:
    """The last day on which something must end to be recorded now: a week before it is first told."""
    return look.today + timedelta(days=max(look.kinds[kind].soon_days, default=0) + extra_days)
