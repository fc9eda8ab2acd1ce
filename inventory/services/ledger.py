"""Posting: the only place that writes stock events, movements, reservations and balances.

Every other service decides what happened and calls ``post`` under the item lock. Physical truth wins:
where a posting leaves less in a portion than is reserved, reservations of that portion are freed first,
the latest batch first, and an alert is opened.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import F, Min, Sum

from inventory import clock, statements, workshop
from inventory.errors import BadInput, Fault, Shortage, WrongState
from inventory.ledger import among
from inventory.models import (
    Alert,
    Demand,
    DispatchLine,
    Item,
    Lot,
    Movement,
    Portion,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.models.items import CODE_LENGTH, WHY_LENGTH
from inventory.quantities import COUNT, limit_of, show_quantity
from inventory.transactions import lock_telling

if TYPE_CHECKING:
    from django.contrib.auth.models import User

Row = TypeVar("Row")

# Rows in one statement: well below the fewest parameters that any SQLite takes.
CHUNK = 200

MAX_PRIORITY = 2**31 - 1

BEGINNINGS = frozenset({StockEvent.Kind.OPENING, StockEvent.Kind.RECEIVED, StockEvent.Kind.MADE})


@dataclass(frozen=True, slots=True)
class Change:
    """One signed quantity of one portion, in base steps."""

    portion: Portion
    quantity: int


@dataclass(frozen=True, slots=True)
class Posting:
    """One stock event to be written. ``happened_at`` None is now; ``portion`` is named where nothing moved."""

    kind: str
    changes: Sequence[Change]
    happened_at: datetime | None = None
    who: User | None = None
    why: str = ""
    transformation: Transformation | None = None
    dispatch_line: DispatchLine | None = None
    purchase_order_line: PurchaseOrderLine | None = None
    corrects: StockEvent | None = None
    portion: Portion | None = None


@dataclass(frozen=True, slots=True)
class SetAside:
    """So much of one portion for one holder: exactly one of transformation and demand is given."""

    portion_id: int
    quantity: int
    transformation_id: int | None = None
    demand_id: int | None = None


@dataclass(frozen=True, slots=True)
class Freed:
    """A reservation that gave way to physical truth."""

    holder: str  # batch:B or demand:CUSTOMER/REFERENCE/ITEM/DAY
    item: str
    lot: str
    quantity: str  # as it is shown


def moment_of(happened_at: datetime | None, field: str = "happened_at") -> datetime:
    """The moment something happened: now where none is given. Raises BadInput for one in the future."""
    now = clock.now()
    if happened_at is not None and happened_at > now:
        raise BadInput(
            "what is recorded has happened: the moment may not be in the future",
            code="in_the_future",
            faults=[Fault(field, happened_at.isoformat(), f"a moment up to {now.isoformat(timespec='seconds')}")],
        )
    return happened_at or now


def moment_and_day(happened_at: datetime | None, day: date | None, field: str = "") -> tuple[datetime, date]:
    """The moment and the day of an act: another day than today without a moment happened at its noon.

    Raises BadInput where either is in the future, naming the ``field`` of the day; or where the moment is of another
    day.
    """
    today = clock.today()
    if day is not None and day > today:
        raise BadInput(
            "what is recorded has happened: the day may not be in the future",
            code="in_the_future",
            faults=[Fault(field, str(day), f"a day up to {today}")] if field else [],
        )
    if happened_at is None and day is not None and day != clock.today():
        happened_at = clock.noon_of(day)
    moment = moment_of(happened_at)
    if day is not None and clock.day_of(moment) != day:
        fault = Fault("happened_at", moment.isoformat(), f"a moment of {day}")
        raise BadInput(fault.sentence(), code="another_day", faults=[fault])
    return moment, day or clock.day_of(moment)


def check_quantity(item: Item, quantity: int, *, field: str = "quantity", minimum: int = 1) -> None:
    """Raise BadInput unless the quantity is whole, at least ``minimum`` and within the limit of one quantity."""
    check_steps(quantity, item.measure, of=item.code, field=field, minimum=minimum)


def check_steps(quantity: int, measure: str, *, of: str, field: str, minimum: int = 1) -> None:
    """The same for a quantity of a measure that is not one item's: a charge, a residue."""
    most = limit_of(measure)
    if not is_whole(quantity) or not minimum <= quantity <= most:
        accepted = f"from {show_quantity(minimum, measure)} to {show_quantity(most, measure)}"
        shown = show_quantity(quantity, measure) if isinstance(quantity, int) else str(quantity)
        raise BadInput(f"{shown} of {of}: {accepted} is accepted", faults=[Fault(field, shown, accepted)])


