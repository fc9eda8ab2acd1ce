"""A workshop's storeroom in plain dicts and integers: what each act does to it, or why it is refused.

Written from the rules of the workshop alone: it imports no Django and calls no service, so that it can be
held against them. Every act first collects everything that speaks against it and raises ``Refused`` with all
of that (which one a service names first is its own affair); only then does it change anything.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import NamedTuple

NEVER = date.max
LONG_AGO = date.min

QUARANTINE, RELEASED, REJECTED, HELD = "quarantine", "released", "rejected", "held"
SUM_KINDS = (
    "opening",
    "received",
    "made",
    "returned",
    "counted",
    "corrected",
    "used",
    "dispatched",
    "sent_back",
    "sampled",
    "discarded",
)


class Refused(Exception):
    """The act may not be done. ``reasons`` are all that apply, such as "Shortage:not_on_hand"."""

    def __init__(self, *reasons: str) -> None:
        super().__init__(", ".join(sorted(reasons)))
        self.reasons = frozenset(reasons)


class LotKey(NamedTuple):
    item: str
    number: str


class Spot(NamedTuple):
    """What tells one portion from all others."""

    item: str
    number: str
    place: str = ""
    container: str = ""
    set_apart: bool = False

    @property
    def lot(self) -> LotKey:
        return LotKey(self.item, self.number)


class Holder(NamedTuple):
    """What stock is set aside for: ``batch`` and its number, or ``demand`` and its number in the model."""

    kind: str
    name: str


@dataclass(frozen=True)
class ItemRules:
    """How one item keeps and how it may be used."""

    code: str
    kind: str = "raw"
    counted: bool = False
    life_days: int | None = None
    life_hours: int | None = None
    life_basis: str = ""
    opened_life_days: int | None = None
    min_remaining_days: int = 0
    retest_days: int | None = None
    release_days: int = 0
    released_by_checks: bool = False
    drawn: bool = False

    @property
    def caps_life(self) -> bool:
        return self.kind == "raw"

    @property
    def whole_days(self) -> int | None:
        """Days after the first one. A life in hours counts its whole days less one, at least the first day."""
        if self.life_days is not None:
            return self.life_days
        return None if self.life_hours is None else max(0, self.life_hours // 24 - 1)


@dataclass
class Lot:
    key: LotKey
    origin: str
    status: str
    received_on: date | None = None
    made_at: datetime | None = None
    available_on: date | None = None
    expires_on: date | None = None
    trial: bool = False
    batch: str | None = None
    released_by: str = ""


@dataclass
class Portion:
    on_hand: int = 0
    opened_on: date | None = None


@dataclass
class Reservation:
    spot: Spot
    holder: Holder
    quantity: int
    rank: int  # later ones have higher ranks


@dataclass
class Event:
    """One thing that happened to stock, with signed quantities by portion."""

    kind: str
    at: datetime
    moves: dict[Spot, int]
    batch: str | None = None
    line: int | None = None  # of a dispatch
    order_line: int | None = None
    corrected: bool = False
    told: Spot | None = None  # the portion it is about, where nothing moved
    found: bool = False  # counted only because more was weighed than the book held


@dataclass
class Demand:
    name: str
    item: str
    quantity: int
    due_on: date
    customer: str
    dispatched: int = 0
    closed: bool = False

    @property
    def open(self) -> int:
        return 0 if self.closed else max(0, self.quantity - self.dispatched)


@dataclass
class OrderLine:
    item: str
    quantity: int
    received: int = 0
    closed: bool = False
    closed_by_hand: bool = False


@dataclass
class DispatchLine:
    lot: LotKey
    quantity: int
    customer: str
    on: date
    reference: str
    kind: str
    demand: str | None = None
    returned: int = 0
    corrected: bool = False


@dataclass
class Storeroom:
    items: dict[str, ItemRules]
    customers: dict[str, int | None]  # days of life that a customer wants left, None: the item's own
    now: datetime
    lots: dict[LotKey, Lot] = field(default_factory=dict)
    portions: dict[Spot, Portion] = field(default_factory=dict)
    reservations: list[Reservation] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    demands: dict[str, Demand] = field(default_factory=dict)
    order_lines: list[OrderLine] = field(default_factory=list)
    dispatch_lines: list[DispatchLine] = field(default_factory=list)
    freed_for: set[Holder] = field(default_factory=set)  # by the last act
    _rank: int = 0

    @property
    def today(self) -> date:
        return self.now.date()

    # -- reading ---------------------------------------------------------------------------------

    def reserved(self, spot: Spot) -> int:
        return sum(one.quantity for one in self.reservations if one.spot == spot)

    def free_of(self, spot: Spot) -> int:
        return self.portions[spot].on_hand - self.reserved(spot)

    def held_by(self, holder: Holder) -> list[Reservation]:
        return [one for one in self.reservations if one.holder == holder]

    def day_of_holder(self, holder: Holder) -> date:
        return self.demands[holder.name].due_on

    def lot_last_day(self, lot: Lot) -> date | None:
        if lot.expires_on is not None:
            return lot.expires_on
        life = self.items[lot.key.item].whole_days
        return None if life is None or lot.received_on is None else lot.received_on + timedelta(days=life)

    def opened_until(self, spot: Spot) -> date | None:
        life, opened_on = self.items[spot.item].opened_life_days, self.portions[spot].opened_on
        return None if life is None or opened_on is None else opened_on + timedelta(days=life)

    def last_day(self, spot: Spot) -> date | None:
        days = [self.lot_last_day(self.lots[spot.lot]), self.opened_until(spot)]
        return min((day for day in days if day is not None), default=None)

    def spoilt(self, spot: Spot, on: date, at: datetime | None) -> bool:
        """Past its last day. A life in hours, not cut short by what went in, is counted from the making."""
        lot, rules = self.lots[spot.lot], self.items[spot.item]
        if at is not None and rules.life_hours is not None and lot.made_at is not None:
            own_last_day = lot.made_at.date() + timedelta(days=rules.whole_days or 0)
            if at - lot.made_at >= timedelta(hours=rules.life_hours, minutes=1):
                return True
            cut_short = lot.expires_on is not None and lot.expires_on < own_last_day
            days = [lot.expires_on if cut_short else None, self.opened_until(spot)]
        else:
            days = [self.last_day(spot)]
        return any(day is not None and day < on for day in days)

    def unusable(self, spot: Spot, on: date, at: datetime | None = None) -> str:
        """Why this stock may not be used on a day (at a moment); blank where it may."""
        lot = self.lots[spot.lot]
        if lot.status in (REJECTED, HELD):
            return lot.status
        if spot.set_apart:
            return "set_apart"
        if self.spoilt(spot, on, at):
            return "expired"
        if lot.status == QUARANTINE:
            return "quarantine"
        retest_on = self.retest_on(lot)
        if retest_on is not None and retest_on < on:
            return "retest"
        if self.here_from(lot) > on:
            return "not_yet"
        return ""

    def retest_on(self, lot: Lot) -> date | None:
        days = self.items[lot.key.item].retest_days
        return None if days is None or lot.received_on is None else lot.received_on + timedelta(days=days)

    def here_from(self, lot: Lot) -> date:
        return max(lot.received_on or LONG_AGO, lot.available_on or LONG_AGO)

    def usable(self, item: str, on: date, min_remaining_days: int | None) -> list[Spot]:
        """Portions with something free that may be used and live long enough, first expiry first."""
        remaining = self.items[item].min_remaining_days if min_remaining_days is None else min_remaining_days
        wanted_until = on + timedelta(days=remaining)
        found = [
            spot
            for spot in self.portions
            if spot.item == item
            and self.free_of(spot) > 0
            and not self.unusable(spot, on)
            and (self.last_day(spot) or NEVER) >= wanted_until
        ]
        return sorted(found, key=self._first_expiry_first)

    def _first_expiry_first(self, spot: Spot) -> tuple[date, date, date, str, str, str]:
        lot = self.lots[spot.lot]
        last_day, received_on = self.last_day(spot) or NEVER, lot.received_on or LONG_AGO
        return last_day, self.here_from(lot), received_on, spot.number, spot.place, spot.container

    # -- the ledger ------------------------------------------------------------------------------

    @contextmanager
    def all_or_nothing(self) -> Iterator[None]:
        """Balances, promises and the ledger as they were, where something in here is refused."""
        balances = copy.deepcopy((self.portions, self.reservations, self.demands))
        freed_for = set(self.freed_for)
        written = len(self.events), len(self.dispatch_lines)
        try:
            yield
        except Refused:
            self.portions, self.reservations, self.demands = balances
            self.freed_for = freed_for
            del self.events[written[0] :], self.dispatch_lines[written[1] :]
            raise

    def post(self, kind: str, moves: dict[Spot, int], at: datetime | None = None, **more: object) -> Event:
        """Write one event. Where less is left than is set aside, the latest holder gives way first."""
        event = Event(kind, at or self.now, {spot: moved for spot, moved in moves.items() if moved}, **more)  # type: ignore[arg-type]
        for spot, moved in event.moves.items():
            self.portions[spot].on_hand += moved
            assert self.portions[spot].on_hand >= 0, "the act did not check what is here"
        for spot in event.moves:
            self._free_what_is_gone(spot)
        self.events.append(event)
        return event

    def _free_what_is_gone(self, spot: Spot) -> None:
        over = self.reserved(spot) - self.portions[spot].on_hand
        here = [one for one in self.reservations if one.spot == spot]
        for one in sorted(here, key=lambda one: (self.day_of_holder(one.holder), one.rank), reverse=True):
            if over <= 0:
                return
            given = min(over, one.quantity)
            over -= given
            self._lower(one, given)
            self.freed_for.add(one.holder)

    def _lower(self, one: Reservation, by: int) -> None:
        one.quantity -= by
        if not one.quantity:
            self.reservations.remove(one)

    def set_aside(self, spot: Spot, holder: Holder, quantity: int) -> None:
        for one in self.held_by(holder):
            if one.spot == spot:
                one.quantity += quantity
                return
        self._rank += 1
        self.reservations.append(Reservation(spot, holder, quantity, self._rank))

    def let_go(self, holder: Holder) -> None:
        self.reservations = [one for one in self.reservations if one.holder != holder]

    def _against_joining(self, spot: Spot, to: Spot, opened_on: date | None) -> list[str]:
        reasons = self._standing(to, opened_on)
        return [*reasons, "BadInput:same_place"] if to == spot else reasons

    def _standing(self, spot: Spot, opened_on: date | None) -> list[str]:
        """Why stock opened on this day (or never) may not join what stands there."""
        portion = self.portions.get(spot)
        differs = portion is not None and portion.on_hand > 0 and portion.opened_on != opened_on
        return ["WrongState:other_condition"] if differs else []

    def _stand(self, spot: Spot, opened_on: date | None = None) -> None:
        portion = self.portions.setdefault(spot, Portion())
        portion.opened_on = opened_on

    # -- lots ------------------------------------------------------------------------------------

    def take_in(self, lot: Lot, quantity: int, place: str, container: str, event: str, **more: object) -> None:
        """Bring a lot onto the books: opening stock, a delivery."""
        reasons = ["Conflict:number_taken"] if lot.key in self.lots else []
        if lot.expires_on and lot.received_on and lot.expires_on < lot.received_on:
            reasons.append("BadInput")
        if quantity < 1:
            reasons.append("BadInput")
        if reasons:
            raise Refused(*reasons)
        self.lots[lot.key] = lot
        spot = Spot(*lot.key, place, container)
        self._stand(spot)
        self.post(event, {spot: quantity}, **more)

    def decide(self, lots: Iterable[LotKey], status: str, why: str) -> None:
        changing = [self.lots[key] for key in lots if self.lots[key].status != status]
        if status == HELD:  # a rejected lot is worse than held already
            changing = [lot for lot in changing if lot.status != REJECTED]
        reasons = [reason for lot in changing if status == RELEASED for reason in self._against_release(lot, why)]
        if reasons:
            raise Refused(*reasons)
        for lot in changing:
            lot.status = status
            if status == RELEASED and lot.available_on is not None:
                lot.available_on = min(lot.available_on, self.today)
            lot.released_by = "by_decision" if status == RELEASED else ""

    def _against_release(self, lot: Lot, why: str) -> list[str]:
        last_day = self.lot_last_day(lot)
        reasons = []
        if lot.trial:
            reasons.append("WrongState:trial")
        if lot.origin == "made" and last_day is None:
            reasons.append("WrongState:no_life")
        if last_day is not None and last_day < self.today:
            reasons.append("WrongState:expired")
        if lot.status in (HELD, REJECTED) and not why:
            reasons.append("BadInput:why_needed")
        return reasons

    # -- portions --------------------------------------------------------------------------------

    def _not_there(self, spot: Spot, quantity: int) -> list[str]:
        if quantity < 1:
            return ["BadInput"]
        return ["Shortage:not_on_hand"] if quantity > self.portions[spot].on_hand else []

    def _against_taking(self, spot: Spot, quantity: int | None) -> list[str]:
        """Why so much of it, or all (None), may not be taken from where it stands."""
        if quantity is None:
            return [] if self.portions[spot].on_hand else ["WrongState:not_on_hand"]
        return self._not_there(spot, quantity)

    def move(self, spot: Spot, quantity: int | None, place: str, container: str) -> None:
        to = spot._replace(place=place, container=container)
        self._carry(spot, quantity, to, self.portions[spot].opened_on, reserved_too=True)

    def put_apart(self, spot: Spot, quantity: int | None) -> None:
        if spot.set_apart:
            raise Refused("WrongState:set_apart")
        self._carry(spot, quantity, spot._replace(set_apart=True), self.portions[spot].opened_on)

    def put_back(self, spot: Spot, quantity: int | None) -> None:
        if not spot.set_apart:
            raise Refused("WrongState:not_set_apart")
        self._carry(spot, quantity, spot._replace(set_apart=False), self.portions[spot].opened_on)

    def open_container(self, spot: Spot, quantity: int | None, container: str) -> None:
        """A whole portion opens where it stands and keeps what is set aside; a part gets a container of its own."""
        portion = self.portions[spot]
        reasons = self._against_taking(spot, quantity)
        quantity = portion.on_hand if quantity is None else quantity
        to = spot if quantity == portion.on_hand else spot._replace(container=container)
        if portion.opened_on is not None:
            reasons.append("WrongState:opened")
        if reasons:
            raise Refused(*reasons, *self._against_joining(spot, to, self.today))
        if quantity == portion.on_hand:
            portion.opened_on = self.today
            self.post("opened", {}, told=spot)
        else:
            self._carry(spot, quantity, to, self.today, kind="opened")

    def _carry(
        self,
        spot: Spot,
        quantity: int | None,
        to: Spot,
        opened_on: date | None,
        *,
        kind: str = "moved",
        reserved_too: bool = False,
    ) -> None:
        on_hand = self.portions[spot].on_hand
        reasons = self._against_taking(spot, quantity) + self._against_joining(spot, to, opened_on)
        quantity = on_hand if quantity is None else quantity
        if reasons:
            raise Refused(*reasons)
        carried = []
        if reserved_too and quantity == on_hand:
            carried = sorted((one for one in self.reservations if one.spot == spot), key=lambda one: one.rank)
            self.reservations = [one for one in self.reservations if one.spot != spot]
        self._stand(to, opened_on)
        self.post(kind, {spot: -quantity, to: quantity})
        for one in carried:
            self.set_aside(to, one.holder, one.quantity)

    # -- physical truth --------------------------------------------------------------------------

    def count(self, spot: Spot, counted: int, at: datetime | None = None) -> None:
        """A count of an earlier moment is held against what the books held then; what moved since stays."""
        since = 0
        if at is not None:
            since = sum(event.moves.get(spot, 0) for event in self.events if event.at > at)
        difference = counted - (self.portions[spot].on_hand - since)
        if counted < 0:
            raise Refused("BadInput")
        if difference and at is not None and self._came_after(spot, at.date()):
            raise Refused("BadInput:before_it_came")
        if self.portions[spot].on_hand + difference < 0:
            raise Refused("Shortage:not_on_hand")
        self.post("counted", {spot: difference}, at, told=spot)

    def _came_after(self, spot: Spot, day: date) -> bool:
        """Whether the lot was received or made after that day; opening stock may have been here long before."""
        came = [event.at.date() for event in self.events if any(to.lot == spot.lot for to in event.moves)]
        return self.lots[spot.lot].origin != "opening" and bool(came) and day < min(came)

    def take_out(self, kind: str, spot: Spot, quantity: int) -> None:
        """Thrown away, sampled or sent back, whatever the lot's status; only what was bought can be sent back."""
        reasons = self._not_there(spot, quantity)
        if kind == "sent_back" and self.lots[spot.lot].origin not in ("received", "opening"):
            reasons.append("WrongState:not_bought")
        if reasons:
            raise Refused(*reasons)
        self.post(kind, {spot: -quantity}, told=spot)

    # -- setting aside ---------------------------------------------------------------------------

    def choose(
        self, wants: Sequence[tuple[str, int, bool]], on: date, min_remaining_days: int | None
    ) -> list[tuple[Spot, int]]:
        """For each (item, quantity, from one lot) what is taken of which portion; all wants or Shortage."""
        left = {spot: self.free_of(spot) for spot in self.portions}
        chosen: list[tuple[Spot, int]] = []
        for item, quantity, single_lot in sorted(wants, key=lambda want: not want[2]):
            spots = self.usable(item, max(on, self.today), min_remaining_days)
            if single_lot:
                spots = self._first_lot_with(spots, left, quantity)
            if sum(left[spot] for spot in spots) < quantity:
                raise Refused("Shortage:shortage")
            for spot in spots:
                part = min(quantity, left[spot])
                if part:
                    chosen.append((spot, part))
                    left[spot] -= part
                    quantity -= part
        return chosen

    def _first_lot_with(self, spots: Sequence[Spot], left: dict[Spot, int], quantity: int) -> list[Spot]:
        for first in spots:
            of_lot = [spot for spot in spots if spot.lot == first.lot]
            if sum(left[spot] for spot in of_lot) >= quantity:
                return of_lot
        return []

    def want(self, name: str, item: str, quantity: int, due_on: date, customer: str) -> None:
        if quantity < 1:
            raise Refused("BadInput")
        if name in self.demands:
            raise Refused("Conflict:demand_exists")
        self.demands[name] = Demand(name, item, quantity, due_on, customer)

    def close_demand(self, name: str) -> None:
        demand = self.demands[name]
        if demand.closed:
            raise Refused("WrongState:closed")
        self.let_go(Holder("demand", name))
        demand.closed = True

    def reserve_demand(self, name: str, quantity: int) -> None:
        demand, holder = self.demands[name], Holder("demand", name)
        if quantity < 1:
            raise Refused("BadInput")
        if sum(one.quantity for one in self.held_by(holder)) + quantity > demand.open:
            raise Refused("WrongState:more_than_wanted")
        remaining = self.customers.get(demand.customer)
        for spot, part in self.choose([(demand.item, quantity, False)], demand.due_on, remaining):
            self.set_aside(spot, holder, part)

    # -- buying ----------------------------------------------------------------------------------

    def order(self, item: str, quantity: int) -> None:
        self.order_lines.append(OrderLine(item, quantity))

    def close_order_line(self, line: int) -> None:
        if self.order_lines[line].closed:
            raise Refused("WrongState:closed")
        self.order_lines[line].closed = self.order_lines[line].closed_by_hand = True

    def receive(
        self,
        key: LotKey,
        quantity: int,
        place: str,
        *,
        status: str = QUARANTINE,
        expires_on: date | None = None,
        order_line: int | None = None,
    ) -> None:
        """A quarantined delivery counts from its day plus the item's release days."""
        if order_line is not None and self.order_lines[order_line].closed:
            raise Refused("WrongState:closed")
        rules = self.items[key.item]
        lot = Lot(key, "received", status, self.today, expires_on=expires_on)
        if status == QUARANTINE:
            lot.available_on = self.today + timedelta(days=rules.release_days)
        if status == RELEASED:
            lot.released_by = "by_decision"
        self.take_in(lot, quantity, place, "", "received", order_line=order_line)
        if order_line is not None:
            line = self.order_lines[order_line]
            line.received += quantity
            line.closed = line.received >= line.quantity

    # -- leaving and coming back -----------------------------------------------------------------

    def dispatch(
        self, leaving: Sequence[tuple[Spot, int, str | None]], customer: str, kind: str, reference: str
    ) -> None:
        """Lots leave together, to a customer or to the public (blank): all of them or none."""
        bad = ["BadInput"] if any(quantity < 1 for _, quantity, _ in leaving) else []
        try:
            with self.all_or_nothing():
                for spot, quantity, demand in leaving:
                    self._let_leave(spot, quantity, demand, customer, kind, reference)
        except Refused as refusal:
            raise Refused(*refusal.reasons, *bad) from None

    def _let_leave(
        self, spot: Spot, quantity: int, wanted: str | None, customer: str, kind: str, reference: str
    ) -> None:
        demand = None if wanted is None else self.demands[wanted]
        own = next((one for one in self._of_demand(wanted) if one.spot == spot), None)
        from_own = 0 if own is None else min(own.quantity, quantity)
        reasons = self._against_leaving(spot, quantity, from_own, kind)
        if demand is not None:
            if demand.item != spot.item:
                reasons.append("BadInput:wrong_item")
            if demand.customer != customer:
                reasons.append("BadInput:wrong_customer")
            if quantity > demand.open:
                reasons.append("WrongState:more_than_wanted")
        if reasons:
            raise Refused(*reasons)
        if own is not None:
            self._lower(own, from_own)
        self.dispatch_lines.append(DispatchLine(spot.lot, quantity, customer, self.today, reference, kind, wanted))
        self.post("dispatched", {spot: -quantity}, line=len(self.dispatch_lines) - 1)
        if demand is not None:
            demand.dispatched += quantity
            self._keep_no_more_than_wanted(demand)

    def _of_demand(self, name: str | None) -> list[Reservation]:
        return [] if name is None else self.held_by(Holder("demand", name))

    def _against_leaving(self, spot: Spot, quantity: int, from_own: int, kind: str) -> list[str]:
        """Goods written off as damaged leave whatever their status, and whoever they were promised to."""
        if quantity < 1:
            return ["BadInput"]
        reasons = ["WrongState:trial"] if self.lots[spot.lot].trial else []
        if kind == "damaged":
            return reasons + self._not_there(spot, quantity)
        unusable = self.unusable(spot, self.today, self.now)
        if unusable:
            reasons.append(f"Unusable:{unusable}")
        if quantity - from_own > self.free_of(spot):
            reasons.append("Shortage:shortage")
        return reasons

    def _keep_no_more_than_wanted(self, demand: Demand) -> None:
        rows = self.held_by(Holder("demand", demand.name))
        over = sum(one.quantity for one in rows) - demand.open
        for one in sorted(rows, key=lambda one: one.rank, reverse=True):
            given = max(0, min(over, one.quantity))
            over -= given
            self._lower(one, given)

    def take_back(self, line: int, quantity: int, place: str) -> None:
        """What comes back stands apart until it is decided on."""
        left = self.dispatch_lines[line]
        spot = Spot(*left.lot, place, "", True)
        reasons = self._standing(spot, None)
        if quantity < 1:
            reasons.append("BadInput")
        if quantity > (0 if left.corrected else left.quantity - left.returned):
            reasons.append("WrongState:more_than_left")
        if reasons:
            raise Refused(*reasons)
        self._stand(spot)
        self.post("returned", {spot: quantity}, line=line)
        left.returned += quantity

    # -- correcting ------------------------------------------------------------------------------

    def correct(self, number: int) -> None:
        """Undo one event by its opposite, at its own moment. What a making used or made is taken back at the making."""
        event = self.events[number]
        reasons = self.against_correction(event) + self._against_condition(event)
        if event.kind in ("used", "made") and event.batch is not None:
            reasons += ["WrongState:of_a_making", "WrongState:ended"]
        if reasons:
            raise Refused(*reasons)
        self._undo(event)
        self._bring_along(event)

    def against_correction(self, event: Event) -> list[str]:
        reasons = []
        if event.kind == "corrected":
            reasons.append("WrongState:is_correction")
        if event.corrected:
            reasons.append("WrongState:already_corrected")
        if event.kind == "dispatched" and event.line is not None and self.dispatch_lines[event.line].returned:
            reasons.append("WrongState:returned")
        if any(self.portions[spot].on_hand < moved for spot, moved in event.moves.items()):
            reasons.append("WrongState:stock_gone")
        return reasons

    def _against_condition(self, event: Event) -> list[str]:
        """What was carried goes back as it is now; what was opened must still be that, to be closed again."""
        if event.kind == "opened" and not event.moves:
            assert event.told is not None
            portion = self.portions[event.told]
            still = portion.on_hand > 0 and portion.opened_on == event.at.date()
            return [] if still else ["WrongState:stock_gone"]
        if event.kind in ("moved", "opened"):
            source, target = self._carried(event)
            return self._standing(source, self._condition_back(event, target))
        return []

    def _carried(self, event: Event) -> tuple[Spot, Spot]:
        source = next(spot for spot, moved in event.moves.items() if moved < 0)
        return source, next(spot for spot, moved in event.moves.items() if moved > 0)

    def _condition_back(self, event: Event, target: Spot) -> date | None:
        return None if event.kind == "opened" else self.portions[target].opened_on

    def _undo(self, event: Event) -> None:
        if event.kind in ("moved", "opened") and event.moves:
            source, target = self._carried(event)
            self._stand(source, self._condition_back(event, target))
        elif event.kind == "opened":
            assert event.told is not None
            self.portions[event.told].opened_on = None
        event.corrected = True
        opposite = {spot: -moved for spot, moved in event.moves.items()}
        self.post("corrected", opposite, event.at, batch=event.batch, line=event.line, told=event.told)

    def _bring_along(self, event: Event) -> None:
        quantity = sum(abs(moved) for moved in event.moves.values())
        if event.kind == "dispatched" and event.line is not None:
            line = self.dispatch_lines[event.line]
            line.corrected = True
            if line.demand is not None:
                self.demands[line.demand].dispatched -= quantity
        elif event.kind == "returned" and event.line is not None:
            self.dispatch_lines[event.line].returned -= quantity
        elif event.kind == "received" and event.order_line is not None:
            order_line = self.order_lines[event.order_line]
            order_line.received -= quantity
            order_line.closed = order_line.closed_by_hand or order_line.received >= order_line.quantity

    # -- lineage ---------------------------------------------------------------------------------

    def sums(self, lot: LotKey) -> dict[str, int]:
        """Quantities of one lot by kind, all above nothing except counts and corrections, which keep their sign."""
        found = dict.fromkeys(SUM_KINDS, 0)
        for event in self.events:
            moved = sum(quantity for spot, quantity in event.moves.items() if spot.lot == lot)
            if event.kind in found:
                signed = event.kind in ("counted", "corrected", "opening", "received", "made", "returned")
                found[event.kind] += moved if signed else -moved
        found["on_hand"] = sum(portion.on_hand for spot, portion in self.portions.items() if spot.lot == lot)
        return found

    def used_in(self, batch: str) -> dict[LotKey, int]:
        """What went into a making and stayed, by lot."""
        found: dict[LotKey, int] = {}
        for event in self.events:
            if event.batch == batch and event.kind == "used" and not event.corrected:
                for spot, quantity in event.moves.items():
                    found[spot.lot] = found.get(spot.lot, 0) - quantity
        return found
