"""Writing one item: what may stand together in it, and what may no longer change.

``load`` shares these checks where it writes many items at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from inventory.errors import BadInput, Conflict, Fault
from inventory.models import Item, Lot
from inventory.quantities import QuantityError, parse_quantity, show_percent
from inventory.services.changes import Change, Kind, facts_of_item, write_down
from inventory.transactions import lock_items, write

_CHUNK = 5_000  # databases bound a statement's parameters


def what_does_not_fit(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Field and what would be accepted, for each fact of an item that does not fit its others. Pure."""
    found = []
    if facts.get("shelf_life_days") is not None and facts.get("shelf_life_hours") is not None:
        found.append(("shelf_life_hours", "a life in days or in hours, not both"))
    low, high = facts.get("min_percent"), facts.get("max_percent")
    if low is not None and high is not None and low > high:
        found.append(("min_percent", f"at most max_percent, {show_percent(high)}"))
    return found


def caps_life_by_kind(kind: str) -> bool:
    """Whether an item caps the life of what is made from it where nobody said so."""
    return kind == Item.Kind.RAW


def items_in_use(item_ids: Iterable[int]) -> set[int]:
    """Ids of items that something is written in quantities of: their measure may not change any more.

    Whatever names an item counts, in whichever app, so that this room need not know the others.
    """
    ids = list(item_ids)
    used: set[int] = set()
    for relation in Item._meta.related_objects:
        name = relation.field.name
        rows = relation.related_model._default_manager.values_list(f"{name}_id", flat=True)
        for at in range(0, len(ids), _CHUNK):
            used.update(rows.filter(**{f"{name}__in": ids[at : at + _CHUNK]}))
    return used


def items_in_stock(item_ids: Iterable[int]) -> set[int]:
    """Ids of items that have, or had, a lot: their kind may not change any more."""
    ids = list(item_ids)
    found: set[int] = set()
    for at in range(0, len(ids), _CHUNK):
        found.update(Lot.objects.filter(item__in=ids[at : at + _CHUNK]).values_list("item_id", flat=True))
    return found


@write
def make_item(*, code: str, facts: Mapping[str, Any]) -> Item:
    """A new item; ``facts`` are model fields, with ``safety_stock`` as written text.

    Raises Conflict where the code is taken, BadInput where facts do not fit each other.
    """
    if Item.objects.filter(code=code).exists():
        raise Conflict(f"there is an item {code} already", code="taken", faults=[_fault("item", code, "a new code")])
    item = Item(code=code)
    _set(item, facts)
    if facts.get("caps_life") is None:
        item.caps_life = caps_life_by_kind(item.kind)
    item.save(force_insert=True)
    write_down([Change(Kind.ITEM, code, None, facts_of_item(item))])
    return item


@write
def change_item(*, code: str, changes: Mapping[str, Any]) -> Item:
    """Change facts of an item. Raises NotFound; BadInput where facts do not fit each other; Conflict where stock
    or other records stand in the measure or kind that it has."""
    from inventory.selectors import find_item

    lock_items([find_item(code).pk])
    item = find_item(code)
    before = facts_of_item(item)
    _keep_what_is_on_the_books(item, changes)
    _set(item, changes)
    if "caps_life" in changes and changes["caps_life"] is None:
        item.caps_life = caps_life_by_kind(item.kind)
    item.save()
    write_down([Change(Kind.ITEM, code, before, facts_of_item(item))])
    return item


def _keep_what_is_on_the_books(item: Item, changes: Mapping[str, Any]) -> None:
    """Raise Conflict where the measure or kind would change under what stands in it."""
    measure, kind = changes.get("measure", item.measure), changes.get("kind", item.kind)
    if measure != item.measure and items_in_use([item.pk]):
        accepted = f"{item.measure}: quantities of {item.code} are on the books"
        raise Conflict(f"the measure of {item.code} cannot change", faults=[_fault("measure", measure, accepted)])
    if kind != item.kind and items_in_stock([item.pk]):
        accepted = f"{item.kind}: {item.code} has lots on the books"
        raise Conflict(f"the kind of {item.code} cannot change", faults=[_fault("kind", kind, accepted)])


def _set(item: Item, facts: Mapping[str, Any]) -> None:
    """Set the facts; the written safety stock last, by the measure and density that the item then has."""
    for name, value in facts.items():
        if name == "notice_days" and value is not None:
            value = sorted(set(value), reverse=True)
        if name not in ("safety_stock", "caps_life") or (name == "caps_life" and value is not None):
            setattr(item, name, value)
    if "safety_stock" in facts:
        item.safety_stock = _steps(facts["safety_stock"], item.measure, item.density_g_per_ml)
    values = {name: getattr(item, name) for name in _FACTS_THAT_FIT}
    wrong = what_does_not_fit(values)
    if wrong:
        faults = [_fault(name, facts.get(name, values[name]), accepted) for name, accepted in wrong]
        raise BadInput("facts of the item do not fit each other; nothing was changed", faults=faults)


_FACTS_THAT_FIT = ("shelf_life_days", "shelf_life_hours", "min_percent", "max_percent")


def _steps(text: str, measure: str, density_g_per_ml: Decimal | None) -> int:
    try:
        return parse_quantity(text, measure=measure, density_g_per_ml=density_g_per_ml, minimum=0).steps
    except QuantityError as error:
        raise BadInput(
            "safety_stock is not accepted; nothing was changed", faults=[Fault("safety_stock", text, str(error))]
        ) from None


def _fault(name: str, value: Any, accepted: str) -> Fault:
    if name in ("min_percent", "max_percent") and isinstance(value, int):
        value = show_percent(value)
    return Fault(name, str(value), accepted)