def is_whole(number: object) -> bool:
    return isinstance(number, int) and not isinstance(number, bool)


def check_priority(priority: int | None) -> None:
    """Raise BadInput unless the priority is blank (last) or a whole number from 0 (first) that the tables hold."""
    if priority is not None and not (is_whole(priority) and 0 <= priority <= MAX_PRIORITY):
        accepted = f"a whole number from 0 to {MAX_PRIORITY}, or blank"
        raise BadInput(f"priority {priority}: {accepted}", faults=[Fault("priority", str(priority), accepted)])


def check_text(field: str, text: str, most: int) -> None:
    """Raise BadInput where a text is longer than is kept of it, or holds what no database keeps."""
    if len(text) > most or "\0" in text:
        accepted = f"at most {most} characters"
        raise BadInput(f"{field}: {accepted}", faults=[Fault(field, text[:80], accepted)])


def check_why(why: str) -> None:
    check_text("why", why, WHY_LENGTH)


def check_spot(place: str, container: str) -> None:
    """Raise BadInput where the name of a place or container is too long."""
    check_text("place", place, CODE_LENGTH)
    check_text("container", container, CODE_LENGTH)


def post(
    *,
    kind: str,
    changes: Sequence[Change],
    happened_at: datetime | None = None,
    who: User | None = None,
    why: str = "",
    transformation: Transformation | None = None,
    dispatch_line: DispatchLine | None = None,
    purchase_order_line: PurchaseOrderLine | None = None,
    corrects: StockEvent | None = None,
    portion: Portion | None = None,
) -> StockEvent:
    """Write one stock event with its movements and bring the balances along: ``post_all`` for one."""
    posting = Posting(
        kind=kind,
        changes=changes,
        happened_at=happened_at,
        who=who,
        why=why,
        transformation=transformation,
        dispatch_line=dispatch_line,
        purchase_order_line=purchase_order_line,
        corrects=corrects,
        portion=portion,
    )
    return post_all([posting])[0]


def post_all(postings: Sequence[Posting]) -> list[StockEvent]:
    """Write stock events in order with their movements and bring the balances along. The caller holds the item lock.

    1. Check that no moment is in the future or before its lot came, and that no portion goes below nothing on the way.
    2. Free reservations that no longer fit what will be on hand.
    3. Write events and movements, then the balances.

    Raises BadInput for such a moment, Shortage where a portion holds less than is taken.
    """
    moments = [moment_of(posting.happened_at) for posting in postings]
    for why in {posting.why for posting in postings}:
        check_why(why)
    end, lowest = _totals(postings)
    fresh = _standing(end)
    _check_came_before(postings, fresh)
    for pk, portion in fresh.items():
        if portion.on_hand + lowest[pk] < 0 or portion.on_hand + end[pk] > limit_of(portion.measure):
            _refuse_total(portions_now([pk])[pk], end[pk], lowest[pk])
    left = {pk: portion.on_hand + lowest[pk] for pk, portion in fresh.items() if lowest[pk] < 0}
    freed: list[Freed] = []
    for promised in portions_now(_promised_beyond(left)).values():
        freed += free_down_to(portion=promised, on_hand=left[promised.pk])
    tell_freed(freed)
    events = _write_events(postings, moments)
    _write_movements(
        [
            _movement(event, change, fresh[change.portion.pk])
            for event, posting in zip(events, postings, strict=True)
            for change in posting.changes
        ]
    )
    _shift("on_hand", end)
    for posting in postings:
        for change in posting.changes:
            change.portion.on_hand = fresh[change.portion.pk].on_hand + end[change.portion.pk]
    return events


def _write_events(postings: Sequence[Posting], moments: Sequence[datetime]) -> list[StockEvent]:
    recorded_at = clock.now()
    rows = [
        (
            *(uuid.uuid4(), posting.kind, moment, recorded_at, _key_of(posting, "who"), posting.why),
            *(_key_of(posting, name) for name in _REASONS[1:]),
        )
        for posting, moment in zip(postings, moments, strict=True)
    ]
    if rows and connection.vendor == "postgresql":
        id_of = dict(_insert_rows("inventory_stockevent", _EVENT_COLUMNS, rows, returning="uid, id"))
        names = ("id", *_EVENT_COLUMNS)
        events = [StockEvent.from_db(connection.alias, names, (id_of[row[0]], *row)) for row in rows]
    else:
        columns = tuple(_EVENT_COLUMNS)
        events = StockEvent.objects.bulk_create(StockEvent(**dict(zip(columns, row, strict=True))) for row in rows)
    for event, posting in zip(events, postings, strict=True):
        for name in _REASONS:
            if (reason := getattr(posting, name)) is not None:
                setattr(event, name, reason)
    return events


