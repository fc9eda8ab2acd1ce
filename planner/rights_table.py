"""A table of rights kept as data: gathered from the modules of a package, and printed. For the API and for pages."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Iterable, Mapping
from types import ModuleType

from django.urls import URLPattern

from planner.api.roles import ANYONE, ROLES, SIGNED_IN

Right = tuple[str, str]  # method, route name
Table = dict[Right, tuple[str, ...]]


def areas_of(package: ModuleType) -> dict[str, Table]:
    """The part of the table of each area, by the area's name: the ``RIGHTS`` of each module of the package."""
    names = sorted(module.name for module in pkgutil.iter_modules(package.__path__))
    return {name: importlib.import_module(f"{package.__name__}.{name}").RIGHTS for name in names}


def gathered(package: ModuleType) -> Table:
    """The whole table. Raises ValueError where two areas name the same."""
    table: Table = {}
    for area, part in areas_of(package).items():
        twice = table.keys() & part.keys()
        if twice:
            raise ValueError(f"{package.__name__}.{area} names what another area has: {sorted(twice)}")
        table |= part
    return table


def paths_of(routes: Iterable[URLPattern]) -> dict[str, str]:
    """The address of each route by its name: ``/items/{item}``."""
    return {str(route.name): "/" + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", str(route.pattern)) for route in routes}


def as_markdown(table: Table, paths: Mapping[str, str], what: str) -> str:
    """The table as DEVELOPERS.md prints it, by address; ``what`` heads the addresses."""
    lines = [f"| method | {what} | {' | '.join(ROLES)} |", "|---|---|" + "---|" * len(ROLES)]
    for (method, route), allowed in sorted(table.items(), key=lambda one: (paths[one[0][1]], one[0][0])):
        if ANYONE in allowed or SIGNED_IN in allowed:
            word = "anyone" if ANYONE in allowed else "signed in"
            marks = [word, *[""] * (len(ROLES) - 1)]
        else:
            marks = ["yes" if role in allowed else "" for role in ROLES]
        lines.append(f"| {method} | {paths[route]} | {' | '.join(marks)} |")
    return "\n".join(lines)
