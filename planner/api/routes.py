"""Every address of the API: the ROUTES of each module of the rooms' ``api`` packages, under /api/v1/."""

from __future__ import annotations

import importlib
import pkgutil

from django.urls import URLPattern, re_path

import inventory.api
import planner.api
import production.api
from planner import rights_table
from planner.api.problems import NoSuchAddress


def _gathered() -> list[URLPattern]:
    found: list[URLPattern] = []
    for room in (inventory.api, production.api, planner.api):
        for module in sorted(pkgutil.iter_modules(room.__path__), key=lambda one: one.name):
            name = f"{room.__name__}.{module.name}"
            if name != __name__:
                found.extend(getattr(importlib.import_module(name), "ROUTES", []))
    return found


ROUTES_OF_ALL = _gathered()

app_name = "api"
# Last, what is no address: a problem document too, not a page.
urlpatterns = [*ROUTES_OF_ALL, re_path(r"^[\s\S]*\Z", NoSuchAddress.as_view(), name="no-such-address")]

# The address below /api/v1 of each route, by its name; and the other way round.
PATH_OF = rights_table.paths_of(ROUTES_OF_ALL)
NAME_OF = {path: name for name, path in PATH_OF.items()}
