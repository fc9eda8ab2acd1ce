"""Every address of the pages: the ROUTES of each module of the rooms' ``pages`` packages."""

from __future__ import annotations

import importlib
import pkgutil

from django.urls import URLPattern

import inventory.pages
import planner.pages


def _gathered() -> list[URLPattern]:
    rooms = [inventory.pages, planner.pages]
    try:
        rooms.insert(1, importlib.import_module("production.pages"))
    except ModuleNotFoundError as error:
        if error.name != "production.pages":
            raise
    found: list[URLPattern] = []
    for room in rooms:
        for module in sorted(pkgutil.iter_modules(room.__path__), key=lambda one: one.name):
            name = f"{room.__name__}.{module.name}"
            if name != __name__:
                found.extend(getattr(importlib.import_module(name), "ROUTES", []))
    return found


ROUTES_OF_ALL = _gathered()
urlpatterns = ROUTES_OF_ALL
