"""How pages say what a plan says: ``{% load plan_words %}``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django import template

from inventory.pages.conventions import show_day, show_moment
from planner.engine.result import Peg

register = template.Library()

REASONS = {
    "expired": "is past its last day",
    "too_short": "does not live long enough",
    "quarantine": "waits for a decision",
    "held": "is held",
    "rejected": "was rejected",
    "reserved": "is set aside for others",
    "not_yet": "is not here by then",
    "not_enough": "has not enough in one lot",
}
# How late something is, as a person would say it; the API keeps its words.
STAGES = {"escalated": "long overdue", "due_soon": "due soon"}
CHANNELS = {"page": "on the list", "letter": "by letter", "at_once": "by mail at once"}
SOURCES = {"lot": "lot", "order": "order", "batch": "batch"}
MOST_PEGS = 3


@register.filter
def ordinal(day: int | None) -> date | None:
    """The day that an engine's number stands for."""
    return None if day is None else date.fromordinal(day)


@register.filter
def at(values: Mapping[Any, Any], key: Any) -> Any:
    """What stands in a mapping under a key; "" where nothing does."""
    return values.get(key, "")


@register.filter
def reason(code: str) -> str:
    """Why a lot was passed over, in words."""
    return REASONS.get(code, code)


@register.filter
def stage(code: str) -> str:
    """At which stage a notice stands, in words."""
    return STAGES.get(code, code)


@register.filter
def telling(row: Mapping[str, Any]) -> str:
    """How and when somebody was told of a notice; of a mail, what became of it."""
    how, told_at = CHANNELS[row["channel"]], show_moment(row["told_at"])
    if row["channel"] == "page":
        return f"{how}, {told_at}"
    if row["mail"] == "dropped":
        return f"{how}, not sent: nothing in it mattered any more"
    if row["mail"] in (None, "waiting"):
        return f"{how}, waits to be sent"
    if not told_at:
        return f"{how}, left out of it: it did not stand open any more"
    if row["mail"] == "recorded":
        return f"{how}, only written down {told_at} and not sent: {row['not_mailed']}"
    return f"{how}, sent {told_at}"


@register.filter
def source(name: str) -> str:
    """ "order:P-7" as "order P-7" """
    kind, _, code = name.partition(":")
    return f"{SOURCES.get(kind, kind)} {code}"


@register.filter
def said(day: date | None) -> str:
    """A day as plain text, for attributes."""
    return show_day(day)


@register.filter
def pegs(rows: Sequence[Peg], made: Mapping[str, str]) -> str:
    """What a proposal is for, the first few. ``made`` tells what other proposals make, by their ids."""
    told = list(dict.fromkeys(_peg(row.to, made) for row in rows))
    more = f" and {len(told) - MOST_PEGS} more" if len(told) > MOST_PEGS else ""
    return ", ".join(told[:MOST_PEGS]) + more


def _peg(name: str, made: Mapping[str, str]) -> str:
    kind, _, code = name.partition(":")
    if kind == "demand":
        customer, _, reference = code.partition("/")
        return " ".join(part for part in (customer or "the market", reference) if part)
    if kind == "make":
        return f"{made[code]} to be made" if code in made else "a later making"
    return {"batch": f"batch {code}", "safety": "the safety stock"}.get(kind, name)
