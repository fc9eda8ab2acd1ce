"""The workshop that the tests of pages walk through: the demo's, a person of every role, one with none, and a reader
of what the pages say."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from django.contrib.auth.models import Group, User
from django.test import Client
from django.urls import reverse

from planner.api.roles import ANYONE, ROLES, SIGNED_IN
from planner.pages.access import PERMISSIONS, areas

NOW = "2027-03-10T09:00:00+00:00"  # a Wednesday; the demo is laid down on it
PEOPLE = (*ROLES, "nobody")


def people() -> dict[str, Client]:
    """A signed-in client for each role, for "nobody" (no role), and for "stranger" (not signed in)."""
    clients = {"stranger": Client()}
    for name in PEOPLE:
        person = User(username=name)
        person.set_unusable_password()
        person.save()
        if name in ROLES:
            person.groups.add(Group.objects.get_or_create(name=name)[0])
        clients[name] = Client()
        clients[name].force_login(person)
    return clients


# --- the pages ---------------------------------------------------------------------------------------------


def _of_areas(name: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for area in areas():
        try:
            module = importlib.import_module(f"tests.planner.pages.areas.{area}")
        except ModuleNotFoundError:
            continue
        found |= getattr(module, name, {})
    return found


def fillers() -> dict[str, Callable[[int], None]]:
    return _of_areas("FILLERS")


def address(route: str) -> str:
    """The address of a page in the demo's workshop."""
    where: Mapping[str, Any] = _of_areas("WHERE").get(route, dict)()
    query = _of_areas("QUERY").get(route, "")
    query = query() if callable(query) else query
    return reverse(route, kwargs=dict(where)) + (f"?{query}" if query else "")


def shown_routes() -> list[str]:
    """Every page that can be looked at."""
    return sorted(route for method, route in PERMISSIONS if method == "GET")


def may(role: str, method: str, route: str) -> bool:
    allowed = PERMISSIONS.get((method, route), ())
    return ANYONE in allowed or (role != "stranger" and (SIGNED_IN in allowed or role in allowed))


def someone_who_may(method: str, route: str) -> str:
    return next(role for role in ("owner", *ROLES, "stranger") if may(role, method, route))


# --- what a page says --------------------------------------------------------------------------------------


@dataclass
class Read(HTMLParser):
    """A page taken apart: tags by name, its words, labels, and what stands in it that may not."""

    tags: dict[str, list[dict[str, str]]] = field(default_factory=dict)
    words: str = ""
    faults: list[str] = field(default_factory=list)
    _inside: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.setdefault(tag, []).append(given)
        if tag == "style" or "style" in given:
            self.faults.append(f"a style stands in the page at <{tag}>")
        if tag == "script" and "src" not in given:
            self.faults.append("a script stands in the page")
        self.faults += [f"{name} at <{tag}>" for name in given if name.startswith(("on", "hx-on"))]
        if tag in ("script", "style", "title"):
            self._inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.words += data


def read(answer: Any) -> Read:
    found = Read()
    found.feed(answer.content.decode())
    labelled = {one.get("for", "") for one in found.tags.get("label", [])}
    for tag in ("input", "select", "textarea"):
        for one in found.tags.get(tag, []):
            named = one.get("id") in labelled or "aria-label" in one or "aria-labelledby" in one
            if one.get("type") not in ("hidden", "submit", "button") and not named:
                found.faults.append(f"no label for {one.get('name')}")
    identities = [one["id"] for tags in found.tags.values() for one in tags if "id" in one]
    found.faults += [f"the id {one} stands twice" for one in set(identities) if identities.count(one) > 1]
    if len(found.tags.get("h1", [])) != 1:
        found.faults.append(f"{len(found.tags.get('h1', []))} h1")
    for table in found.tags.get("table", []):
        if len(found.tags.get("caption", [])) < len(found.tags["table"]) and "aria-label" not in table:
            found.faults.append("a table without a caption")
            break
    return found
