"""Writing down who changed what in master data. Called by the services that change it, in their transaction."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory import acting
from inventory.models import ChangeRecord, Item, Offer, Party
from inventory.models.items import NAME_LENGTH
from inventory.quantities import show_percent, show_quantity

Act = ChangeRecord.Act
Kind = ChangeRecord.Kind
Facts = Mapping[str, str]  # what a record says, as people write it, by the name of its column


@dataclass(frozen=True, slots=True)
class Change:
    """What one record said and says now; no ``before`` for one that was made, no ``after`` for one withdrawn."""

    kind: str
    code: str
    before: Facts | None
    after: Facts | None
    detail: str = ""


def write_down(changes: Iterable[Change], who: Any = None) -> None:
    """One row for each field that differs; for a record that was made or withdrawn, one row. In bulk."""
    person = who if who is not None else acting.person()
    rows = [row for change in changes for row in _rows(change)]
    for row in rows:
        row.who = person
    ChangeRecord.objects.bulk_create(rows, batch_size=2_000)


def _rows(change: Change) -> list[ChangeRecord]:
    def row(act: str, field: str = "", before: str = "", after: str = "") -> ChangeRecord:
        told = {"kind": change.kind, "code": change.code[:NAME_LENGTH], "detail": change.detail[:NAME_LENGTH]}
        return ChangeRecord(**told, act=act, field=field, before=before, after=after)

    if change.before is None:
        return [row(Act.MADE, after=_whole(change.after or {}))]
    if change.after is None:
        return [row(Act.WITHDRAWN, before=_whole(change.before))]
    names = [name for name in change.after if change.before.get(name, "") != change.after[name]]
    return [row(Act.CHANGED, name, change.before.get(name, ""), change.after[name]) for name in names]


def _whole(facts: Facts) -> str:
    """The facts that say something, as one JSON object."""
    return json.dumps({name: text for name, text in facts.items() if text}, ensure_ascii=False)


def shown(value: Any) -> str:
    """A plain value as people write it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    return str(value)


def facts_of_item(item: Item) -> dict[str, str]:
    """What an item says, by the columns of its table."""
    facts = {
        field.name: shown(getattr(item, field.attname))
        for field in Item._meta.concrete_fields
        if field.name not in ("id", "code")
    }
    facts["safety_stock"] = show_quantity(item.safety_stock, item.measure)
    for name in ("min_percent", "max_percent"):
        percent = getattr(item, name)
        facts[name] = "" if percent is None else show_percent(percent)
    return facts


def facts_of_party(party: Party) -> dict[str, str]:
    names = [field.name for field in Party._meta.concrete_fields if field.name not in ("id", "code")]
    return {name: shown(getattr(party, name)) for name in names}


def facts_of_offer(offer: Offer) -> dict[str, str]:
    price = "" if offer.price_e4 is None else shown(Decimal(offer.price_e4).scaleb(-4))
    names = ("lead_time_days", "min_packs", "supplier_code")
    return {"price": price} | {name: shown(getattr(offer, name)) for name in names}


def pack_told(offer: Offer) -> str:
    """What names an offer beside its supplier: ``OIL 5000 g``."""
    return f"{offer.item.code} {show_quantity(offer.pack, offer.item.measure)}"
