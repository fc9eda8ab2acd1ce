"""Lots and their portions: how lots come onto the books, who decides on them, and where their portions stand."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from inventory import clock, objections
from inventory.errors import BadInput, Conflict, Fault, WrongState
from inventory.models import (
    Item,
    Lot,
    LotDecision,
    Party,
    Portion,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.models.items import CODE_LENGTH, NAME_LENGTH
from inventory.numbers import fold, propose_lot_numbers
from inventory.services.ledger import (
    Change,
    Posting,
    SetAside,
    check_quantity,
    check_spot,
    check_why,
    chunks,
    close_alerts,
    fresh_portion,
    holder_of,
    let_go,
    moment_and_day,
    moment_of,
    open_alert,
    portion_of,
    post,
    post_all,
    set_aside,
)
from inventory.transactions import lock_items, lock_telling, write
from inventory.usability import lot_last_day_of

if TYPE_CHECKING:
    from django.contrib.auth.models import User

OPENED = "opened"  # the container of what was opened, where none is named
ORIGIN_UNKNOWN = "opening stock, origin unknown"
MAX_UNIT_COST_E6 = 10**15


@dataclass(frozen=True, slots=True, kw_only=True)
class NewLot:
    """What a lot is when it comes onto the books. ``number`` is set; dates and numbers are as given."""

    item: Item
    number: str
    origin: str
    status: str
    supplier: Party | None = None
    supplier_lot: str = ""
    maker_lot: str = ""
    received_on: date | None = None
    made_at: datetime | None = None
    available_on: date | None = None
    expires_on: date | None = None
    retest_on: date | None = None
    unit_cost_e6: int | None = None
    transformation: Transformation | None = None
    trial: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningRow:
    """One portion that was here when the books began. Rows with one item and number are one lot's portions."""

    item: Item
    quantity: int
    status: str
    number: str = ""  # blank: given, and each such row is a lot of its own
    received_on: date | None = None
    available_on: date | None = None
    expires_on: date | None = None
    retest_on: date | None = None
    opened_on: date | None = None
    supplier: Party | None = None
    supplier_lot: str = ""
    maker_lot: str = ""
    unit_cost_e6: int | None = None
    place: str = ""
    container: str = ""
    note: str = ""