def _key_of(posting: Posting, name: str) -> int | None:
    reason = getattr(posting, name)
    return None if reason is None else int(reason.pk)


def making_of(event: StockEvent) -> int | None:
    """The making that the movements of an event name: of a use, a making, or the correction of one."""
    undone = event if event.corrects is None else event.corrects
    return event.transformation_id if undone.kind in (StockEvent.Kind.USED, StockEvent.Kind.MADE) else None


def _movement(event: StockEvent, change: Change, portion: _Standing) -> tuple[object, ...]:
    """The row of a movement, in the order of its columns."""
    return event.pk, change.portion.pk, portion.lot_id, change.quantity, making_of(event), portion.measure == COUNT


def _write_movements(rows: Sequence[tuple[object, ...]]) -> None:
    if connection.vendor == "postgresql":
        if rows:
            _insert_rows("inventory_movement", _MOVEMENT_COLUMNS, rows)
        return
    Movement.objects.bulk_create(Movement(**dict(zip(_MOVEMENT_COLUMNS, row, strict=True))) for row in rows)


_REASONS = ("who", "corrects", "transformation", "dispatch_line", "purchase_order_line", "portion")
# In the order of the model's fields, in which ``from_db`` takes them.
_EVENT_COLUMNS = {
    "uid": "uuid",
    "kind": "text",
    "happened_at": "timestamptz",
    "recorded_at": "timestamptz",
    "who_id": "integer",
    "why": "text",
    "corrects_id": "bigint",
    "transformation_id": "bigint",
    "dispatch_line_id": "bigint",
    "purchase_order_line_id": "bigint",
    "portion_id": "bigint",
}
_MOVEMENT_COLUMNS = {
    "event_id": "bigint",
    "portion_id": "bigint",
    "lot_id": "bigint",
    "quantity": "bigint",
    "making_id": "bigint",
    "in_pieces": "boolean",
}


def _insert_rows(
    table: str, columns: Mapping[str, str], rows: Sequence[Sequence[object]], *, returning: str = ""
) -> Sequence[tuple[Any, ...]]:
    """Insert rows into a table of PostgreSQL in their order, one statement however many.

    Each column is one array. One of the same value in every row is given once, but for the first, which counts rows.
    """
    values = dict(zip(columns, zip(*rows, strict=True), strict=True))
    first, *others = columns
    arrays = [first, *(name for name in others if values[name].count(values[name][0]) < len(rows))]
    given = [name for name in others if name not in arrays]
    selected = ", ".join(f"%s::{columns[name]}" if name in given else name for name in columns)
    taken = ", ".join(f"%s::{columns[name]}[]" for name in arrays)
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) SELECT {selected} "
            f"FROM unnest({taken}) WITH ORDINALITY AS given ({', '.join(arrays)}, place) ORDER BY place"
            + (f" RETURNING {returning}" if returning else ""),
            [values[name][0] for name in columns if name in given] + [list(values[name]) for name in arrays],
        )
        return cursor.fetchall() if returning else ()


class _Standing(NamedTuple):
    """Of one portion under the lock as much as a posting checks: a thousand are read in a millisecond or two."""

    lot_id: int
    on_hand: int
    measure: str
    origin: str


def _standing(portion_ids: Iterable[int]) -> dict[int, _Standing]:
    rows = Portion.objects.filter(pk__in=among(portion_ids)).order_by("pk")
    return {
        row[0]: _Standing(*row[1:])
        for row in rows.values_list("pk", "lot_id", "on_hand", "lot__item__measure", "lot__origin")
    }


def _promised_beyond(left: Mapping[int, int]) -> list[int]:
    """The portions of which more is reserved than will be left."""
    reserved = (
        Reservation.objects.filter(portion__in=among(left)).values_list("portion").annotate(total=Sum("quantity"))
    )
    return [pk for pk, total in reserved.order_by() if total > left[pk]] if left else []


