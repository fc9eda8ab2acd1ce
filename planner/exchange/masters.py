"""Checking what describes the workshop: settings, items, parties, offers. Equal rows change nothing, others update."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import Any

from inventory.cells import UNKNOWN, Measured
from inventory.models import Item, Offer, Party, Setting
from inventory.quantities import show_quantity
from inventory.services.changes import facts_of_item, facts_of_offer, facts_of_party
from inventory.services.items import caps_life_by_kind, items_in_stock, items_in_use, what_does_not_fit
from inventory.workshop import KEYS, SettingRefused, check_setting
from planner.exchange import known
from planner.exchange.bringing import Bringing
from planner.exchange.rows import Row
from planner.exchange.tables import ITEMS, OFFERS, PARTIES, Column, Table

# Table columns whose model field has another name.
ITEM_FIELDS = {"item": "code"}
PARTY_FIELDS = {"party": "code"}
OFFER_FIELDS = {"price": "price_e4"}


def check_masters(bringing: Bringing) -> None:
    """Settle settings, items, parties and offers; afterwards ``bringing`` knows every item and party."""
    _check_settings(bringing)
    _check_items(bringing)
    _check_parties(bringing)
    _check_offers(bringing)


def _check_settings(bringing: Bringing) -> None:
    existing = known.settings_by_key()
    for row in bringing.rows("settings"):
        if not row.sound:
            continue
        key, value = row["key"], row["value"]
        try:
            check_setting(key, value)
        except SettingRefused as refusal:
            bringing.refuse(row, "value" if key in KEYS else "key", str(refusal))
            continue
        setting = existing.get(key)
        if setting is not None and setting.value == value:
            bringing.tally.unchanged["settings"] += 1
            continue
        if setting is None:
            bringing.tally.add("settings", row)
        else:
            bringing.tally.update("settings", row, was={"value": setting.value})
        bringing.writing.settings.append(Setting(key=key, value=value))


def fields_of(row: Row, table: Table, names: dict[str, str], *, is_new: bool) -> dict[str, Any]:
    """Model fields of a row. A column that the file does not have keeps what is known; a blank cell is the default."""
    fields = {}
    for column in table.columns:
        if column.refers_to or not (is_new or row.has_column(column.name)):
            continue
        value = row[column.name]
        fields[names.get(column.name, column.name)] = getattr(value, "steps", value)
    return fields


def apply(fields: dict[str, Any], existing: Any) -> dict[str, Any]:
    """Set the fields that differ; answers what they were, by name."""
    changed = {name: getattr(existing, name) for name, value in fields.items() if getattr(existing, name) != value}
    for name in changed:
        setattr(existing, name, fields[name])
    return changed


def _said_before(facts: Callable[[Any], dict[str, str]], now: Any, was: dict[str, Any]) -> dict[str, str]:
    """What a changed record said by column, of the columns that differ."""
    before = copy(now)
    for name, value in was.items():
        setattr(before, name, value)
    then, told = facts(before), facts(now)
    return {name: then[name] for name in told if told[name] != then[name]}


# --- items -------------------------------------------------------------------------------------------------


def _check_items(bringing: Bringing) -> None:
    existing: dict[str, Item] = known.by_code(Item)
    bringing.items = dict(existing)

    def measured_of(row: Row, column: Column) -> Measured:
        measure, density = row["measure"], row["density_g_per_ml"]
        if measure is None or row["item"] is None:
            return UNKNOWN
        old = existing.get(row["item"])
        if old is not None and not row.has_column("measure"):
            measure = old.measure
        if old is not None and not row.has_column("density_g_per_ml"):
            density = old.density_g_per_ml
        return Measured(measure, density)

    rows = bringing.rows("items", measured_of)
    changes: list[tuple[Row, Item]] = []
    for row in rows:
        _check_item(bringing, row)
        code = row["item"]
        if code is None:
            continue
        old = existing.get(code)
        if row["measure"] is None:
            bringing.unmeasured.add(code)
        fields = fields_of(row, ITEMS, ITEM_FIELDS, is_new=old is None)
        _settle_caps_life(row, fields, old)
        if old is None:
            item = Item(**{name: value for name, value in fields.items() if value is not None or row.sound})
            bringing.items[code] = item
            if row.sound:
                bringing.tally.add("items", row)
                bringing.writing.new_items.append(item)
        elif row.sound:
            changes.append((row, _changed_item(bringing, row, old, fields)))
    _refuse_new_measures(bringing, changes, existing)


def _check_item(bringing: Bringing, row: Row) -> None:
    for column, accepted in what_does_not_fit(row.values):
        bringing.refuse(row, column, accepted)


def _settle_caps_life(row: Row, fields: dict[str, Any], old: Item | None) -> None:
    if "caps_life" in fields and fields["caps_life"] is None:
        fields["caps_life"] = caps_life_by_kind(fields.get("kind", old.kind if old else ""))


def _changed_item(bringing: Bringing, row: Row, old: Item, fields: dict[str, Any]) -> Item:
    """A copy of the known item with the row's values: the known one stays for comparison."""
    item = Item(**{field.attname: getattr(old, field.attname) for field in Item._meta.concrete_fields})
    item._state.adding = False
    changed = apply(fields, item)
    bringing.items[old.code] = item
    if not changed:
        bringing.tally.unchanged["items"] += 1
        return item
    if item.shelf_life_days is not None and item.shelf_life_hours is not None:
        bringing.refuse(row, "shelf_life_days", "a life in days or in hours, not both: bring both columns")
    if item.min_percent is not None and item.max_percent is not None and item.min_percent > item.max_percent:
        bringing.refuse(row, "min_percent", "at most max_percent: bring both columns")
    bringing.tally.update("items", row, was=_said_before(facts_of_item, item, changed))
    bringing.writing.changed_items.append(item)
    bringing.writing.changed_fields["items"].update(changed)
    return item


