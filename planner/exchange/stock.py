"""Checking stock and promises: lots and their portions, demands, batches, reservations, purchase orders.

What the books hold already is never changed by a load but for open demands and orders of which nothing has moved:
a lot is counted, a batch is changed in its place.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

from inventory.cells import UNKNOWN, Measured
from inventory.models import Demand, Item, Lot, Portion, PurchaseOrder, PurchaseOrderLine, Transformation
from inventory.numbers import fold
from inventory.quantities import COUNT, MASS, show_quantity
from inventory.services.changes import shown as as_written
from inventory.services.lots import ORIGIN_UNKNOWN, OpeningRow
from inventory.usability import SENTENCES, unusable_reason
from planner.exchange import known
from planner.exchange.bringing import Bringing, Version
from planner.exchange.known import KnownStock, LotKey, PortionKey
from planner.exchange.masters import apply, check_role, shown
from planner.exchange.rows import Row, refuse_twins
from planner.exchange.tables import LOTS
from production.arithmetic import PERCENT, UnitShare, describe_total, resolve_rest, split_charge, unit_quantity
from production.models import Batch

MONEY_E6 = 1_000_000

# What all rows of one lot must agree in; the rest belongs to the portion.
LOT_COLUMNS = (
    "status",
    "received_on",
    "available_on",
    "expires_on",
    "retest_on",
    "supplier",
    "supplier_lot",
    "maker_lot",
    "unit_cost",
)


@dataclass(slots=True)
class Spot:
    """One portion as it will be: how much is free of it, and the rows that tell when it may be used."""

    item: Item
    free: int
    portion: Portion | None = None  # of the books
    opening: OpeningRow | None = None  # of the files

    def unusable_reason(self, day: date) -> str:
        """Why it may not be used on a day, or blank."""
        if self.portion is not None:
            return unusable_reason(self.portion.lot, self.portion, self.item, day)
        row = self.opening
        if row is None:
            return ""
        lot = Lot(
            status=row.status,
            received_on=row.received_on,
            available_on=row.available_on,
            expires_on=row.expires_on,
            retest_on=row.retest_on,
        )
        return unusable_reason(lot, Portion(opened_on=row.opened_on), self.item, day)


@dataclass(slots=True)
class Stock:
    """The portions that reservations may name."""

    known: KnownStock
    spots: dict[PortionKey, Spot] = field(default_factory=dict)
    by_lot: dict[LotKey, list[PortionKey]] = field(default_factory=lambda: defaultdict(list))

    def add(self, key: PortionKey, spot: Spot) -> None:
        if key not in self.spots:
            self.by_lot[key[:2]].append(key)
        self.spots[key] = spot


def check_stock(bringing: Bringing) -> None:
    """Settle lots, demands, batches with their reservations, and orders. Items, parties and versions are settled."""
    lot_rows = bringing.rows("lots", bringing.measured, twins=False)
    reservation_rows = bringing.rows("reservations", bringing.measured)
    codes = {row["item"] for row in (*lot_rows, *reservation_rows) if row["item"]}
    stock = Stock(known.stock_of(sorted(codes), ORIGIN_UNKNOWN))
    for key, portion in stock.known.portions.items():
        stock.add(key, Spot(portion.lot.item, portion.free, portion=portion))
    _check_lots(bringing, lot_rows, stock)
    _check_demands(bringing)
    _check_batches(bringing, reservation_rows, stock)
    _check_orders(bringing)


# --- lots --------------------------------------------------------------------------------------------------


def _check_lots(bringing: Bringing, rows: list[Row], stock: Stock) -> None:
    numbered = [row for row in rows if row["lot"]]
    blank = [row for row in rows if not row["lot"] and not row.given("lot")]
    refuse_twins(numbered, LOTS.identity, bringing.faults)
    # A row without a number is a lot of its own: only one that says nothing different is a twin.
    refuse_twins(blank, tuple(column.name for column in LOTS.columns), bringing.faults)
    firsts: dict[LotKey, Row] = {}
    for row in rows:
        item = _check_lot_row(bringing, row)
        if not row["lot"] or item is None:
            continue
        key = (item.code, row["lot"])
        first = firsts.setdefault(key, row)
        _refuse_other_facts(bringing, row, first)
        old = stock.known.lots.get(key)
        if old is not None:
            _compare_lot(bringing, row, item, old, stock)
        else:
            _take_lot(bringing, row, item, stock)
    _check_blank_lots(bringing, blank, stock)


def _check_lot_row(bringing: Bringing, row: Row) -> Item | None:
    item = bringing.item_of(row)
    check_role(bringing, row, "supplier")
    if row["lot"] and not fold(row["lot"]):
        bringing.refuse(row, "lot", "a number with a letter or a digit")
    received = row["received_on"]
    for column in ("expires_on", "opened_on"):
        if received is not None and row[column] is not None and row[column] < received:
            bringing.refuse(row, column, f"a day not before received_on, {received}")
    return item


def _refuse_other_facts(bringing: Bringing, row: Row, first: Row) -> None:
    if row is first or not (row.sound and first.sound):
        return
    for column in LOT_COLUMNS:
        if row[column] != first[column]:
            accepted = f'"{first.texts.get(column, "")}", as row {first.number} of the same lot has'
            bringing.refuse(row, column, accepted)


def _opening(bringing: Bringing, row: Row, item: Item) -> OpeningRow:
    cost = row["unit_cost"]
    return OpeningRow(
        item=item,
        quantity=row["quantity"].steps,
        status=row["status"],
        number=row["lot"] or "",
        received_on=row["received_on"],
        available_on=row["available_on"],
        expires_on=row["expires_on"],
        retest_on=row["retest_on"],
        opened_on=row["opened_on"],
        supplier=bringing.parties[row["supplier"]] if row["supplier"] else None,
        supplier_lot=row["supplier_lot"],
        maker_lot=row["maker_lot"],
        unit_cost_e6=None if cost is None else int(cost * MONEY_E6),
        place=row["place"],
        container=row["container"],
    )


def _take_lot(bringing: Bringing, row: Row, item: Item, stock: Stock) -> None:
    if not row.sound:
        # Reservations of it are no fault of their own.
        key = (item.code, row["lot"], row["place"] or "", row["container"] or "")
        stock.add(key, Spot(item, 2**62))
        return
    opening = _opening(bringing, row, item)
    key = (item.code, opening.number, opening.place, opening.container)
    stock.add(key, Spot(item, opening.quantity, opening=opening))
    bringing.tally.add("lots", row)
    bringing.writing.lots.append(opening)


def _compare_lot(bringing: Bringing, row: Row, item: Item, old: Lot, stock: Stock) -> None:
    """A lot that the books have: equal is no change, anything else says what to do instead."""
    if not row.sound:
        return
    portion = stock.known.portions.get((item.code, old.number, row["place"], row["container"]))
    if portion is None:
        if row.has_column("place") or row.has_column("container"):
            bringing.refuse(row, "place", f"a place where lot {old.number} is; move the lot instead", row["place"])
        else:
            bringing.refuse(row, "lot", f"the lot with its places: {old.number} is on the books; count it instead")
        return
    _refuse_other_lot(bringing, row, item, old, portion, portion.on_hand)
    if row.sound:
        bringing.tally.unchanged["lots"] += 1


def _refuse_other_lot(bringing: Bringing, row: Row, item: Item, old: Lot, portion: Portion, on_hand: int) -> None:
    if row["quantity"].steps != on_hand:
        accepted = f'"{shown(on_hand, item)}", which the books have; count the lot instead'
        bringing.refuse(row, "quantity", accepted)
    cost = row["unit_cost"]
    facts: dict[str, tuple[Any, Any, str]] = {
        "status": (row["status"], old.status, "decide on the lot instead"),
        "received_on": (row["received_on"], old.received_on, ""),
        "available_on": (row["available_on"], old.available_on, ""),
        "expires_on": (row["expires_on"], old.expires_on, ""),
        "retest_on": (row["retest_on"], old.retest_on, ""),
        "opened_on": (row["opened_on"], portion.opened_on, "open the container instead"),
        "supplier": (row["supplier"], old.supplier.code if old.supplier else None, ""),
        "supplier_lot": (row["supplier_lot"], old.supplier_lot, ""),
        "maker_lot": (row["maker_lot"], old.maker_lot, ""),
        "unit_cost": (None if cost is None else int(cost * MONEY_E6), old.unit_cost_e6, ""),
    }
    for column, (brought, has, instead) in facts.items():
        if brought != has and row.has_column(column):
            told = "blank" if has in (None, "") else f'"{_told(column, has)}"'
            instead = instead or "a lot on the books is not changed by a load"
            bringing.refuse(row, column, f"{told}, which the books have; {instead}")


def _told(column: str, value: Any) -> str:
    return show_money(value, MONEY_E6) if column == "unit_cost" else str(value)


def show_money(amount: int, parts: int) -> str:
    """A plain decimal without trailing zeros."""
    places = len(str(parts)) - 1
    whole, rest = divmod(amount, parts)
    return f"{whole}.{rest:0{places}d}".rstrip("0").rstrip(".") if rest else str(whole)


def _check_blank_lots(bringing: Bringing, rows: list[Row], stock: Stock) -> None:
    """Rows without a number: one that came before is known by what it said, and adds nothing."""
    before: dict[tuple[Any, ...], list[Lot]] = defaultdict(list)
    for lot in stock.known.lots.values():
        if lot.note == ORIGIN_UNKNOWN:
            before[_said_by_lot(lot, stock.known.opened.get(lot.pk, 0))].append(lot)
    portions: dict[int, list[Portion]] = defaultdict(list)
    for portion in stock.known.portions.values():
        portions[portion.lot_id].append(portion)
    for row in rows:
        item = bringing.items.get(row["item"])
        if item is None or not row.sound:
            continue
        opening = _opening(bringing, row, item)
        candidates = before.get(_said_by_row(opening), [])
        old = _best_of(candidates, portions, row)
        if old is None:
            bringing.tally.add("lots", row)
            bringing.writing.lots.append(opening)
            continue
        candidates.remove(old)
        here = portions[old.pk]
        on_hand = sum(portion.on_hand for portion in here)
        if on_hand != opening.quantity or old.status != opening.status:
            what, column = ("count", "quantity") if on_hand != opening.quantity else ("decide on", "status")
            has = f"{shown(on_hand, item)}, {old.status}"
            bringing.refuse(row, column, f'its lot is on the books as {old.number} ("{has}"); {what} the lot instead')
        else:
            bringing.tally.unchanged["lots"] += 1


def _best_of(candidates: list[Lot], portions: dict[int, list[Portion]], row: Row) -> Lot | None:
    spot = (row["place"], row["container"])
    for lot in candidates:
        if any((portion.place, portion.container) == spot for portion in portions[lot.pk]):
            return lot
    return candidates[0] if candidates else None


def _said_by_lot(lot: Lot, opened: int) -> tuple[Any, ...]:
    supplier = lot.supplier.code if lot.supplier else ""
    return (
        lot.item.code, opened, lot.received_on, lot.expires_on, supplier, lot.supplier_lot, lot.maker_lot,
        lot.unit_cost_e6,
    )  # fmt: skip


def _said_by_row(row: OpeningRow) -> tuple[Any, ...]:
    supplier = row.supplier.code if row.supplier else ""
    return (
        row.item.code, row.quantity, row.received_on, row.expires_on, supplier, row.supplier_lot, row.maker_lot,
        row.unit_cost_e6,
    )  # fmt: skip


# --- demands and orders ------------------------------------------------------------------------------------


def _check_demands(bringing: Bringing) -> None:
    rows = bringing.rows("demands", bringing.measured)
    existing = known.demands_of({row["item"] for row in rows if row["item"]})
    reserved = known.reserved_for_demands(existing.values())
    for row in rows:
        item, customer = bringing.item_of(row), check_role(bringing, row, "customer")
        if not row.sound or item is None:
            continue
        quantity = row["quantity"].steps
        old = existing.get((item.code, row["due_on"], row["customer"] or "", row["reference"]))
        if old is None:
            bringing.tally.add("demands", row)
            bringing.writing.new_demands.append(
                Demand(
                    item=item,
                    quantity=quantity,
                    due_on=row["due_on"],
                    customer=customer,
                    reference=row["reference"],
                    priority=row["priority"],
                )
            )
            continue
        if quantity != old.open_quantity:
            _refuse_moved(bringing, row, item, old.open_quantity, moved=bool(old.dispatched or old.closed_at))
            held = reserved.get(old.pk, 0)
            if quantity < held:
                bringing.refuse(row, "quantity", f'at least "{shown(held, item)}", which is set aside for it')
        fields: dict[str, Any] = {"quantity": quantity} if quantity != old.open_quantity else {}
        if row.has_column("priority"):
            fields["priority"] = row["priority"]
        _settle_promise(bringing, "demands", row, old, fields, bringing.writing.changed_demands)


def _refuse_moved(bringing: Bringing, row: Row, item: Item, still_open: int, *, moved: bool) -> None:
    if moved:
        accepted = f'"{shown(still_open, item)}", which is still open; change it in its place'
        bringing.refuse(row, "quantity", accepted)


def _settle_promise(
    bringing: Bringing, table: str, row: Row, old: Any, fields: dict[str, Any], changed: list[Any]
) -> None:
    if not row.sound:
        return
    still_open = old.open_quantity
    if was := apply(fields, old):
        told = {name: shown(still_open, old.item) if name == "quantity" else as_written(was[name]) for name in was}
        bringing.tally.update(table, row, was=told)
        changed.append(old)
    else:
        bringing.tally.unchanged[table] += 1


def _check_orders(bringing: Bringing) -> None:
    rows = bringing.rows("purchase_orders", bringing.measured)
    orders, lines = known.orders_of({row["order"] for row in rows if row["order"]})
    suppliers: dict[str, str] = {code: order.supplier.code for code, order in orders.items()}
    for row in rows:
        supplier, item = check_role(bringing, row, "supplier"), bringing.item_of(row)
        due_on, expires_on = row["due_on"], row["expires_on"]
        if due_on is not None and expires_on is not None and expires_on < due_on:
            bringing.refuse(row, "expires_on", f"a day not before due_on, {due_on}")
        if row["order"] is not None and row["supplier"] is not None:
            first = suppliers.setdefault(row["order"], row["supplier"])
            if first != row["supplier"]:
                bringing.refuse(row, "supplier", f"{first}, from whom order {row['order']} comes")
        if not row.sound or supplier is None or item is None:
            continue
        _check_order_line(bringing, row, item, orders, lines)


def _check_order_line(
    bringing: Bringing,
    row: Row,
    item: Item,
    orders: dict[str, PurchaseOrder],
    lines: dict[known.OrderKey, PurchaseOrderLine],
) -> None:
    code, quantity, due_on = row["order"], row["quantity"].steps, row["due_on"]
    old = lines.get((code, item.code, due_on))
    if old is None:
        if code not in orders:
            orders[code] = PurchaseOrder(code=code, supplier=bringing.parties[row["supplier"]])
            bringing.writing.new_orders.append(orders[code])
        bringing.tally.add("purchase_orders", row)
        bringing.writing.new_order_lines.append(
            PurchaseOrderLine(
                order=orders[code], item=item, quantity=quantity, due_on=due_on, expires_on=row["expires_on"]
            )
        )
        return
    fields: dict[str, Any] = {}
    if quantity != old.open_quantity:
        _refuse_moved(bringing, row, item, old.open_quantity, moved=bool(old.received or old.closed_at))
        fields["quantity"] = quantity
    if row.has_column("expires_on"):
        fields["expires_on"] = row["expires_on"]
    _settle_promise(bringing, "purchase_orders", row, old, fields, bringing.writing.changed_order_lines)


# --- batches and what is set aside for them ----------------------------------------------------------------


@dataclass(slots=True)
class Planned:
    """A batch of the files, and what is set aside for it by item."""

    row: Row
    version: Version | None
    old: Batch | None
    reserved: dict[str, int] = field(default_factory=lambda: defaultdict(int))


def _check_batches(bringing: Bringing, reservation_rows: list[Row], stock: Stock) -> None:
    rows = bringing.rows("batches", lambda row, column: _size_of(bringing, row))
    codes = {row["batch"] for row in (*rows, *reservation_rows) if row["batch"]}
    existing = known.batches_of(sorted(codes))
    taken = known.other_transformations(sorted(codes)) - set(existing)
    planned: dict[str, Planned] = {}
    for row in rows:
        version = _version_of(bringing, row)
        code = row["batch"]
        if code is None:
            continue
        planned.setdefault(code, Planned(row, version, existing.get(code)))
        if code in taken:
            bringing.refuse(row, "batch", "a number that is not taken")
        if not row.sound or version is None:
            continue
        if code in existing:
            _compare_batch(bringing, row, existing[code])
        else:
            _take_batch(bringing, row, version)
    _check_reservations(bringing, reservation_rows, planned, existing, stock)
    for batch in planned.values():
        if batch.row.sound and batch.old is None and batch.version is not None:
            _check_reserved(bringing, batch)


def _version_of(bringing: Bringing, row: Row) -> Version | None:
    code, number = row["formula"], row["version"]
    if code is None or number is None:
        return None
    version = bringing.versions.get((code, number))
    if version is None:
        known_code = any(key[0] == code for key in bringing.versions)
        accepted = "a version that stands in formulas or is known already"
        bringing.refuse(
            row, "version" if known_code else "formula", accepted, f"{code} version {number}" if known_code else None
        )
    return version


def _size_of(bringing: Bringing, row: Row) -> Measured:
    version = bringing.versions.get((row["formula"] or "", row["version"] or 0))
    if version is None or not version.content.basis:
        return UNKNOWN
    return Measured(MASS if version.content.basis == PERCENT else COUNT)


def _take_batch(bringing: Bringing, row: Row, version: Version) -> None:
    item = bringing.items.get(version.item)
    if item is None:
        return
    trial = version.status == "draft"
    if trial:
        code, number = version.key
        bringing.report.append(f"batch {row['batch']}: a trial, since version {number} of {code} is a draft")
    transformation = Transformation(code=row["batch"], item=item, planned_for=row["planned_for"])
    batch = Batch(charge=row["size"].steps, status=row["status"], priority=row["priority"], trial=trial)
    bringing.tally.add("batches", row)
    bringing.writing.batches.append((transformation, batch, version.key))


def _compare_batch(bringing: Bringing, row: Row, old: Batch) -> None:
    measure = MASS if old.version.basis == PERCENT else COUNT
    facts: dict[str, tuple[Any, Any, str]] = {
        "formula": (row["formula"], old.version.formula.code, old.version.formula.code),
        "version": (row["version"], old.version.version, str(old.version.version)),
        "size": (row["size"].steps, old.charge, show_quantity(old.charge, measure)),
        "planned_for": (row["planned_for"], old.transformation.planned_for, str(old.transformation.planned_for)),
        "status": (row["status"], old.status, old.status),
        "priority": (row["priority"], old.priority, "blank" if old.priority is None else str(old.priority)),
    }
    for column, (brought, has, told) in facts.items():
        if brought != has and (row.has_column(column) or column not in ("status", "priority")):
            accepted = f'"{told}", which batch {row["batch"]} has on the books; change it in its place'
            bringing.refuse(row, column, accepted, None if row.given(column) else str(brought))
    if row.sound:
        bringing.tally.unchanged["batches"] += 1


def _check_reservations(
    bringing: Bringing, rows: list[Row], planned: dict[str, Planned], existing: dict[str, Batch], stock: Stock
) -> None:
    before = known.reservations_of(sorted(existing))
    for row in rows:
        item = bringing.item_of(row)
        code = row["batch"]
        if code is not None and code not in planned and code not in existing:
            bringing.refuse(row, "batch", "a batch that stands in batches or is known already")
        if not row.sound or item is None:
            continue
        key = _spot_of(bringing, row, stock)
        if key is None:
            continue
        quantity = row["quantity"].steps
        if code in existing:
            if before[code].get(key) == quantity:
                bringing.tally.unchanged["reservations"] += 1
            else:
                accepted = f"what is set aside for batch {code} on the books; reserve it in its place"
                bringing.refuse(row, "quantity", accepted)
            continue
        _set_aside(bringing, row, planned[code], key, stock.spots[key], quantity)


def _spot_of(bringing: Bringing, row: Row, stock: Stock) -> PortionKey | None:
    """The portion that a reservation names; a lot that is in one place only needs no place."""
    lot = (row["item"], row["lot"])
    spots = stock.by_lot.get(lot, [])
    key = (*lot, row["place"], row["container"])
    if key in stock.spots:
        return key
    if len(spots) == 1 and not row.given("place") and not row.given("container"):
        return spots[0]
    if not spots:
        bringing.refuse(row, "lot", f"a lot of {row['item']} that stands in lots or is known already")
    else:
        places = ", ".join(f'"{place}" "{container}"' for _, _, place, container in spots[:5])
        bringing.refuse(row, "place", f"a place and container where the lot is: {places}")
    return None


def _set_aside(bringing: Bringing, row: Row, batch: Planned, key: PortionKey, spot: Spot, quantity: int) -> None:
    if quantity > spot.free:
        accepted = f'at most "{shown(max(0, spot.free), spot.item)}", which is free of this lot here'
        bringing.refuse(row, "quantity", accepted)
        return
    version = batch.version
    if version is not None and spot.item.code not in _items_that_go_in(version):
        bringing.refuse(row, "item", f"an item of formula {version.key[0]} version {version.key[1]}")
        return
    spot.free -= quantity
    batch.reserved[spot.item.code] += quantity
    day: date | None = batch.row["planned_for"]
    reason = spot.unusable_reason(day) if day else ""
    if reason:
        bringing.report.append(
            f"batch {row['batch']}: set aside of lot {key[1]} of {key[0]}, which {SENTENCES[reason]} on {day}"
        )
    bringing.tally.add("reservations", row)
    bringing.writing.reservations.append((row["batch"], key, quantity))


def _stood_in(batch: Planned, needs: Mapping[str, int]) -> dict[str, int]:
    """By item of the lines, what reserved substitutes stand in for, by their ratio rounded down."""
    assert batch.version is not None
    content = batch.version.content
    own = {line.position: line.item for line in content.lines}
    found: dict[str, int] = defaultdict(int)
    spent: set[str] = set()
    for one in sorted(content.substitutes, key=lambda one: one.position):
        if one.item in batch.reserved and one.item not in needs and one.item not in spent:
            spent.add(one.item)
            found[own[one.position]] += int(Fraction(batch.reserved[one.item]) / Fraction(one.ratio))
    return found


def _items_that_go_in(version: Version) -> set[str]:
    return {line.item for line in version.content.lines} | {one.item for one in version.content.substitutes}


def _check_reserved(bringing: Bringing, batch: Planned) -> None:
    """No batch has more set aside than its lines need. A reserved one may have less: stock was counted away since.

    Such a batch is still served first in the plan, and starting it sets the rest aside: the report says what is open.
    """
    assert batch.version is not None
    needs = needs_of(bringing, batch.version, batch.row["size"].steps)
    if needs is None:
        return
    stood_in = _stood_in(batch, needs)
    for code, need in needs.items():
        item, held = bringing.items[code], batch.reserved.get(code, 0) + stood_in.get(code, 0)
        if held > need:
            accepted = f'reservations of at most "{shown(need, item)}" of {code}, which its lines need'
            bringing.refuse(batch.row, "batch", accepted, f"{batch.row['batch']}: {shown(held, item)}")
        elif held < need and batch.row["status"] == Batch.Status.RESERVED:
            bringing.report.append(
                f"batch {batch.row['batch']}: reserved, but {shown(need - held, item)} of {code} "
                "is not set aside for it"
            )


def needs_of(bringing: Bringing, version: Version, charge: int) -> dict[str, int] | None:
    """What a batch of this charge takes, by item, drawn ones aside; None where its formula is at fault."""
    content = version.content
    lines = [(line, bringing.items.get(line.item)) for line in sorted(content.lines, key=lambda line: line.position)]
    if any(item is None for _, item in lines):
        return None
    if content.basis == PERCENT:
        percents = [line.percent for line, _ in lines]
        if not lines or describe_total(percents):
            return None
        quantities = split_charge(charge, resolve_rest(percents))
    else:
        quantities = []
        for line, item in lines:
            density = item.density_g_per_ml if item is not None else None
            if line.per_unit is None or (line.is_volume and density is None):
                return None
            share = UnitShare(line.per_unit, line.is_volume, None if density is None else Fraction(density))
            quantities.append(unit_quantity(charge, share))
    needs: dict[str, int] = defaultdict(int)
    for (line, item), quantity in zip(lines, quantities, strict=True):
        if item is not None and not item.drawn:
            needs[line.item] += quantity
    return needs
