"""Reserving: stock set aside for one making or one demand, all of it or nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Protocol

from inventory import clock, statements
from inventory.errors import BadInput, Fault, Shortage, WrongState
from inventory.models import Demand, Item, Lot, Portion, Reservation, Transformation
from inventory.quantities import show_quantity
from inventory.selectors import FreeStock, usable_portions
from inventory.services.ledger import (
    SetAside,
    check_quantity,
    check_steps,
    chunks,
    close_alerts,
    demand_name,
    demand_subject,
    let_go,
    name_of_making,
    portions_now,
    set_aside,
)
from inventory.transactions import lock_items, write

if TYPE_CHECKING:
    from django.contrib.auth.models import User


@dataclass(frozen=True, slots=True)
class Want:
    """So much of an item for one line; ``single_lot``: from one lot or not at all."""

    item_id: int
    quantity: int
    single_lot: bool = False
    position: int = 0


class ItemFacts(Protocol):
    """An item, or a row that says as much of one."""

    @property
    def code(self) -> str: ...
    @property
    def measure(self) -> str: ...
    @property
    def drawn(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Taken:
    """What one line got of one portion."""

    position: int
    portion: FreeStock
    quantity: int


@write
def reserve(
    *,
    wants: Sequence[Want],
    on: date,
    transformation: Transformation | None = None,
    demand: Demand | None = None,
    min_remaining_days: int | None = None,
    recorded_late: bool = False,
    anew: bool = False,
    holds_nothing: bool = False,
    known_open: bool = False,
    items: Mapping[int, ItemFacts] | None = None,
    who: User | None = None,
) -> list[Taken]:
    """Set stock aside for one holder: usable on the day, first expiry first, all wants or none.

    A day that is past counts as today, unless what it is for happened then and is ``recorded_late``: then
    stock is judged as of that day. ``min_remaining_days`` (else the customer's own, else each item's)
    must be left on the day. Drawn items are never short and nothing of them is set aside. What the holder
    has set aside already stays and is not counted; with ``anew`` it is freed first. ``items`` are those of the
    wants, where the caller has them; ``known_open``: it has locked the holder and seen that it is open;
    ``holds_nothing``: and that nothing is set aside for it, so that no alert of it stands or can come to be.

    The same number of statements however many wants, and as few as can be while the items are locked:
    1. what can be known before is read before;
    2. the items are locked, then in a statement of its own what is free of them is read, and chosen from;
    3. reservations and balances are written, one statement each.

    Raises Shortage with ``facts["shortages"]``: item, position, wanted, free of each want that is short.
    """
    _one_holder(transformation, demand)
    if items is None:
        items = Item.objects.in_bulk(sorted({want.item_id for want in wants}))
    for want in wants:
        check_steps(want.quantity, items[want.item_id].measure, of=items[want.item_id].code, field="quantity")
    wants = [want for want in wants if not items[want.item_id].drawn]
    if min_remaining_days is None and demand is not None and demand.customer is not None:
        min_remaining_days = demand.customer.min_remaining_days
    if not recorded_late:
        on = clock.not_before_today(on)
    item_ids = {want.item_id for want in wants}
    held = _held_by(transformation, demand) if anew and not holds_nothing else []
    lock_items({*item_ids, *(item_id for _, item_id in held)})
    if demand is not None and item_ids - {demand.item_id}:
        raise BadInput(f"{demand_name(demand)} wants another item", code="wrong_item")
    if held:  # read again: what is really there may have freed some of it
        let_go(list(Reservation.objects.filter(transformation=transformation, demand=demand)))
    if not known_open:
        _check_holder_open(transformation, demand, sum(want.quantity for want in wants))
    taken, short = choose(wants, usable_portions(item_ids, on, min_remaining_days))
    if short:
        raise _shortage(short, items)
    set_aside(
        [
            SetAside(
                portion_id=one.portion.pk,
                quantity=one.quantity,
                transformation_id=transformation.pk if transformation else None,
                demand_id=demand.pk if demand else None,
            )
            for one in taken
        ]
    )
    if not holds_nothing:
        mended = anew or not _holds_unreleased(transformation, demand)
        kinds = ("reservation_freed", "reservation_broken") if mended else ("reservation_freed",)
        close_alerts(kinds=kinds, subjects=[holder_name(transformation, demand)])
    return taken


def _holds_unreleased(transformation: Transformation | None, demand: Demand | None) -> bool:
    """Whether something that is not released is still set aside for the holder."""
    rows = Reservation.objects.exclude(portion__lot__status=Lot.Status.RELEASED)
    return rows.filter(transformation=transformation, demand=demand).exists()


def _held_by(transformation: Transformation | None, demand: Demand | None) -> list[tuple[int, int]]:
    """Key and item of each reservation of the holder."""
    holder, key = ("demand_id", demand.pk) if demand is not None else ("transformation_id", _key_of(transformation))
    held: Any = statements.rows(
        "SELECT r.id, l.item_id FROM inventory_reservation r JOIN inventory_portion p ON p.id = r.portion_id "
        f"JOIN inventory_lot l ON l.id = p.lot_id WHERE r.{holder} = %s",
        key,
    )
    return list(held)


def _key_of(transformation: Transformation | None) -> int:
    assert transformation is not None
    return int(transformation.pk)


def choose(
    wants: Sequence[Want], usable: Mapping[int, Sequence[FreeStock]]
) -> tuple[list[Taken], list[tuple[Want, int]]]:
    """What each want takes of the portions, which stand first expiry first; and what is short with what was free.

    Wants from one lot are served before the others of the item, so that nobody breaks the lot they need.
    """
    left = {portion.pk: portion.free for rows in usable.values() for portion in rows}
    taken: list[Taken] = []
    short: list[tuple[Want, int]] = []
    for want in sorted(wants, key=lambda want: (not want.single_lot, want.position)):
        rows = usable.get(want.item_id, ())
        if want.single_lot:
            rows, _ = _one_lot(rows, left, want.quantity)
        parts, rest = [], want.quantity
        for portion in rows:
            if not rest:
                break
            if part := min(rest, left[portion.pk]):
                parts.append(Taken(want.position, portion, part))
                rest -= part
        if rest:
            short.append((want, _free_for(want, usable.get(want.item_id, ()), left)))
            continue
        for one in parts:
            left[one.portion.pk] -= one.quantity
        taken += parts
    return sorted(taken, key=lambda one: one.position), short


def _free_for(want: Want, rows: Sequence[FreeStock], left: Mapping[int, int]) -> int:
    """What was free for a want that is short: of all lots, or the most that one lot has."""
    if want.single_lot:
        return _one_lot(rows, left, want.quantity)[1]
    return sum(left[portion.pk] for portion in rows)


def _one_lot(rows: Sequence[FreeStock], left: Mapping[int, int], quantity: int) -> tuple[Sequence[FreeStock], int]:
    """The portions of the first lot that holds the quantity, with what is free; else none, with the most a lot has."""
    lots: dict[int, list[FreeStock]] = {}
    for portion in rows:
        lots.setdefault(portion.lot_id, []).append(portion)
    most = 0
    for portions in lots.values():
        free = sum(left[portion.pk] for portion in portions)
        if free >= quantity:
            return portions, free
        most = max(most, free)
    return (), most


def _shortage(short: Iterable[tuple[Want, int]], items: Mapping[int, ItemFacts]) -> Shortage:
    rows = []
    for want, free in sorted(short, key=lambda one: one[0].position):
        item = items[want.item_id]
        rows.append(
            {
                "item": item.code,
                "position": want.position,
                "wanted": show_quantity(want.quantity, item.measure),
                "free": show_quantity(free, item.measure),
            }
        )
    told = ", ".join(f"{row['item']} ({row['wanted']} wanted, {row['free']} free)" for row in rows)
    return Shortage(f"not enough usable stock: {told}", shortages=rows)


def holder_name(transformation: Transformation | None, demand: Demand | None) -> str:
    """batch:B or demand:CUSTOMER/REFERENCE/ITEM/DAY, as alerts name their subject."""
    if transformation is not None:
        return name_of_making(transformation.code)
    assert demand is not None
    return demand_subject(demand)


def _one_holder(transformation: Transformation | None, demand: Demand | None) -> None:
    if (transformation is None) == (demand is None):
        raise BadInput("stock is set aside for one making or for one demand")


def _check_holder_open(transformation: Transformation | None, demand: Demand | None, quantity: int) -> None:
    if transformation is not None:
        if statements.rows(
            "SELECT id FROM inventory_transformation WHERE id = %s AND closed_at IS NOT NULL", transformation.pk
        ):
            raise WrongState(f"{transformation.code} has ended: nothing is set aside for it any more")
        return
    assert demand is not None
    demand.refresh_from_db(fields=["dispatched", "closed_at", "quantity"])
    held = sum(Reservation.objects.filter(demand=demand).values_list("quantity", flat=True))
    if held + quantity > demand.open_quantity:
        measure, rest = demand.item.measure, max(0, demand.open_quantity - held)
        most = show_quantity(rest, measure)
        raise WrongState(
            f"{demand_name(demand)} wants {most} more at most",
            code="more_than_wanted",
            faults=[Fault("quantity", show_quantity(quantity, measure), f"at most {most}")],
        )


@write
def free(
    *,
    transformation: Transformation | None = None,
    demand: Demand | None = None,
    who: User | None = None,
) -> int:
    """Free everything set aside for the holder and close its alerts about it; answers how many reservations."""
    _one_holder(transformation, demand)
    lock_items({item_id for _, item_id in _held_by(transformation, demand)})
    freed = let_go(list(Reservation.objects.filter(transformation=transformation, demand=demand)))
    close_alerts(kinds=("reservation_freed", "reservation_broken"), subjects=[holder_name(transformation, demand)])
    return freed


@write
def reserve_exact(*, rows: Sequence[tuple[Portion, Transformation | Demand, int]], who: User | None = None) -> None:
    """Set aside exactly these quantities of these portions, whatever the lots' status: for tables that say so.

    Raises Shortage where a portion has less free than is set aside of it, WrongState for a making that has ended
    or more than a demand still wants, BadInput for a demand of another item. Nothing is written then.
    """
    lock_items({portion.lot.item_id for portion, _, _ in rows})
    _check_holders_open(rows)
    wanted: dict[int, int] = {}
    for portion, _, quantity in rows:
        check_quantity(portion.lot.item, quantity)
        wanted[portion.pk] = wanted.get(portion.pk, 0) + quantity
    _check_free(wanted)
    set_aside(
        [
            SetAside(
                portion_id=portion.pk,
                quantity=quantity,
                transformation_id=holder.pk if isinstance(holder, Transformation) else None,
                demand_id=holder.pk if isinstance(holder, Demand) else None,
            )
            for portion, holder, quantity in rows
        ]
    )


def _check_holders_open(rows: Sequence[tuple[Portion, Transformation | Demand, int]]) -> None:
    makings = sorted({holder.pk for _, holder, _ in rows if isinstance(holder, Transformation)})
    for part in chunks(makings):
        ended = Transformation.objects.filter(pk__in=part, closed_at__isnull=False).first()
        if ended is not None:
            _check_holder_open(ended, None, 0)
    demands = {holder.pk: holder for _, holder, _ in rows if isinstance(holder, Demand)}
    for pk, demand in demands.items():
        own = [(portion, quantity) for portion, holder, quantity in rows if holder == demand and holder.pk == pk]
        if any(portion.lot.item_id != demand.item_id for portion, _ in own):
            raise BadInput(f"{demand_name(demand)} wants another item", code="wrong_item")
        _check_holder_open(None, demand, sum(quantity for _, quantity in own))


def _check_free(wanted: Mapping[int, int]) -> None:
    shortages = [
        {
            "item": portion.lot.item.code,
            "lot": portion.lot.number,
            "wanted": show_quantity(wanted[pk], portion.lot.item.measure),
            "free": show_quantity(portion.free, portion.lot.item.measure),
        }
        for pk, portion in portions_now(wanted).items()
        if portion.free < wanted[pk]
    ]
    if shortages:
        raise Shortage("less is free than is to be set aside", shortages=shortages)
