"""What a request names by code: in its filters, and in its lines with one query and a fault for each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from inventory.api.frame import Json, named, quantity_of
from inventory.errors import BadInput, Fault, NotFound
from inventory.models import Item

Found = TypeVar("Found")
# Filters whose names are words of Python, or of something else, where they are arguments.
ARGUMENTS = {"from": "from_day", "to": "to_day", "lot": "number"}


def chosen(asked: Json, **find: Callable[[str], Any]) -> Json:
    """The filters that were asked for, as arguments; a code by what ``find`` says that it names. Raises NotFound."""
    return {
        ARGUMENTS.get(name, name): named(find[name], value, name) if name in find else value
        for name, value in asked.items()
    }


def all_named(
    find: Callable[[Iterable[str]], Mapping[str, Found]], lines: list[Json], column: str, of: str
) -> Mapping[str, Found]:
    """What the codes in a column of the list ``of`` name. Raises NotFound naming every field with an unknown one."""
    codes = {at: line[column] for at, line in enumerate(lines) if line.get(column) is not None}
    found = find(codes.values())
    faults = [
        Fault(f"{of}[{at}].{column}", code, "a code that is known") for at, code in codes.items() if code not in found
    ]
    if faults:
        raise NotFound(f"no {column} {faults[0].value!r}", faults=faults)
    return found


def quantities_of(items: Mapping[str, Item], lines: list[Json], of: str) -> list[int]:
    """The quantities of the lines in base steps. Raises BadInput naming every field with one that is none."""
    steps, faults = [], []
    for at, line in enumerate(lines):
        try:
            steps.append(quantity_of(items[line["item"]], line["quantity"], f"{of}[{at}].quantity").steps)
        except BadInput as error:
            faults += error.faults
    if faults:
        raise BadInput(f"{faults[0].field} is not accepted; nothing was changed", faults=faults)
    return steps


def one_named(rows: Mapping[Any, Found], name: Any, faults: list[Fault], message: str) -> Found:
    """The row with this name. Raises NotFound with the faults."""
    if name not in rows:
        raise NotFound(message, faults=faults)
    return rows[name]
