"""Who may do what: the roles, the permission table gathered from ``planner.api.rights``, and the gate itself.

Closed by default: a route and method that the table does not name is refused to everyone.
"""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import MethodNotAllowed, NotAuthenticated
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from inventory.errors import NotAllowed
from planner import rights_table
from planner.api import rights
from planner.api.roles import ANYONE, HELPER, ROLES, SIGNED_IN


def areas() -> dict[str, rights_table.Table]:
    """The part of the table of each area, by the area's name."""
    return rights_table.areas_of(rights)


PERMISSIONS = rights_table.gathered(rights)


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
    from planner.api.routes import PATH_OF

    return rights_table.as_markdown(PERMISSIONS, PATH_OF, "address")