def _check_came_before(postings: Sequence[Posting], fresh: Mapping[int, _Standing]) -> None:
    """Raise BadInput for an act recorded late on a day before its lot was received or made.

    Opening stock may have been here long before it was written down.
    """
    acts = [posting for posting in postings if posting.happened_at is not None and posting.kind not in BEGINNINGS]
    if not acts:
        return
    zone = ZoneInfo(workshop.time_zone())  # asked for once, where the clock would ask for it at every moment
    late: dict[int, date] = {}  # lot -> the first day on which something is said to have happened to it
    for posting in acts:
        assert posting.happened_at is not None
        day = posting.happened_at.astimezone(zone).date()
        for change in posting.changes:
            portion = fresh[change.portion.pk]
            if portion.origin != Lot.Origin.OPENING:
                late[portion.lot_id] = min(day, late.get(portion.lot_id, day))
        opened = posting.portion if posting.kind == StockEvent.Kind.OPENED else None  # nothing moves by it
        if opened is not None and opened.lot.origin != Lot.Origin.OPENING:
            late[opened.lot_id] = min(day, late.get(opened.lot_id, day))
    if not late:
        return
    began = Movement.objects.filter(lot__in=among(late)).values_list("lot").annotate(at=Min("event__happened_at"))
    for lot_id, at in sorted(began.order_by()):
        came_on = at.astimezone(zone).date()
        if late[lot_id] < came_on:
            lot = Lot.objects.select_related("item").get(pk=lot_id)
            raise BadInput(
                f"lot {lot.number} of {lot.item.code} came on {came_on}: nothing happened to it on {late[lot_id]}",
                code="before_it_came",
                faults=[Fault("happened_at", str(late[lot_id]), f"from {came_on}")],
            )


def _totals(postings: Sequence[Posting]) -> tuple[dict[int, int], dict[int, int]]:
    """Per portion what all postings add up to, and the lowest point after any of them (at most 0)."""
    end: dict[int, int] = {}
    lowest: dict[int, int] = {}
    for posting in postings:
        for change in posting.changes:
            pk = change.portion.pk
            end[pk] = end.get(pk, 0) + change.quantity
        for change in posting.changes:
            pk = change.portion.pk
            lowest[pk] = min(lowest.get(pk, 0), end[pk])
    return end, lowest


def portions_now(portion_ids: Iterable[int]) -> dict[int, Portion]:
    found: dict[int, Portion] = {}
    for part in chunks(sorted(portion_ids)):
        found |= {row.pk: row for row in Portion.objects.filter(pk__in=part).select_related("lot__item")}
    return found


def chunks(rows: Sequence[Row], size: int = CHUNK) -> Iterator[Sequence[Row]]:
    for start in range(0, len(rows), size):
        yield rows[start : start + size]


_STEPS_ON_POSTGRESQL = "SELECT unnest(%s::bigint[]) AS id, unnest(%s::bigint[]) AS step"
_STEPS_ON_SQLITE = """
    SELECT json_extract(value, '$[0]') AS id, json_extract(value, '$[1]') AS step FROM json_each(%s)
"""


def _shift(balance: str, by: Mapping[int, int]) -> None:
    """Raise or lower one balance (on_hand or reserved) of many portions in one statement."""
    assert balance in ("on_hand", "reserved")
    steps = sorted((pk, step) for pk, step in by.items() if step)
    if not steps:
        return
    on_postgresql = connection.vendor == "postgresql"
    rows = _STEPS_ON_POSTGRESQL if on_postgresql else _STEPS_ON_SQLITE
    values = (
        (statements.array(pk for pk, _ in steps), statements.array(step for _, step in steps))
        if on_postgresql
        else (json.dumps(steps),)
    )
    statements.run(
        f"UPDATE inventory_portion SET {balance} = {balance} + steps.step "
        f"FROM ({rows}) AS steps WHERE inventory_portion.id = steps.id",
        *values,
    )


def _refuse_total(portion: Portion, end: int, lowest: int) -> None:
    """Raise Shortage for what would go below nothing, BadInput for what would be too much in one portion."""
    item = portion.lot.item
    if portion.on_hand + lowest < 0:
        raise Shortage(
            f"lot {portion.lot.number} of {item.code} has {show_quantity(portion.on_hand, item.measure)} here",
            code="not_on_hand",
            shortages=[
                {
                    "item": item.code,
                    "lot": portion.lot.number,
                    "wanted": show_quantity(-lowest, item.measure),
                    "free": show_quantity(portion.on_hand, item.measure),
                }
            ],
        )
    if portion.on_hand + end > limit_of(item.measure):
        raise BadInput(
            f"more than {show_quantity(limit_of(item.measure), item.measure)} in one portion", code="too_much"
        )


