"""Wrong values for every field of every writing request, by the kind of value that the schema says it takes.

A kind that has no case here fails the test that walks the schema: add it to ``wrong_for``, or give the field cases of
its own in the area's WRONG.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from tests.planner.api.house import Described, never_wrong, resolved, wrong_values

ALWAYS: list[Any] = [["a list"], {"an": "object"}]
NUL = "a\0b"
LONG = "x" * 6_000
BY_FORMAT: dict[str, list[Any]] = {
    "code": [7, "", " ", NUL, "x" * 65, " A", "A\nB"],
    "quantity": [400, "", "400", "-400 g", "-4 pc", "1 stone", "0.0001 g", "1e3 g", "9999999999 kg", NUL],
    "percentage": [5, "", "101", "-1", "0.00001", "NaN", NUL],
    "decimal": [1.5, "", "1,5", "1e3", "NaN", "Infinity", "9" * 30, NUL],
    "date": [20270301, "", "2026-13-40", "2026-02-30", "01.03.2027", "0001-01-01", "2027-03-01T00:00:00", NUL],
    "day-or-month": [20270301, "", "2026-13", "2026-02-30", "soon", NUL],
    "date-time": [0, "", "2027-03-01", "2027-03-01T09:00:00", "2027-13-01T09:00:00Z", "0001-01-01T00:00:00Z", NUL],
    "e-mail": [7, "nobody", "a b@example.org", NUL],
    "cas": [7, "56-81", NUL],
    "gtin": [7, "12345", "4006381333932", NUL],
    "uuid": [7, "", "5f0c1f5e", NUL],
    "password": [7, "", NUL, LONG],
    "amount": [7, "", NUL, "x" * 41],
}


@dataclass(frozen=True)
class Field:
    """One field of a request, by its path: ``lines[0].quantity``."""

    path: str
    schema: dict[str, Any]
    required: bool


def fields_of(one: Described) -> list[Field]:
    """Every field of an operation's request, nested ones by the first of their list."""
    schema = one.request_schema()
    return [] if schema is None else list(_fields(schema, ""))


def _fields(schema: dict[str, Any], path: str) -> Iterator[Field]:
    for name, inner in schema.get("properties", {}).items():
        found = resolved(inner)
        here = f"{path}.{name}" if path else name
        yield Field(here, found | {"nullable": inner.get("nullable", False)}, name in schema.get("required", []))
        if found.get("type") == "array":
            items = resolved(found["items"])
            if items.get("type") == "object":
                yield from _fields(items, f"{here}[0]")
            else:
                yield Field(f"{here}[0]", items, True)
        elif found.get("type") == "object":
            yield from _fields(found, here)


def cases_of(one: Described, field: Field) -> list[Any]:
    """Values that this field must refuse; empty where nobody knows any."""
    name = re.sub(r"\[0\]", "", field.path)
    if (one.method, one.route, name) in never_wrong():
        return []
    return wrong_for(field.schema) + wrong_values().get((one.method, one.route, name), [])


def wrong_for(schema: dict[str, Any]) -> list[Any]:
    """Wrong values by what the schema says a field takes; empty for a kind that is not known here."""
    kind = schema.get("type", "string" if "enum" in schema else "")
    found: list[Any] = []
    if "enum" in schema:
        found = ["no such word", 7, NUL] + ([] if "" in schema["enum"] else [""])
    elif kind == "array":
        found = ["a text", 7, {"an": "object"}]
        return found if schema.get("nullable") else [*found, None]
    elif kind == "object":
        found = ["a text", 7]
        return found if schema.get("nullable") else [*found, None]
    elif kind == "boolean":
        found = ["maybe", "yes", 1]
    elif kind == "integer":
        low, high = schema["minimum"], schema["maximum"]
        found = [low - 1, high + 1, "2", 2.5, True, 10**30]
    elif kind == "string" and "format" in schema:
        found = list(BY_FORMAT.get(schema["format"], []))
    elif kind == "string":
        found = [7, NUL, "x" * (schema["maxLength"] + 1)] + (["", "   "] if schema.get("minLength") else [])
    if not found:
        return []
    if schema.get("x-refers-to"):
        found.append("NO-SUCH-CODE")
    return [*found, *ALWAYS] if schema.get("nullable") else [*found, *ALWAYS, None]


def with_value(example: Any, path: str, value: Any) -> Any:
    """The example of a request with another value at the path; the objects on the way are made where it has none."""
    whole = copy.deepcopy(example)
    at = whole
    steps: list[Any] = [int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", path)]
    for step, following in pairwise(steps):
        if isinstance(at, dict) and not at.get(step):
            at[step] = [{}] if isinstance(following, int) else {}
        at = at[step]
    at[steps[-1]] = value
    return whole


def without(example: Any, path: str) -> Any:
    """The example without the field at the path."""
    whole = with_value(example, path, None)
    at = whole
    steps: list[Any] = [int(step) if step.isdigit() else step for step in re.findall(r"[^.\[\]]+", path)]
    for step in steps[:-1]:
        at = at[step]
    del at[steps[-1]]
    return whole
