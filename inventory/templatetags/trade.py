"""Small filters for the pages of orders: ``{% load trade %}``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import template

from inventory.pages.conventions import show_day

register = template.Library()


@register.filter
def of(values: Mapping[str, Any], name: str) -> Any:
    """What stands in a mapping under a name; "" where nothing does."""
    return values.get(name, "") if values else ""


@register.filter
def day_typed(text: str) -> str:
    """A day as an input has it, for a person; as it was typed where it is none."""
    try:
        return show_day(text, weekday=True)
    except ValueError:
        return text
