"""Where in a request a fault stands that a service names by its own words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

from inventory.api.frame import refused
from inventory.errors import DomainError, Fault
from inventory.quantities import QuantityError, parse_quantity


@contextmanager
def told_at(place_of: Callable[[Fault], str] | Mapping[str, str]) -> Iterator[None]:
    """Refusals inside name the fields of the request: by a mapping of names, or by what ``place_of`` makes of a fault.

    Raises what is raised inside.
    """
    try:
        yield
    except DomainError as error:
        error.faults = [replace(one, field=_place(one, place_of), row=None) for one in error.faults]
        raise


def _place(fault: Fault, place_of: Callable[[Fault], str] | Mapping[str, str]) -> str:
    return place_of.get(fault.field, fault.field) if isinstance(place_of, Mapping) else place_of(fault)


def steps_of(measure: str, text: str, name: str, *, minimum: int = 1) -> int:
    """Base steps of a quantity that is not one item's: a charge, a residue. Raises BadInput naming the field."""
    try:
        return parse_quantity(text, measure=measure, minimum=minimum).steps
    except QuantityError as error:
        raise refused(name, text, str(error)) from None