def free_down_to(*, portion: Portion, on_hand: int) -> list[Freed]:
    """Free reservations of this portion until they fit ``on_hand``: demands and batches planned latest first.

    The caller holds the item lock, tells the holders (``tell_freed``) and writes the new balance itself.
    """
    reservations = list(
        Reservation.objects.filter(portion=portion).select_related("transformation", "demand__customer", "demand__item")
    )
    over = sum(row.quantity for row in reservations) - on_hand
    freed: list[Freed] = []
    for row in sorted(reservations, key=_latest_first):
        if over <= 0:
            break
        quantity = min(over, row.quantity)
        over -= quantity
        change_reservation(reservation=row, by=-quantity)
        shown = show_quantity(quantity, portion.lot.item.measure)
        freed.append(Freed(holder_of(row), portion.lot.item.code, portion.lot.number, shown))
    return freed


def tell_freed(freed: Sequence[Freed]) -> None:
    """Open one alert a holder."""
    if freed:
        lock_telling()
    for one in freed:
        open_alert(
            kind="reservation_freed",
            subject=one.holder,
            message=f"{one.quantity} of {one.item} lot {one.lot} set aside for {one.holder} is not there any more",
            facts={"item": one.item, "lot": one.lot, "quantity": one.quantity},
        )


def _latest_first(row: Reservation) -> tuple[int, int]:
    day: date = row.transformation.planned_for if row.transformation else row.demand.due_on  # type: ignore[union-attr]
    return (-day.toordinal(), -row.pk)


def holder_of(row: Reservation) -> str:
    if row.transformation is not None:
        return name_of_making(row.transformation.code)
    assert row.demand is not None
    return demand_subject(row.demand)


def name_of_making(code: str) -> str:
    """What alerts of a making name."""
    return f"batch:{code}"


def demand_name(demand: Demand) -> str:
    customer = demand.customer.code if demand.customer else ""
    return f"demand:{customer}/{demand.reference}"


def demand_subject(demand: Demand) -> str:
    """What alerts of a demand name: an order of several items, or of one on several days, has one for each."""
    return f"{demand_name(demand)}/{demand.item.code}/{demand.due_on}"


def change_reservation(*, reservation: Reservation, by: int) -> None:
    """Raise or lower one reservation and its portion's balance; at nothing the row goes away."""
    left = reservation.quantity + by
    assert left >= 0
    Portion.objects.filter(pk=reservation.portion_id).update(reserved=F("reserved") + by)
    if left == 0:
        reservation.delete()
    else:
        reservation.quantity = left
        reservation.save(update_fields=["quantity"])


def set_aside(rows: Sequence[SetAside]) -> None:
    """Write reservations and their balances, added to what the same holder has of the same portion already.

    One statement on PostgreSQL, on SQLite up to three, however many rows. The caller holds the item lock and has
    checked.
    """
    of_makings: dict[tuple[int, int], int] = {}
    of_demands: dict[tuple[int, int], int] = {}
    by: dict[int, int] = {}
    for row in rows:
        by[row.portion_id] = by.get(row.portion_id, 0) + row.quantity
        if row.transformation_id is not None:
            key = (row.portion_id, row.transformation_id)
            of_makings[key] = of_makings.get(key, 0) + row.quantity
        else:
            assert row.demand_id is not None
            key = (row.portion_id, row.demand_id)
            of_demands[key] = of_demands.get(key, 0) + row.quantity
    if connection.vendor == "postgresql":
        _set_aside_on_postgresql(of_makings, of_demands, by)
        return
    for holder, wanted in (("transformation_id", of_makings), ("demand_id", of_demands)):
        if wanted:
            given = json.dumps([(portion_id, held_by, quantity) for (portion_id, held_by), quantity in wanted.items()])
            statements.run(_RESERVE.format(holder=holder, given=_GIVEN_ON_SQLITE), given)
    _shift("reserved", by)


