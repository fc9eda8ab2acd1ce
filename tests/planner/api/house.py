"""The workshop that the tests of the API call: the small house, a person of every role, and one with none."""

from __future__ import annotations

import importlib
import json
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group, User
from drf_spectacular.generators import SchemaGenerator
from rest_framework.test import APIClient

from planner.api.access import PERMISSIONS, areas
from planner.api.roles import ANYONE, ROLES, SIGNED_IN
from tests.kept_rows import build_or_write
from tests.planner.small_house import set_up
from tests.whole_database import OURS, every_row

PASSWORD = "seven warm stones"
NOW = "2027-03-01T09:00:00+00:00"  # the small house's first day; when the examples are true
Operation = tuple[str, str]  # method, route name


def open_house() -> dict[str, APIClient]:
    """The small house, and a signed-in client for each role, for "nobody" (no role) and "stranger" (not signed in)."""
    clients = {"stranger": APIClient()}
    for name, session in build_or_write(_furnish).items():
        clients[name] = APIClient()
        clients[name].cookies[settings.SESSION_COOKIE_NAME] = session
    return clients


def _furnish() -> dict[str, str]:
    """The key of each person's session."""
    with tempfile.TemporaryDirectory(prefix="weighhouse-house-") as folder:
        set_up(Path(folder))
    sessions = {}
    for name in (*ROLES, "nobody"):
        person = User(username=name)
        person.set_unusable_password()
        if name == "owner":
            person.password = make_password(PASSWORD)
        person.save()
        if name in ROLES:
            # Tests that empty the tables take the migration's groups with them.
            person.groups.add(Group.objects.get_or_create(name=name)[0])
        client = APIClient()
        client.force_login(person)
        sessions[name] = client.cookies[settings.SESSION_COOKIE_NAME].value
    return sessions


# --- areas -------------------------------------------------------------------------------------------------


@cache
def _area_of_operations() -> dict[Operation, Any]:
    return {
        operation: importlib.import_module(f"tests.planner.api.areas.{area}")
        for area, part in areas().items()
        for operation in part
    }


def prepare(operation: Operation) -> None:
    """Make what the example of this operation needs."""
    getattr(_area_of_operations()[operation], "prepare", lambda operation: None)(operation)


def fillers() -> dict[str, Callable[[int], None]]:
    return {route: filler for area in _area_modules() for route, filler in getattr(area, "FILLERS", {}).items()}


def wrong_values() -> dict[tuple[str, str, str], list[Any]]:
    return {field: values for area in _area_modules() for field, values in getattr(area, "WRONG", {}).items()}


def never_wrong() -> dict[tuple[str, str, str], str]:
    return {field: why for area in _area_modules() for field, why in getattr(area, "NEVER_WRONG", {}).items()}


def files() -> dict[Operation, dict[str, bytes]]:
    """Example files by their media, of the operations that take a file."""
    return {operation: file for area in _area_modules() for operation, file in getattr(area, "FILES", {}).items()}


def volatile() -> set[str]:
    return {name for area in _area_modules() for name in getattr(area, "VOLATILE", set())}


def _area_modules() -> list[Any]:
    return [importlib.import_module(f"tests.planner.api.areas.{area}") for area in areas()]


# --- the schema as the tests read it -----------------------------------------------------------------------


@dataclass(frozen=True)
class Described:
    """One operation as the schema describes it."""

    method: str
    route: str
    path: str
    told: dict[str, Any]

    @property
    def operation(self) -> Operation:
        return self.method, self.route

    @property
    def is_list(self) -> bool:
        return "cursor" in {one["name"] for one in self.told.get("parameters", [])}

    @property
    def status(self) -> int:
        """The status of success."""
        return next(int(status) for status in self.told["responses"] if status.startswith("2"))

    @property
    def statuses(self) -> set[int]:
        return {int(status) for status in self.told["responses"]}

    def address(self) -> str:
        """The path with its example, and the query of its example."""
        found, query = self.path, []
        for one in self.told.get("parameters", []):
            if one["in"] == "path":
                example = str(_only(one["examples"]))
                found = found.replace("{" + one["name"] + "}", example.replace("~", "~0").replace("/", "~1"))
            elif one["in"] == "query" and one.get("examples"):
                example = _only(one["examples"])
                query += [f"{one['name']}={value}" for value in (example if isinstance(example, list) else [example])]
        return found + ("?" + "&".join(query) if query else "")

    def request_example(self) -> Any:
        content = self.told.get("requestBody", {}).get("content", {}).get("application/json", {})
        return _only(content["examples"]) if content.get("examples") else None

    def answer_example(self) -> Any:
        content = self.told["responses"][str(self.status)].get("content", {}).get("application/json", {})
        return _only(content["examples"]) if content.get("examples") else None

    def request_schema(self) -> dict[str, Any] | None:
        content = self.told.get("requestBody", {}).get("content", {}).get("application/json")
        return resolved(content["schema"]) if content else None

    def answer_schema(self) -> dict[str, Any] | None:
        content = self.told["responses"][str(self.status)].get("content", {}).get("application/json")
        return content["schema"] if content else None

    def answer_media(self) -> set[str]:
        """The media of success: JSON, nothing, or kinds of files."""
        return set(self.told["responses"][str(self.status)].get("content", {}))

    def caller(self) -> str:
        """Someone who may: a role that the table allows, the owner first."""
        allowed = PERMISSIONS[self.operation]
        if ANYONE in allowed:
            return "stranger"
        return "owner" if SIGNED_IN in allowed or "owner" in allowed else allowed[0]


def _only(examples: dict[str, Any]) -> Any:
    (example,) = examples.values()
    return example["value"]


@cache
def document() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(SchemaGenerator().get_schema(public=True)))
    return found


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """A schema, with what it refers to in place of the reference."""
    if "allOf" in schema and len(schema["allOf"]) == 1:
        schema = schema["allOf"][0]
    if "$ref" in schema:
        found: dict[str, Any] = document()["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
        return found
    return schema


@cache
def operations() -> tuple[Described, ...]:
    return tuple(
        Described(method.upper(), told["x-route"], path, told)
        for path, methods in document()["paths"].items()
        for method, told in methods.items()
    )


def one_of(operation: Operation) -> Described:
    return next(one for one in operations() if one.operation == operation)


def named(found: Iterable[Described]) -> dict[str, Any]:
    """For parametrize: the operations with readable names."""
    chosen = list(found)
    return {"argvalues": chosen, "ids": [f"{one.method}-{one.route}" for one in chosen]}


def send(client: APIClient, one: Described, body: Any = None, **headers: str) -> Any:
    """Send the example of an operation, or another body to its address."""
    if body is None and one.operation in files():
        media, file = next(iter(files()[one.operation].items()))
        return client.generic(one.method, one.address(), file, content_type=media, headers=headers)
    content = b"" if body is None else json.dumps(body)
    return client.generic(one.method, one.address(), content, content_type="application/json", headers=headers)


# --- the whole database ------------------------------------------------------------------------------------

KEPT_APPS = (*OURS, "auth", "knox")


def everything() -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table that a request could write; sessions aside, which signing in writes."""
    return every_row(KEPT_APPS)
