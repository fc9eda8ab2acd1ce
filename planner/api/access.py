"""Who may do what: the roles, the permission table gathered from ``planner.api.rights``, and the gate itself.

Closed by default: a route and method that the table does not name is refused to everyone.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

from rest_framework.exceptions import MethodNotAllowed, NotAuthenticated
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from inventory.errors import NotAllowed
from planner.api import rights
from planner.api.roles import ANYONE, HELPER, ROLES, SIGNED_IN

Right = tuple[str, str]  # method, route name


def areas() -> dict[str, dict[Right, tuple[str, ...]]]:
    """The part of the table of each area, by the area's name."""
    names = sorted(module.name for module in pkgutil.iter_modules(rights.__path__))
    return {name: importlib.import_module(f"{rights.__name__}.{name}").RIGHTS for name in names}


def _gathered() -> dict[Right, tuple[str, ...]]:
    table: dict[Right, tuple[str, ...]] = {}
    for area, part in areas().items():
        twice = table.keys() & part.keys()
        if twice:
            raise ValueError(f"planner.api.rights.{area} names what another area has: {sorted(twice)}")
        table |= part
    return table


PERMISSIONS = _gathered()


def roles_of(user: Any) -> frozenset[str]:
    """The person's roles; the first user, a superuser, has all. One query for each request."""
    if user.is_superuser:
        return frozenset(ROLES)
    return frozenset(user.groups.values_list("name", flat=True)) & frozenset(ROLES)


class RolePermission(BasePermission):
    """Lets a request through when the table gives one of the person's roles this method of this route."""

    def has_permission(self, request: Request, view: Any) -> bool:
        method = "GET" if request.method == "HEAD" else request.method
        allowed = PERMISSIONS.get((method, request.resolver_match.url_name), ())
        if ANYONE in allowed:
            return True
        if not request.user.is_authenticated:
            raise NotAuthenticated
        if request.method not in view.allowed_methods:
            raise MethodNotAllowed(request.method)
        roles = roles_of(request.user)
        request.sees_costs = bool(roles - {HELPER})
        if SIGNED_IN in allowed or roles & set(allowed):
            return True
        needed = ", ".join(role for role in ROLES if role in allowed)
        raise NotAllowed(f"this needs one of the roles {needed}" if needed else "this is open to nobody")


def as_markdown() -> str:
    """The table as DEVELOPERS.md prints it."""
    from planner.api.routes import paths_by_name

    paths = paths_by_name()
    lines = [f"| method | address | {' | '.join(ROLES)} |", "|---|---|" + "---|" * len(ROLES)]
    for (method, route), allowed in sorted(PERMISSIONS.items(), key=lambda one: (paths[one[0][1]], one[0][0])):
        if ANYONE in allowed or SIGNED_IN in allowed:
            word = "anyone" if ANYONE in allowed else "signed in"
            marks = [word, *[""] * (len(ROLES) - 1)]
        else:
            marks = ["yes" if role in allowed else "" for role in ROLES]
        lines.append(f"| {method} | {paths[route]} | {' | '.join(marks)} |")
    return "\n".join(lines)