def _refuse_new_measures(bringing: Bringing, changes: list[tuple[Row, Item]], existing: dict[str, Item]) -> None:
    measures = [(row, item) for row, item in changes if item.measure != existing[item.code].measure]
    if measures:
        used = items_in_use([item.pk for _, item in measures])
        for row, item in measures:
            if item.pk in used:
                accepted = f"{existing[item.code].measure}: quantities of {item.code} are on the books"
                bringing.refuse(row, "measure", accepted, item.measure)
    kinds = [(row, item) for row, item in changes if item.kind != existing[item.code].kind]
    if kinds:
        stocked = items_in_stock([item.pk for _, item in kinds])
        for row, item in kinds:
            if item.pk in stocked:
                bringing.refuse(row, "kind", f"{existing[item.code].kind}: {item.code} has lots on the books")


# --- parties and offers ------------------------------------------------------------------------------------


def _check_parties(bringing: Bringing) -> None:
    bringing.parties = known.by_code(Party)
    for row in bringing.rows("parties"):
        code = row["party"]
        if code is None:
            continue
        old = bringing.parties.get(code)
        fields = fields_of(row, PARTIES, PARTY_FIELDS, is_new=old is None)
        if old is None:
            party = Party(**{name: value for name, value in fields.items() if value is not None})
            bringing.parties[code] = party
            if row.sound:
                bringing.tally.add("parties", row)
                bringing.writing.new_parties.append(party)
        elif row.sound:
            changed = apply(fields, old)
            if changed:
                bringing.tally.update("parties", row, was=_said_before(facts_of_party, old, changed))
                bringing.writing.changed_parties.append(old)
                bringing.writing.changed_fields["parties"].update(changed)
            else:
                bringing.tally.unchanged["parties"] += 1


def check_role(bringing: Bringing, row: Row, column: str) -> Party | None:
    """The party of a column ``supplier`` or ``customer``, whose role must allow it. A blank role has its own fault."""
    party = bringing.party_of(row, column)
    if party is not None and party.role and not (party.supplies if column == "supplier" else party.buys):
        bringing.refuse(row, column, f"a party whose role is {column} or both")
        return None
    return party


def _check_offers(bringing: Bringing) -> None:
    rows = bringing.rows("offers", bringing.measured)
    existing = known.offers_of({row["supplier"] for row in rows if row["supplier"]})
    for row in rows:
        supplier, item = check_role(bringing, row, "supplier"), bringing.item_of(row)
        if not row.sound or supplier is None or item is None:
            continue
        pack = row["pack"]
        old = existing.get((supplier.code, item.code, pack.steps))
        fields = fields_of(row, OFFERS, OFFER_FIELDS, is_new=old is None)
        fields["pack"], fields["pack_written"] = pack.steps, pack.written
        if fields.get("price_e4") is not None:
            fields["price_e4"] = int(fields["price_e4"] * 10_000)
        if old is None:
            bringing.tally.add("offers", row)
            bringing.writing.new_offers.append(Offer(supplier=supplier, item=item, **fields))
            continue
        changed = apply(fields, old)
        if changed:
            bringing.tally.update("offers", row, was=_said_before(facts_of_offer, old, changed))
            bringing.writing.changed_offers.append(old)
            bringing.writing.changed_fields["offers"].update(changed)
        else:
            bringing.tally.unchanged["offers"] += 1


def shown(steps: int, item: Item) -> str:
    return show_quantity(steps, item.measure)
