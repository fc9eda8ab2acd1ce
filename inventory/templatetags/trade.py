"""Small filters for the pages of orders: ``{% load trade %}``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import template

register = template.Library()


@register.filter
def of(values: Mapping[str, Any], name: str) -> Any:
    """What stands in a mapping under a name; "" where nothing does."""
    return values.get(name, "") if values else ""