def create_lot(
    new: NewLot,
    *,
    how: str = Lot.ReleasedBy.DECISION,
    decided_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Lot:
    """Write one lot with the decision on its starting status. The caller holds the item lock."""
    return create_lots([new], how=how, decided_at=decided_at, who=who, why=why)[0]


def create_lots(
    new_lots: Sequence[NewLot],
    *,
    how: str = Lot.ReleasedBy.DECISION,
    decided_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
    paths: Sequence[str] = (),
) -> list[Lot]:
    """Write lots with one decision each on their starting status, in bulk. The caller holds the item lock.

    ``paths`` tells where each lot stands in what was asked (``rows[2].``), for the faults to name.
    Raises BadInput for impossible facts, Conflict for a number that the item has already, WrongState for a
    release that no decision could make.
    """
    check_why(why)
    paths = paths or [""] * len(new_lots)
    _check_numbers_free(new_lots, paths)
    lots = []
    for new, path in zip(new_lots, paths, strict=True):
        _check_facts(new, path)
        lot = _lot_from(new, how)
        if lot.status == Lot.Status.RELEASED:
            _check_releasable(lot)
        lots.append(lot)
    lots = Lot.objects.bulk_create(lots)
    action_uid = uuid.uuid4()
    LotDecision.objects.bulk_create(
        LotDecision(
            lot=lot,
            to_status=lot.status,
            how=lot.released_by,
            decided_at=decided_at or clock.now(),
            who=who,
            why=why,
            action_uid=action_uid,
        )
        for lot in lots
    )
    return lots


def _lot_from(new: NewLot, how: str) -> Lot:
    return Lot(
        item=new.item,
        number=new.number,
        number_folded=fold(new.number),
        origin=new.origin,
        status=new.status,
        released_by=how if new.status == Lot.Status.RELEASED else "",
        supplier=new.supplier,
        supplier_lot=new.supplier_lot,
        supplier_lot_folded=fold(new.supplier_lot),
        maker_lot=new.maker_lot,
        maker_lot_folded=fold(new.maker_lot),
        received_on=new.received_on,
        made_at=new.made_at,
        available_on=new.available_on,
        expires_on=new.expires_on,
        retest_on=new.retest_on,
        unit_cost_e6=new.unit_cost_e6,
        transformation=new.transformation,
        trial=new.trial,
        note=new.note,
    )


def _check_numbers_free(new_lots: Sequence[NewLot], paths: Sequence[str]) -> None:
    keys = [(new.item.pk, new.number) for new in new_lots]
    taken = set()
    for part in chunks(sorted({number for _, number in keys})):
        taken |= set(Lot.objects.filter(number__in=part).values_list("item_id", "number"))
    seen = set(taken)
    for new, key, path in zip(new_lots, keys, paths, strict=True):
        if key in seen:
            raise Conflict(
                f"{new.item.code} has a lot {new.number} already: a number is never used twice for an item",
                code="number_taken",
                faults=[Fault(f"{path}lot", new.number, "a number that no lot of the item has had")],
            )
        seen.add(key)


def _check_facts(new: NewLot, path: str = "") -> None:
    faults = []
    for field, text in (
        ("lot", new.number),
        ("supplier_lot", new.supplier_lot),
        ("maker_lot", new.maker_lot),
    ):
        if len(text) > CODE_LENGTH or (field == "lot" and not fold(text)):
            faults.append(Fault(path + field, text[:80], f"1 to {CODE_LENGTH} characters with a letter or digit"))
    if new.status not in Lot.Status.values:
        faults.append(Fault(f"{path}status", new.status, ", ".join(Lot.Status.values)))
    if new.expires_on and new.received_on and new.expires_on < new.received_on:
        faults.append(Fault(f"{path}expires_on", str(new.expires_on), f"a day not before {new.received_on}"))
    if new.unit_cost_e6 is not None and not 0 <= new.unit_cost_e6 <= MAX_UNIT_COST_E6:
        faults.append(Fault(f"{path}unit_cost", str(new.unit_cost_e6), "at least 0"))
    if len(new.note) > NAME_LENGTH:
        faults.append(Fault(f"{path}note", new.note[:80], f"at most {NAME_LENGTH} characters"))
    if faults:
        raise BadInput("; ".join(fault.sentence() for fault in faults), faults=faults)


@write
def open_stock(
    *,
    rows: Sequence[OpeningRow],
    who: User | None = None,
    why: str = "",
    happened_at: datetime | None = None,
) -> list[Lot]:
    """Put stock on the books that was here when they began. Answers the lots in the order of their first rows.

    Statements grow with the chunks of rows, not with the rows. A blank number is given, with the note
    "opening stock, origin unknown". Raises what ``create_lots`` raises; BadInput where rows of one lot differ
    in what belongs to the lot, or name one place and container twice.
    """
    for at, row in enumerate(rows):
        check_quantity(row.item, row.quantity, field=f"rows[{at}].quantity")
        check_spot(row.place, row.container)
        _check_opening(row, f"rows[{at}].")
    moment = moment_of(happened_at)
    lock_items({row.item.pk for row in rows})
    rows = _numbered(rows, clock.day_of(moment))
    firsts = _one_lot_each(rows)
    lots = create_lots(
        [_opening_lot(rows[at]) for at in firsts.values()],
        decided_at=moment,
        who=who,
        why=why,
        paths=[f"rows[{at}]." for at in firsts.values()],
    )
    lot_of = dict(zip(firsts, lots, strict=True))
    portions = Portion.objects.bulk_create(
        Portion(
            lot=lot_of[row.item.pk, row.number],
            place=row.place,
            container=row.container,
            opened_on=row.opened_on,
        )
        for row in rows
    )
    post_all(
        [
            Posting(
                kind=StockEvent.Kind.OPENING,
                changes=[Change(portion, row.quantity)],
                happened_at=moment,
                who=who,
                why=why or row.note,
            )
            for portion, row in zip(portions, rows, strict=True)
        ]
    )
    return lots


def _check_opening(row: OpeningRow, path: str) -> None:
    """Raise BadInput for a supplier who is none, or a container that was opened before it came."""
    faults = []
    if row.supplier is not None and not row.supplier.supplies:
        faults.append(Fault(f"{path}supplier", row.supplier.code, "a party whose role is supplier or both"))
    if row.received_on and row.opened_on and row.opened_on < row.received_on:
        faults.append(Fault(f"{path}opened_on", str(row.opened_on), f"a day not before {row.received_on}"))
    if faults:
        raise BadInput("; ".join(fault.sentence() for fault in faults), faults=faults)


def _numbered(rows: Sequence[OpeningRow], day: date) -> list[OpeningRow]:
    blank = [row for row in rows if not row.number]
    given = iter(propose_lot_numbers([row.item for row in blank], day)) if blank else iter(())
    taken = {(row.item.pk, row.number) for row in rows if row.number}
    numbered = []
    for at, row in enumerate(rows):
        if not row.number:
            row = replace(row, number=next(given), note=row.note or ORIGIN_UNKNOWN)
            if (row.item.pk, row.number) in taken:
                raise Conflict(
                    f"{row.item.code}: the number {row.number} that would be given stands in another row",
                    code="number_taken",
                    faults=[Fault(f"rows[{at}].lot", "", "a number of its own")],
                )
        numbered.append(row)
    return numbered


def _one_lot_each(rows: Sequence[OpeningRow]) -> dict[tuple[int, str], int]:
    """Where the first row of each lot stands, by item and number; refuses rows of one lot that tell different lots."""
    firsts: dict[tuple[int, str], int] = {}
    standing = set()
    for at, row in enumerate(rows):
        first = rows[firsts.setdefault((row.item.pk, row.number), at)]
        if first is not row and _opening_lot(first) != _opening_lot(row):
            raise BadInput(
                f"lot {row.number} of {row.item.code}: its rows differ in more than place, container, "
                "opened day and quantity",
                code="rows_differ",
                faults=[Fault(f"rows[{at}].lot", row.number, "the facts of the first row of this lot, or another lot")],
            )
        spot = (row.item.pk, row.number, row.place, row.container)
        if spot in standing:
            raise BadInput(
                f"lot {row.number} of {row.item.code} stands twice at place {row.place!r}, container {row.container!r}",
                code="portion_twice",
                faults=[Fault(f"rows[{at}].place", row.place, "each place and container once for a lot")],
            )
        standing.add(spot)
    return firsts


def _opening_lot(row: OpeningRow) -> NewLot:
    return NewLot(
        item=row.item,
        number=row.number,
        origin=Lot.Origin.OPENING,
        status=row.status,
        supplier=row.supplier,
        supplier_lot=row.supplier_lot,
        maker_lot=row.maker_lot,
        received_on=row.received_on,
        available_on=row.available_on,
        expires_on=row.expires_on,
        retest_on=row.retest_on,
        unit_cost_e6=row.unit_cost_e6,
        note=row.note,
    )


@write
def decide(
    *,
    lots: Sequence[Lot],
    status: str,
    why: str = "",
    who: User | None = None,
    how: str = Lot.ReleasedBy.DECISION,
    decided_at: datetime | None = None,
    action_uid: uuid.UUID | None = None,
) -> list[LotDecision]:
    """Give lots a status in one action: release, reject, hold, back to quarantine.

    ``action_uid`` is the mark of an action of which this is a part; else the decisions get one of their own.

    1. A lot that has the status keeps it, and a rejected lot is not held: no decision is written for those.
    2. Releases are checked: no trial, no made lot without a last day, none past its last day; a lot that
       was held or rejected, or whose release checks failed, needs a reason.
    3. Decisions and statuses are written; a release makes the lot available from its day at the latest.
    4. Alerts follow: ``reservation_broken`` is open for each holder whose reserved lots are not all released.

    Raises WrongState for a release that may not be, BadInput for an unknown status.
    """
    if status not in Lot.Status.values:
        raise BadInput(
            f"{status!r} is no status of a lot", faults=[Fault("status", status, ", ".join(Lot.Status.values))]
        )
    check_why(why)
    moment = moment_of(decided_at, "decided_at")
    lock_items({lot.item_id for lot in lots})
    now = _lots_now(lots)
    changing = [lot for lot in now if lot.status != status and not _rejected_stays(lot, status)]
    decisions = []
    action_uid = action_uid or uuid.uuid4()
    releasing = [lot.pk for lot in changing] if status == Lot.Status.RELEASED else []
    objected = objections.against(releasing) if releasing and not why.strip() else {}
    for lot in changing:
        if status == Lot.Status.RELEASED:
            _check_releasable(lot, clock.day_of(moment))
            _check_reason(lot, why, objected.get(lot.pk, ()))
        decisions.append(
            LotDecision(
                lot=lot,
                from_status=lot.status,
                to_status=status,
                how=how if status == Lot.Status.RELEASED else "",
                decided_at=moment,
                who=who,
                why=why,
                action_uid=action_uid,
            )
        )
        _take_status(lot, status, how, clock.day_of(moment))
    decisions = LotDecision.objects.bulk_create(decisions)
    if changing:
        Lot.objects.bulk_update(changing, ["status", "released_by", "available_on"], batch_size=200)
    _bring_along(lots, now)
    _tell_broken_reservations(changing)
    return decisions


def _lots_now(lots: Sequence[Lot]) -> list[Lot]:
    """Each once, in the order in which they came to be."""
    found: dict[int, Lot] = {}
    for part in chunks(sorted({lot.pk for lot in lots})):
        found |= Lot.objects.select_related("item").in_bulk(part)
    return [found[pk] for pk in sorted(found)]


def _bring_along(given: Sequence[Lot], now: Sequence[Lot]) -> None:
    """What the caller holds says what the books say."""
    by_pk = {lot.pk: lot for lot in now}
    for lot in given:
        fresh = by_pk[lot.pk]
        lot.status, lot.released_by, lot.available_on = fresh.status, fresh.released_by, fresh.available_on


def _rejected_stays(lot: Lot, status: str) -> bool:
    return lot.status == Lot.Status.REJECTED and status == Lot.Status.HELD


def _take_status(lot: Lot, status: str, how: str, day: date) -> None:
    lot.status = status
    lot.released_by = ""
    if status == Lot.Status.RELEASED:
        lot.released_by = how
        if lot.available_on is not None:
            lot.available_on = min(lot.available_on, day)


def _check_releasable(lot: Lot, on: date | None = None) -> None:
    """Raise WrongState where nobody may release the lot, on a day also where it expired before.

    A lot that comes onto the books is not asked for its day: it may have been released long ago and expired since.
    """
    last_day = lot_last_day_of(lot, lot.item)
    if lot.trial:
        raise WrongState(f"lot {lot.number} is a trial: it is never released", code="trial")
    if lot.origin == Lot.Origin.MADE and last_day is None:
        raise WrongState(
            f"lot {lot.number} of {lot.item.code} has no last day: no life known, no release", code="no_life"
        )
    if on is not None and last_day is not None and last_day < on:
        raise WrongState(f"lot {lot.number} of {lot.item.code} expired on {last_day}", code="expired")


def may_be_released(lot: Lot) -> bool:
    """Whether a decision of today could release the lot. Needs it with its item."""
    try:
        _check_releasable(lot, clock.today())
    except WrongState:
        return False
    return True


def _check_reason(lot: Lot, why: str, objected: Sequence[str]) -> None:
    told = [f"was {lot.status}"] if lot.status in (Lot.Status.HELD, Lot.Status.REJECTED) else []
    told += objected
    if told and not why.strip():
        raise BadInput(
            f"lot {lot.number}: {', '.join(told)}; say why it is released",
            code="why_needed",
            faults=[Fault("why", "", "the reason")],
        )


def _tell_broken_reservations(lots: Sequence[Lot]) -> None:
    """Open or close the alert of every holder with something reserved of these lots."""
    touched: list[Reservation] = []
    for part in chunks([lot.pk for lot in lots]):
        touched += Reservation.objects.filter(portion__lot__in=part).select_related(
            "transformation", "demand__customer", "demand__item"
        )
    if not touched:
        return
    lock_telling()  # before it is read what others decided of lots that the same holders wait for
    broken: dict[str, set[str]] = {holder_of(row): set() for row in touched}
    held = (
        Reservation.objects.filter(
            transformation__in={row.transformation_id for row in touched if row.transformation_id}
        )
        | Reservation.objects.filter(demand__in={row.demand_id for row in touched if row.demand_id})
    ).exclude(portion__lot__status=Lot.Status.RELEASED)
    for row in held.select_related("transformation", "demand__customer", "demand__item", "portion__lot__item"):
        lot = row.portion.lot
        broken[holder_of(row)].add(f"{lot.item.code} {lot.number}")
    for holder, names in broken.items():
        if names:
            open_alert(
                kind="reservation_broken",
                subject=holder,
                message=f"set aside for {holder} but not released: {', '.join(sorted(names))}",
                facts={"lots": sorted(names)},
            )
    close_alerts(kinds=["reservation_broken"], subjects=[holder for holder, names in broken.items() if not names])


@write
def set_retest(*, lot: Lot, retest_on: date, why: str = "", who: User | None = None) -> Lot:
    """A lot was looked at again and may be used through another day. Written down as a decision on its status."""
    lock_items([lot.item_id])
    lot.refresh_from_db()
    told = f"retest on {retest_on}" + (f": {why}" if why else "")
    check_why(told)
    LotDecision.objects.create(
        lot=lot,
        from_status=lot.status,
        to_status=lot.status,
        how=lot.released_by,
        decided_at=clock.now(),
        who=who,
        why=told,
    )
    lot.retest_on = retest_on
    lot.save(update_fields=["retest_on"])
    return lot


@write
def move(
    *,
    portion: Portion,
    place: str,
    container: str = "",
    quantity: int | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Portion:
    """Carry a portion (or so much of it) to another place; answers the portion there.

    When the whole portion moves, what is reserved of it moves along. Of a part, reservations stay on what
    stays where they fit; the rest of them is freed, with an alert.
    """
    spot = _Spot(place, container, portion.set_apart)
    return _carry(portion, spot, quantity, _Told(happened_at, who, why), reserved_too=True)


@write
def set_apart(
    *,
    portion: Portion,
    quantity: int | None = None,
    place: str | None = None,
    container: str | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Portion:
    """Set stock apart until it is decided on: it may not be used, and what was reserved of it is freed."""
    if portion.set_apart:
        raise WrongState(f"lot {portion.lot.number} is set apart already", code="set_apart")
    return _carry(portion, _spot_beside(portion, place, container, True), quantity, _Told(happened_at, who, why))


@write
def put_back(
    *,
    portion: Portion,
    quantity: int | None = None,
    place: str | None = None,
    container: str | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Portion:
    """What was set apart was found fit: it joins the stock again."""
    if not portion.set_apart:
        raise WrongState(f"lot {portion.lot.number} is not set apart", code="not_set_apart")
    return _carry(portion, _spot_beside(portion, place, container, False), quantity, _Told(happened_at, who, why))


@write
def open_container(
    *,
    portion: Portion,
    quantity: int | None = None,
    container: str = "",
    opened_on: date | None = None,
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
) -> Portion:
    """Open a container: from its day on, the opened life counts. Answers the portion that is open now.

    The whole portion opens where it stands and keeps what is reserved of it; a part is a portion of its own,
    in the container named (else "opened"). The day is ``opened_on``, else that of the moment.

    Raises WrongState where it is open already, Shortage for more than is here.
    """
    moment, opened_on = moment_and_day(happened_at, opened_on, "opened_on")
    if opened_on != clock.day_of(moment):
        raise BadInput(f"that moment is not on {opened_on}", faults=[Fault("opened_on", str(opened_on), "its day")])
    told = _Told(moment, who, why)
    lock_items([portion.lot.item_id])
    source = fresh_portion(portion)
    if source.opened_on is not None:
        raise WrongState(f"lot {source.lot.number} in this container was opened on {source.opened_on}", code="opened")
    quantity = _all_of(source) if quantity is None else quantity
    check_quantity(source.lot.item, quantity)
    if quantity != source.on_hand:
        spot = _Spot(source.place, container or OPENED, source.set_apart)
        return _carry(portion, spot, quantity, told, opened_on=opened_on, kind=StockEvent.Kind.OPENED)
    post(kind=StockEvent.Kind.OPENED, changes=[], happened_at=moment, who=who, why=why, portion=source)
    source.opened_on = opened_on
    source.save(update_fields=["opened_on"])
    portion.refresh_from_db()
    return portion


def _all_of(portion: Portion) -> int:
    """What is there of a portion. Raises WrongState where nothing is left of it."""
    if not portion.on_hand:
        raise WrongState(f"nothing of lot {portion.lot.number} stands there any more", code="not_on_hand")
    return portion.on_hand


@dataclass(frozen=True, slots=True)
class _Spot:
    """Where stock stands, and whether apart from the rest."""

    place: str
    container: str
    set_apart: bool


@dataclass(frozen=True, slots=True)
class _Told:
    """When an act happened, who did it, and why."""

    happened_at: datetime | None
    who: User | None
    why: str


def _spot_beside(portion: Portion, place: str | None, container: str | None, set_apart: bool) -> _Spot:
    """Where the portion stands, unless another place or container is named."""
    return _Spot(
        portion.place if place is None else place,
        portion.container if container is None else container,
        set_apart,
    )


def _carry(
    portion: Portion,
    spot: _Spot,
    quantity: int | None,
    told: _Told,
    *,
    opened_on: date | None = None,
    kind: str = StockEvent.Kind.MOVED,
    reserved_too: bool = False,
) -> Portion:
    """Take stock from one portion of a lot to another, in the condition it has unless it is opened on the way.

    1. Lock, read the portion again, find or make the other.
    2. Where the whole portion goes and its reservations go along: lift them, post, set them aside there.
    3. Else post: reservations that no longer fit what stays are freed.
    """
    lock_items([portion.lot.item_id])
    source = fresh_portion(portion)
    quantity = _all_of(source) if quantity is None else quantity
    check_quantity(source.lot.item, quantity)
    target = portion_of(
        lot=source.lot,
        place=spot.place,
        container=spot.container,
        set_apart=spot.set_apart,
        opened_on=opened_on or source.opened_on,
    )
    if target.pk == source.pk:
        raise BadInput("the stock is there already", code="same_place")
    carried: list[Reservation] = []
    if reserved_too and quantity == source.on_hand:
        carried = list(Reservation.objects.filter(portion=source))
        let_go(carried)
    post(
        kind=kind,
        changes=[Change(source, -quantity), Change(target, quantity)],
        happened_at=told.happened_at,
        who=told.who,
        why=told.why,
    )
    set_aside([SetAside(target.pk, row.quantity, row.transformation_id, row.demand_id) for row in carried])
    portion.refresh_from_db()
    target.refresh_from_db()
    return target
