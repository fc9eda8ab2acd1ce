"""How long what is made keeps: its last day from its own life, its bulk's making day and its inputs' expiries.

Reads what was weighed; writes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from inventory.models import Item, Lot, Movement, StockEvent
from inventory.usability import life_days_of, lot_last_day_of
from production.models import FormulaVersion


def last_day_of_making(item: Item, basis: str, made_on: date, lots: Sequence[Lot]) -> date | None:
    """The last day of what was made of these lots (with their items); None: no life known, so no date.

    1. The making day plus the item's life. A packed unit counts from the making day of its bulk, the earliest
       where there are several.
    2. Where neither a study nor an assessor stands behind that life, it ends with the first expiry among the
       inputs whose item caps it, through what was made here of them too.
    """
    life_days = life_days_of(item)
    if life_days is None:
        return None
    last_day = _counts_from(basis, made_on, lots) + timedelta(days=life_days)
    if item.shelf_life_basis:
        return last_day
    return min([last_day, *_capping_days(lots)])


def _counts_from(basis: str, made_on: date, lots: Iterable[Lot]) -> date:
    if basis != FormulaVersion.Basis.PER_UNIT:
        return made_on
    bulk_days = [lot.received_on for lot in lots if is_bulk(lot.item) and lot.received_on is not None]
    return min([made_on, *bulk_days])


def is_bulk(item: Item) -> bool:
    return item.kind == Item.Kind.INTERMEDIATE and item.measure == Item.Measure.MASS


def _capping_days(lots: Sequence[Lot]) -> list[date]:
    """The expiries that cap: of lots whose item says so, and through made lots without a life of their own basis.

    Level by level, one query each; a lot is looked at once.
    """
    days: list[date] = []
    seen: set[int] = set()
    level = list(lots)
    while level:
        seen.update(lot.pk for lot in level)
        for lot in level:
            last_day = lot_last_day_of(lot, lot.item)
            if lot.item.caps_life and last_day is not None:
                days.append(last_day)
        makings = {
            lot.transformation_id
            for lot in level
            if lot.transformation_id and not lot.item.caps_life and not lot.item.shelf_life_basis
        }
        level = [lot for lot in lots_used_by(makings) if lot.pk not in seen]
    return days


def lots_used_by(transformation_ids: Iterable[int]) -> list[Lot]:
    """The lots that went into these makings and were not taken back by a correction, with their items."""
    ids = list(transformation_ids)
    if not ids:
        return []
    used = Movement.objects.filter(
        event__transformation__in=ids, event__kind=StockEvent.Kind.USED, event__corrected_by=None
    )
    return list(Lot.objects.filter(pk__in=used.values("lot_id")).select_related("item").order_by("pk"))