def _set_aside_on_postgresql(
    of_makings: Mapping[tuple[int, int], int], of_demands: Mapping[tuple[int, int], int], by: Mapping[int, int]
) -> None:
    """Reservations and balances in one statement: others wait for these items."""
    parts, values = [], []
    for holder, wanted in (("transformation_id", of_makings), ("demand_id", of_demands)):
        if wanted:
            parts.append(f"{holder[0]} AS ({_RESERVE.format(holder=holder, given=_GIVEN_ON_POSTGRESQL)})")
            values += [
                statements.array(portion_id for portion_id, _ in wanted),
                statements.array(held_by for _, held_by in wanted),
                statements.array(wanted.values()),
            ]
    if parts:
        statements.run(
            f"WITH {', '.join(parts)} UPDATE inventory_portion SET reserved = reserved + steps.step "
            f"FROM ({_STEPS_ON_POSTGRESQL}) AS steps WHERE inventory_portion.id = steps.id",
            *values,
            statements.array(by),
            statements.array(by.values()),
        )


# New reservations of a holder (the column named), or more in those that stand.
_RESERVE = """
    INSERT INTO inventory_reservation (portion_id, {holder}, quantity) {given}
    ON CONFLICT (portion_id, {holder}) WHERE {holder} IS NOT NULL
    DO UPDATE SET quantity = inventory_reservation.quantity + excluded.quantity
"""
_GIVEN_ON_POSTGRESQL = "SELECT unnest(%s::bigint[]), unnest(%s::bigint[]), unnest(%s::bigint[])"
_GIVEN_ON_SQLITE = """
    SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]'), json_extract(value, '$[2]')
    FROM json_each(%s) WHERE true
"""


def let_go(reservations: Sequence[Reservation]) -> int:
    """Free these reservations as a whole; answers how many. The caller holds the item lock."""
    if not reservations:
        return 0
    by: dict[int, int] = {}
    for row in reservations:
        by[row.portion_id] = by.get(row.portion_id, 0) - row.quantity
    Reservation.objects.filter(pk__in=among(row.pk for row in reservations)).delete()
    _shift("reserved", by)
    return len(reservations)


def open_alert(*, kind: str, subject: str, message: str, facts: dict[str, object]) -> Alert:
    """Open an alert, or bring the open one of the same kind and subject up to date."""
    alert, _ = Alert.objects.update_or_create(
        kind=kind, subject=subject[:200], closed_at=None, defaults={"message": message[:500], "facts": facts}
    )
    return alert


def close_alerts(*, kinds: Iterable[str], subjects: Iterable[str]) -> int:
    """Close the open alerts of these kinds and subjects; answers how many there were."""
    kinds, subjects = list(kinds), [name for subject in subjects for name in _with_its_older_name(subject)]
    if len(subjects) != 1:
        standing = Alert.objects.filter(kind__in=kinds, subject__in=subjects, closed_at=None)
        return standing.update(closed_at=clock.now())
    return statements.run(
        f"UPDATE inventory_alert SET closed_at = %s WHERE kind IN ({statements.marks(kinds)}) "
        "AND subject = %s AND closed_at IS NULL",
        connection.ops.adapt_datetimefield_value(clock.now()),
        *kinds,
        *subjects,
    )


def _with_its_older_name(subject: str) -> list[str]:
    """Alerts of demands that the program before opened bear the order's name alone; they end with the first mended."""
    return [subject, subject.rsplit("/", 2)[0]] if subject.startswith("demand:") else [subject]


def portion_of(
    *,
    lot: Lot,
    place: str = "",
    container: str = "",
    set_apart: bool = False,
    opened_on: date | None = None,
) -> Portion:
    """The lot's portion in this place and condition, made empty where there is none yet.

    Raises WrongState where stock stands there that was opened on another day (or never): one portion has
    one condition, so that its last day stays true.
    """
    check_spot(place, container)
    portion, _ = Portion.objects.select_related("lot__item").get_or_create(
        lot=lot, place=place, container=container, set_apart=set_apart, defaults={"opened_on": opened_on}
    )
    take_condition(portion, opened_on)
    return portion


def take_condition(portion: Portion, opened_on: date | None) -> None:
    """The stock that comes to stand here was opened on this day, or never. The portion is fresh.

    Raises WrongState where stock stands there that was opened on another day (or never).
    """
    if portion.opened_on == opened_on:
        return
    if portion.on_hand:
        raise WrongState(
            f"lot {portion.lot.number} stands there already, opened on another day or not at all: "
            "name another container",
            code="other_condition",
        )
    portion.opened_on = opened_on
    portion.save(update_fields=["opened_on"])


def fresh_portion(portion: Portion) -> Portion:
    """The portion as it is now, with lot and item: read under the lock, before checking."""
    return Portion.objects.select_related("lot__item").get(pk=portion.pk)
