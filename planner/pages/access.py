"""Who may see which page: the table gathered from ``planner.pages.rights``, the gate before every page, and what
templates ask of it.

Closed by default: a page and method that the table does not name is refused to everyone. The API has its own gate.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from planner import rights_table, shared_screen
from planner.api.access import roles_of
from planner.api.roles import ANYONE, HELPER, ROLES, SIGNED_IN
from planner.pages import refusals, rights


def areas() -> dict[str, rights_table.Table]:
    """The part of the table of each area, by the area's name."""
    return rights_table.areas_of(rights)


PERMISSIONS = rights_table.gathered(rights)


class May:
    """What a person may do, as templates ask: ``{% if may.lot_move %}``, by a route's name with low dashes.

    A route with a form may be acted on (POST); one without may be seen. Asks the database once, when first asked.
    """

    def __init__(self, user: Any) -> None:
        self.user = user

    @cached_property
    def roles(self) -> frozenset[str]:
        return roles_of(self.user) if self.user.is_authenticated else frozenset()

    def do(self, method: str, route: str) -> bool:
        allowed = PERMISSIONS.get((method, route), ())
        if ANYONE in allowed:
            return True
        return self.user.is_authenticated and (SIGNED_IN in allowed or bool(self.roles & set(allowed)))

    def __getitem__(self, name: str) -> bool:
        route = name.replace("_", "-")
        return self.do("POST" if ("POST", route) in PERMISSIONS else "GET", route)

    @property
    def roles_told(self) -> str:
        return ", ".join(role for role in ROLES if role in self.roles)

    @property
    def sees_costs(self) -> bool:
        return bool(self.roles - {HELPER})


class MayAtTheBench(May):
    """What may be done at a shared screen: by who stands there, within their rights and what such a screen reaches.

    With nobody chosen it shows what its account may look at; nothing is done with the account's rights.
    """

    def __init__(self, screen: shared_screen.Screen) -> None:
        super().__init__(screen.person or screen.account)
        self.screen = screen

    def do(self, method: str, route: str) -> bool:
        if ANYONE in PERMISSIONS.get((method, route), ()):
            return True
        if (method, route) not in shared_screen.REACHED:
            return False
        nobody_acts = self.screen.person is None and (method, route) not in shared_screen.CHOOSING
        return not (nobody_acts and method == "POST") and super().do(method, route)

    @property
    def sees_costs(self) -> bool:
        return False


def _may_of(request: HttpRequest) -> May:
    screen = shared_screen.screen_of(request)
    return May(request.user) if screen is None else MayAtTheBench(screen)


class PageRights:
    """Middleware: every page is looked up in the table before it is made.

    At a shared screen who stands there takes the place of its account: what they do is theirs.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        request.may = SimpleLazyObject(lambda: _may_of(request))  # type: ignore[attr-defined]
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponseBase | None:
        match = request.resolver_match
        assert match is not None
        if refusals.API in match.namespaces or not getattr(view, "login_required", True):
            return None  # the API has its own gate; what is open to anyone says so where it is made
        screen = shared_screen.screen_of(request)
        if screen is not None and screen.person is not None:
            request.user = screen.person
        may: May = request.may  # type: ignore[attr-defined]
        method = "GET" if request.method == "HEAD" else str(request.method)
        route = str(match.url_name)
        methods = {one for one, name in PERMISSIONS if name == route}
        if methods and method not in methods:
            return refusals.page(request, 405, "This page is not asked in that way. Nothing was changed.")
        if may.do(method, route):
            return None
        if not request.user.is_authenticated:
            return None  # Django's own middleware sends them to sign in
        if screen is not None and (screen.person is None or (method, route) not in shared_screen.REACHED):
            return _not_at_the_bench(request, screen, (method, route))
        allowed = PERMISSIONS.get((method, route), ())
        needed = ", ".join(role for role in ROLES if role in allowed)
        told = f"This needs one of the roles {needed}." if needed else "This page is open to nobody."
        return refusals.page(request, 403, told)


def _not_at_the_bench(request: HttpRequest, screen: shared_screen.Screen, what: rights_table.Right) -> HttpResponseBase:
    if what in shared_screen.REACHED:
        told = (
            "Nobody is chosen at this screen, or nothing was done here for a while. Choose your name, go back to the "
            "sheet and send it once more: nothing was changed."
        )
        came_from = request.headers.get("Referer", "").partition("://")[2].partition("/")[2]
        sheet = request.path if what[0] == "GET" else f"/{came_from}"
        to = f"{reverse('bench')}?{urlencode({'to': sheet})}"
        return refusals.page(request, 403, told, heading="Who is at the bench?", to=to, to_told="Choose your name")
    told = (
        f"This screen is shared at the bench: batch sheets are filled here, and nothing else. For other work sign out; "
        f"then {screen.account.get_username()}, or whoever signs in with their own password, has it all."
    )
    return refusals.page(request, 403, told, heading="Not at the bench")


def shown_on_every_page(request: HttpRequest) -> dict[str, Any]:
    """Context processor: what the person may do, and the words of the navigation that they may follow."""
    from planner.pages.navigation import words_for

    may = getattr(request, "may", None)
    if may is None or not request.user.is_authenticated:
        return {"may": may, "navigation": [], "sees_costs": False}
    return {
        "may": may,
        "navigation": words_for(request, may),
        "sees_costs": may.sees_costs,
        "own_roles": may.roles_told,
        "screen": shared_screen.screen_of(request),
    }


def as_markdown() -> str:
    """The table as DEVELOPERS.md prints it."""
    from planner.pages.routes import ROUTES_OF_ALL

    return rights_table.as_markdown(PERMISSIONS, rights_table.paths_of(ROUTES_OF_ALL), "page")
