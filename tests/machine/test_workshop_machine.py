"""Random days in the workshop: the services against a plain model of it, step by step.

Hypothesis takes acts in random order (also ones that must be refused), does each in the model and through the
services, and compares what came of it: balances, reservations, lots, batches, demands, the ledger and traces; and a
plan made after the last one with the plan made anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any
from unittest import mock

import pytest
from django.db import transaction
from django.db.models import Prefetch
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from inventory import ledger, tracing
from inventory import models as stored
from inventory.errors import DomainError
from inventory.services import buying, correcting, counting, dispatching, lots, reserving
from inventory.services.reserving import Want
from planner import services as planning
from production import models as made
from production.services import batches, finishing, weighing
from tests.machine import bench
from tests.machine.bench import Workshop
from tests.machine.books import (
    BOUGHT,
    CUSTOMERS,
    FORMULAS,
    GRAM,
    ITEMS,
    PUBLIC,
    Books,
    batches_in_books,
    find_batch,
    find_lot,
    find_portion,
    lots_in_books,
    portions_in_books,
    reservations_in_books,
    spot_of,
    step_of,
    write_master_data,
)
from tests.machine.model import (
    HELD,
    QUARANTINE,
    REJECTED,
    RELEASED,
    Event,
    Holder,
    Lot,
    LotKey,
    Refused,
    Spot,
)

FIRST_MORNING = datetime(2026, 3, 2, 9, tzinfo=UTC)
PLACES = ("", "shelf", "market")


def says(error: DomainError) -> str:
    return f"{type(error).__name__}:{error.facts.get('reason', error.code)}"


class WorkshopMachine(RuleBasedStateMachine):
    """Every rule does one act in the model and through the services; ``compare`` looks at the rest."""

    books: Books

    def __init__(self) -> None:
        super().__init__()
        self.model = Workshop(ITEMS, CUSTOMERS, FIRST_MORNING, formulas=FORMULAS)
        self.ledger_ids: list[int] = []  # of the stock events, by the model's number
        self.dispatch_line_ids: list[int] = []
        self.order_line_ids: list[int] = []
        self.weighing_ids: dict[str, list[int]] = {}
        self.seen: dict[object, Any] = {}  # rows as they were when first looked at
        self.steps = 0
        self.last = ""  # what came of the last act
        self.planned: planning.PlanRun | None = None
        self.given = 0  # numbers given to lots and batches
        self.running = ExitStack()
        self.running.enter_context(mock.patch("inventory.clock.now", self.now))
        self.running.enter_context(undone_at_the_end())

    def now(self) -> datetime:
        return self.model.now

    def teardown(self) -> None:
        self.running.close()

    # -- doing an act twice ----------------------------------------------------------------------

    def act(self, modelled: Callable[[], object], served: Callable[[], Any]) -> Any:
        """Do it in the model, then through the services: both succeed, or the service refuses for a reason it had."""
        self.model.freed_for = set()
        expected: frozenset[str] = frozenset()
        try:
            modelled()
        except Refused as refusal:
            expected = refusal.reasons
        answer, refused = None, None
        try:
            answer = served()
        except DomainError as error:
            refused = error
        self.last = says(refused) if refused else "done"
        if refused is None:
            assert not expected, f"the service does what the model refuses: {sorted(expected)}"
            self.read_new_events()
            return answer
        assert expected & {says(refused), type(refused).__name__}, (
            f"the service says {says(refused)} ({refused.message}); the model {sorted(expected) or 'does it'}"
        )
        return None

    def read_new_events(self) -> None:
        """The ledger grew by exactly the events that the model wrote."""
        rows = (
            stored.StockEvent.objects.filter(pk__gt=self.ledger_ids[-1] if self.ledger_ids else 0)
            .select_related("transformation", "corrects")
            .prefetch_related(Prefetch("movements", stored.Movement.objects.select_related("portion__lot__item")))
            .order_by("pk")
        )
        written = [
            (
                row.kind,
                row.happened_at,
                row.transformation.code if row.transformation else None,
                {spot_of(movement.portion): movement.quantity for movement in row.movements.all()},
            )
            for row in rows
        ]
        modelled = [
            (event.kind, event.at, event.batch, event.moves) for event in self.model.events[len(self.ledger_ids) :]
        ]
        assert written == modelled
        self.ledger_ids += [row.pk for row in rows]

    # -- rows of the books -----------------------------------------------------------------------

    def row(self, data: st.DataObject, key: object, find: Callable[[], Any]) -> Any:
        """A row as it is now, or as somebody saw it before: a service must not trust what it is handed."""
        if key in self.seen and data.draw(st.booleans(), label="as seen before"):
            return self.seen[key]
        found = find()
        self.seen.setdefault(key, found)
        return found

    def portion(self, data: st.DataObject, spot: Spot) -> stored.Portion:
        return self.row(data, spot, lambda: find_portion(spot))

    def lot(self, data: st.DataObject, key: LotKey) -> stored.Lot:
        return self.row(data, key, lambda: find_lot(key))

    def batch(self, data: st.DataObject, code: str) -> made.Batch:
        return self.row(data, code, lambda: find_batch(code))

    def line(self, data: st.DataObject, code: str, position: int) -> made.BatchLine:
        return self.row(
            data,
            (code, position),
            lambda: made.BatchLine.objects.select_related(
                "batch__transformation__item", "batch__version__formula__item", "item"
            ).get(batch__transformation__code=code, position=position),
        )

    def demand(self, data: st.DataObject, name: str) -> stored.Demand:
        return self.row(
            data,
            ("demand", name),
            lambda: stored.Demand.objects.select_related("item", "customer").get(reference=name),
        )

    # -- choosing --------------------------------------------------------------------------------

    def mostly(self, data: st.DataObject, label: str, choices: Sequence[Any], fitting: Callable[[Any], bool]) -> Any:
        """One of the fitting choices, or, one time in as many, a single one of the others."""
        fit = [choice for choice in choices if fitting(choice)]
        unfit = [choice for choice in choices if not fitting(choice)]
        if fit and unfit:
            unfit = [unfit[self.steps % len(unfit)]]
        return data.draw(st.sampled_from(fit + unfit), label=label)

    def any_spot(self, data: st.DataObject) -> Spot:
        """Mostly one that holds something, and rather one of which something is set aside."""
        spots = sorted(self.model.portions)
        promised = sorted({one.spot for one in self.model.reservations})
        return self.mostly(
            data, "portion", [*promised, *promised, *spots], lambda spot: self.model.portions[spot].on_hand > 0
        )

    def quantity(self, data: st.DataObject, spot: Spot, *more: int) -> int:
        """Around what matters for a portion: what is free, what is here, a little more."""
        on_hand, free = self.model.portions[spot].on_hand, self.model.free_of(spot)
        step = step_of(spot.item)
        choices = [step, 2 * step, free, on_hand // 2, on_hand, on_hand + 1, free + 1, 0, *more]
        return data.draw(st.sampled_from(sorted(set(choices))), label="quantity")

    def fresh_number(self, data: st.DataObject, taken: Sequence[str], prefix: str) -> str:
        """Mostly a number of its own."""
        self.given += 1
        fresh = [f"{prefix}{self.given}"] * 9
        return data.draw(st.sampled_from([*fresh, *sorted(taken)[-1:]]), label="number")

    def some_day(self, data: st.DataObject, *offsets: int) -> date:
        return self.model.today + timedelta(days=data.draw(st.sampled_from(offsets), label="days from today"))

    def a_batch(self, data: st.DataObject, *states: str) -> str:
        """Mostly one in these states."""
        codes = sorted(self.model.batches)
        return self.mostly(data, "batch", codes, lambda code: self.model.batches[code].state in states)

    def reason(self, data: st.DataObject) -> str:
        return data.draw(st.sampled_from(["because", "because", "because", ""]), label="why")

    @initialize()
    def stock_of_the_first_morning(self) -> None:
        """Enough to make something of, so that few days are spent on shortages alone."""
        for item, amount in (("OIL", 60), ("BUTTER", 40), ("WAX", 20), ("JAR", 20)):
            self.open_stock(LotKey(item, "L0"), amount, RELEASED, self.model.today, None, "")
        self.open_stock(LotKey("OIL", "M0"), 20, RELEASED, self.model.today, self.days_ahead(4), "")
        self.first_events = len(self.model.events)  # left as they are: nothing could be made without

    # -- days pass, stock comes ------------------------------------------------------------------

    @rule(hours=st.sampled_from([1, 6, 24, 72]))
    def time_passes(self, hours: int) -> None:
        self.model.now += timedelta(hours=hours)

    @rule(data=st.data())
    def opening_stock(self, data: st.DataObject) -> None:
        item = data.draw(st.sampled_from(BOUGHT), label="item")
        key = LotKey(item, self.fresh_number(data, [key.number for key in self.model.lots if key.item == item], "L"))
        amount = data.draw(st.sampled_from([5, 20, 60]), label="amount")
        status = data.draw(st.sampled_from([RELEASED, RELEASED, QUARANTINE, HELD]), label="status")
        received_on = self.some_day(data, 0, -5)
        expires_on = data.draw(st.sampled_from([None, received_on + timedelta(days=8)]), label="expires on")
        place = data.draw(st.sampled_from(PLACES), label="place")
        self.open_stock(key, amount, status, received_on, expires_on, place)

    def open_stock(
        self, key: LotKey, amount: int, status: str, received_on: date, expires_on: date | None, place: str
    ) -> None:
        amount *= step_of(key.item)
        lot = Lot(key, "opening", status, received_on, expires_on=expires_on)
        lot.released_by = "by_decision" if status == RELEASED else ""
        row = lots.OpeningRow(
            item=self.books.items[key.item],
            number=key.number,
            quantity=amount,
            status=status,
            received_on=received_on,
            expires_on=expires_on,
            place=place,
        )
        self.act(
            lambda: self.model.take_in(lot, amount, place, "", "opening"),
            lambda: lots.open_stock(rows=[row]),
        )

    @rule(data=st.data(), item=st.sampled_from(BOUGHT), amount=st.sampled_from([10, 30]))
    def order(self, data: st.DataObject, item: str, amount: int) -> None:
        amount *= step_of(item)
        line = buying.OrderLine(self.books.items[item], amount, self.some_day(data, 0, 3))
        placed = self.act(
            lambda: self.model.order(item, amount),
            lambda: buying.place_order(supplier=self.books.supplier, lines=[line]),
        )
        self.order_line_ids.append(placed.lines.get().pk)

    @rule(data=st.data())
    def receive(self, data: st.DataObject) -> None:
        numbers = range(len(self.model.order_lines))
        number = data.draw(st.sampled_from([None, *numbers]), label="order line")
        item = (
            data.draw(st.sampled_from(BOUGHT), label="item") if number is None else self.model.order_lines[number].item
        )
        key = LotKey(item, self.fresh_number(data, [key.number for key in self.model.lots if key.item == item], "R"))
        amount = data.draw(st.sampled_from([5, 10, 30, 40]), label="amount") * step_of(item)
        status = data.draw(st.sampled_from([RELEASED, QUARANTINE]), label="status")
        expires_on = data.draw(st.sampled_from([None, *map(self.days_ahead, (-1, 0, 1, 4))]), label="expires on")
        place = data.draw(st.sampled_from(PLACES), label="place")
        self.act(
            lambda: self.model.receive(key, amount, place, status=status, expires_on=expires_on, order_line=number),
            lambda: buying.receive(
                supplier=self.books.supplier,
                deliveries=[
                    buying.Delivery(
                        item=self.books.items[item],
                        quantity=amount,
                        number=key.number,
                        expires_on=expires_on,
                        status=status,
                        place=place,
                        order_line=None if number is None else self.order_line(data, number),
                    )
                ],
            ),
        )

    def days_ahead(self, days: int) -> date:
        return self.model.today + timedelta(days=days)

    def order_line(self, data: st.DataObject, number: int) -> stored.PurchaseOrderLine:
        return self.row(
            data,
            ("order line", number),
            lambda: stored.PurchaseOrderLine.objects.select_related("item").get(pk=self.order_line_ids[number]),
        )

    @precondition(lambda self: self.model.order_lines)
    @rule(data=st.data())
    def close_order_line(self, data: st.DataObject) -> None:
        number = data.draw(st.integers(0, len(self.model.order_lines) - 1), label="order line")
        self.act(
            lambda: self.model.close_order_line(number),
            lambda: buying.close_order_line(line=self.order_line(data, number), why="sold out"),
        )

    # -- deciding --------------------------------------------------------------------------------

    @precondition(lambda self: self.model.lots)
    @rule(data=st.data(), status=st.sampled_from([RELEASED, RELEASED, RELEASED, HELD, REJECTED, QUARANTINE]))
    def decide(self, data: st.DataObject, status: str) -> None:
        keys = data.draw(
            st.lists(st.sampled_from(sorted(self.model.lots)), min_size=1, max_size=2, unique=True), label="lots"
        )
        why = self.reason(data)
        self.act(
            lambda: self.model.decide(keys, status, why),
            lambda: lots.decide(lots=[self.lot(data, key) for key in keys], status=status, why=why),
        )

    @precondition(lambda self: self.model.lots)
    @rule(data=st.data())
    def recall(self, data: st.DataObject) -> None:
        """A bad lot and all that contains it are held in one action; some are released again."""
        key = data.draw(st.sampled_from(sorted(self.model.lots)), label="lot")
        status = data.draw(st.sampled_from([HELD, RELEASED]), label="status")
        reached = list(self.model.forward(key))
        self.act(
            lambda: self.model.decide(reached, status, "recall"),
            lambda: lots.decide(lots=tracing.affected([self.lot(data, key)]), status=status, why="recall"),
        )

    # -- portions --------------------------------------------------------------------------------

    def part(self, data: st.DataObject, spot: Spot) -> int | None:
        return data.draw(st.sampled_from([None, "some"]), label="how much") and self.quantity(data, spot)

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), place=st.sampled_from(PLACES), container=st.sampled_from(["", "box"]))
    def move(self, data: st.DataObject, place: str, container: str) -> None:
        """Also to the market and what was not sold there back."""
        spot = self.any_spot(data)
        quantity = self.part(data, spot)
        self.act(
            lambda: self.model.move(spot, quantity, place, container),
            lambda: lots.move(portion=self.portion(data, spot), quantity=quantity, place=place, container=container),
        )

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), container=st.sampled_from(["open jar", "box"]))
    def open_container(self, data: st.DataObject, container: str) -> None:
        spot = self.any_spot(data)
        quantity = self.part(data, spot)
        self.act(
            lambda: self.model.open_container(spot, quantity, container),
            lambda: lots.open_container(portion=self.portion(data, spot), quantity=quantity, container=container),
        )

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data())
    def set_apart(self, data: st.DataObject) -> None:
        spot = self.any_spot(data)
        quantity = self.part(data, spot)
        self.act(
            lambda: self.model.put_apart(spot, quantity),
            lambda: lots.set_apart(portion=self.portion(data, spot), quantity=quantity),
        )

    @precondition(lambda self: any(spot.set_apart for spot in self.model.portions))
    @rule(data=st.data())
    def put_back(self, data: st.DataObject) -> None:
        spot = data.draw(st.sampled_from(sorted(spot for spot in self.model.portions if spot.set_apart)))
        quantity = self.part(data, spot)
        self.act(
            lambda: self.model.put_back(spot, quantity),
            lambda: lots.put_back(portion=self.portion(data, spot), quantity=quantity),
        )

    # -- physical truth --------------------------------------------------------------------------

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), hours_ago=st.sampled_from([None, None, None, 1, 24]))
    def count(self, data: st.DataObject, hours_ago: int | None) -> None:
        spot = self.any_spot(data)
        counted = self.quantity(data, spot, self.model.reserved(spot) - 1)
        at = None if hours_ago is None else self.model.now - timedelta(hours=hours_ago)
        self.act(
            lambda: self.model.count(spot, counted, at),
            lambda: counting.count(portion=self.portion(data, spot), counted=counted, happened_at=at),
        )

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), kind=st.sampled_from(["discarded", "sampled", "sent_back"]))
    def take_out(self, data: st.DataObject, kind: str) -> None:
        spot = self.any_spot(data)
        quantity = self.quantity(data, spot)
        service = {"discarded": counting.discard, "sampled": counting.sample, "sent_back": buying.send_back}[kind]
        self.act(
            lambda: self.model.take_out(kind, spot, quantity),
            lambda: service(portion=self.portion(data, spot), quantity=quantity, why="not fit"),
        )

    @precondition(lambda self: self.model.events)
    @rule(data=st.data())
    def correct(self, data: st.DataObject) -> None:
        """Any event; what a making used must be refused: that is taken back as a reading."""
        events = self.model.events
        numbers = range(self.first_events, len(events))
        if not numbers:
            return
        kinds = sorted({events[number].kind for number in numbers if self.may_be_corrected(events[number])})
        kind = data.draw(st.sampled_from([*kinds, "any"]), label="kind")
        number = self.mostly(
            data,
            "event",
            [number for number in reversed(numbers) if kind in ("any", events[number].kind)],
            lambda number: self.may_be_corrected(events[number]),
        )
        self.correct_event(number)

    def correct_event(self, number: int) -> None:
        self.act(
            lambda: self.model.correct(number),
            lambda: correcting.correct(
                event=stored.StockEvent.objects.get(pk=self.ledger_ids[number]), why="a slip of the pen"
            ),
        )

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), place=st.sampled_from(PLACES))
    def regret_a_move(self, data: st.DataObject, place: str) -> None:
        """Carried elsewhere, opened there (or counted), and then it had never been carried."""
        spot = self.any_spot(data)
        there = spot._replace(place=place, container="crate")
        number = len(self.model.events)
        self.act(
            lambda: self.model.move(spot, None, place, "crate"),
            lambda: lots.move(portion=self.portion(data, spot), place=place, container="crate"),
        )
        if self.last != "done":
            return
        counted = data.draw(st.sampled_from([None, 1]), label="counted there")
        if counted is None:
            self.act(
                lambda: self.model.open_container(there, None, ""),
                lambda: lots.open_container(portion=self.portion(data, there)),
            )
        else:
            self.act(
                lambda: self.model.count(there, counted),
                lambda: counting.count(portion=self.portion(data, there), counted=counted),
            )
        self.correct_event(number)

    def may_be_corrected(self, event: Event) -> bool:
        return event.batch is None and not self.model.against_correction(event)

    # -- demands and dispatch --------------------------------------------------------------------

    @rule(data=st.data(), customer=st.sampled_from([*CUSTOMERS, PUBLIC]), amount=st.sampled_from([4, 1, 15]))
    def want(self, data: st.DataObject, customer: str, amount: int) -> None:
        """Also of what is bought, and often with stock set aside at once."""
        here = {spot.item for spot, portion in self.model.portions.items() if portion.on_hand}
        item = self.mostly(data, "item", ("CREAM", "OIL", "JAR", "BALM"), lambda item: item in here)
        amount *= step_of(item)
        due_on = self.some_day(data, 0, 1, 3, -1)
        name = self.fresh_number(data, [], "W")
        self.act(
            lambda: self.model.want(name, item, amount, due_on, customer),
            lambda: dispatching.want(
                item=self.books.items[item],
                quantity=amount,
                due_on=due_on,
                customer=self.books.parties[customer],
                reference=name,
            ),
        )
        if data.draw(st.booleans(), label="set aside at once"):
            self.set_aside_for(data, name)

    def a_demand(self, data: st.DataObject) -> str:
        """Mostly one that is still open."""
        return self.mostly(data, "demand", sorted(self.model.demands), lambda name: self.model.demands[name].open > 0)

    @precondition(lambda self: self.model.demands)
    @rule(data=st.data())
    def close_demand(self, data: st.DataObject) -> None:
        name = self.a_demand(data)
        self.act(
            lambda: self.model.close_demand(name),
            lambda: dispatching.close_demand(demand=self.demand(data, name)),
        )

    @precondition(lambda self: self.model.demands)
    @rule(data=st.data())
    def reserve_demand(self, data: st.DataObject) -> None:
        self.set_aside_for(data, self.a_demand(data))

    def set_aside_for(self, data: st.DataObject, name: str) -> None:
        demand = self.model.demands[name]
        still = demand.open - sum(one.quantity for one in self.model.held_by(Holder("demand", name)))
        quantity = data.draw(st.sampled_from([still, 1, still, still + 1, still // 2]), label="quantity")
        self.act(
            lambda: self.model.reserve_demand(name, quantity),
            lambda: reserving.reserve(
                wants=[Want(self.books.items[demand.item].pk, quantity)],
                on=demand.due_on,
                demand=self.demand(data, name),
            ),
        )

    @precondition(lambda self: self.model.demands)
    @rule(data=st.data())
    def free_demand(self, data: st.DataObject) -> None:
        name = self.a_demand(data)
        self.act(
            lambda: self.model.let_go(Holder("demand", name)),
            lambda: reserving.free(demand=self.demand(data, name)),
        )

    @precondition(lambda self: self.model.portions)
    @rule(data=st.data(), kind=st.sampled_from(["sale", "sale", "gift", "damaged"]), lines=st.integers(1, 2))
    def dispatch(self, data: st.DataObject, kind: str, lines: int) -> None:
        """To somebody who wants it, or just so; more than is wanted, free or fit must be refused."""
        customer = data.draw(st.sampled_from([*CUSTOMERS, PUBLIC]), label="customer")
        leaving: list[tuple[Spot, int, str | None]] = []
        for _ in range(lines):
            spot = self.any_spot(data)
            asked = [
                name
                for name, demand in sorted(self.model.demands.items())
                if (demand.item, demand.customer) == (spot.item, customer)
            ]
            name = data.draw(st.sampled_from([None, *asked]), label="demand")
            still = [] if name is None else [self.model.demands[name].open]
            leaving.append((spot, self.quantity(data, spot, *still), name))
        self.leave(data, leaving, customer, kind)

    def leave(self, data: st.DataObject, leaving: list[tuple[Spot, int, str | None]], customer: str, kind: str) -> None:
        sent = self.act(
            lambda: self.model.dispatch(leaving, customer, kind, "by hand"),
            lambda: dispatching.dispatch(
                lines=[
                    dispatching.Leaving(
                        self.portion(data, spot), quantity, None if name is None else self.demand(data, name)
                    )
                    for spot, quantity, name in leaving
                ],
                customer=self.books.parties[customer],
                public_place="" if customer else "market square",
                kind=kind,
                reference="by hand",
            ),
        )
        if sent is not None:
            self.dispatch_line_ids += sent.lines.order_by("pk").values_list("pk", flat=True)

    @precondition(lambda self: any(demand.open for demand in self.model.demands.values()))
    @rule(data=st.data())
    def dispatch_what_is_wanted(self, data: st.DataObject) -> None:
        """From what is set aside for the demand, else from any portion of the item."""
        wanted = [name for name, demand in sorted(self.model.demands.items()) if demand.open]
        name = data.draw(st.sampled_from(wanted), label="demand")
        demand = self.model.demands[name]
        held = [one.spot for one in self.model.held_by(Holder("demand", name))]
        spots = held or sorted(spot for spot in self.model.portions if spot.item == demand.item)
        if not spots:
            return
        spot = data.draw(st.sampled_from(spots), label="portion")
        quantity = min(demand.open, max(1, self.model.portions[spot].on_hand))
        self.leave(data, [(spot, quantity, name)], demand.customer, "sale")

    @precondition(lambda self: self.model.dispatch_lines)
    @rule(data=st.data(), place=st.sampled_from(PLACES))
    def take_back(self, data: st.DataObject, place: str) -> None:
        number = data.draw(st.integers(0, len(self.model.dispatch_lines) - 1), label="dispatch line")
        line = self.model.dispatch_lines[number]
        left = line.quantity - line.returned
        quantity = data.draw(st.sampled_from([1, left, left + 1]), label="quantity")
        self.act(
            lambda: self.model.take_back(number, quantity, place),
            lambda: dispatching.take_back(
                dispatch_line=self.row(
                    data,
                    ("dispatch line", number),
                    lambda: stored.DispatchLine.objects.select_related("lot__item").get(
                        pk=self.dispatch_line_ids[number]
                    ),
                ),
                quantity=quantity,
                place=place,
            ),
        )

    # -- batches ---------------------------------------------------------------------------------

    @rule(data=st.data(), name=st.sampled_from(sorted(FORMULAS)))
    def plan(self, data: st.DataObject, name: str) -> None:
        rules = FORMULAS[name]
        charge = data.draw(st.sampled_from([10 * GRAM, 20 * GRAM, 1] if rules.percent else [2, 5, 0]), label="charge")
        code = self.fresh_number(data, list(self.model.batches), "B")
        planned_for = self.some_day(data, 0, 1, 3)
        trial = rules.draft and data.draw(st.sampled_from([True, True, False]), label="trial")
        self.act(
            lambda: self.model.plan(code, name, charge, planned_for, trial),
            lambda: batches.plan(
                version=self.books.versions[name], charge=charge, planned_for=planned_for, code=code, trial=trial
            ),
        )

    @precondition(lambda self: self.model.batches)
    @rule(data=st.data())
    def change_plan(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.PLANNED, bench.RESERVED)
        batch = self.model.batches[code]
        charge = data.draw(st.sampled_from([batch.charge, 2 * batch.charge]), label="charge")
        planned_for = data.draw(st.sampled_from([batch.planned_for, self.days_ahead(2)]), label="planned for")
        self.act(
            lambda: self.model.change_plan(code, charge, planned_for),
            lambda: batches.change_plan(batch=self.batch(data, code), charge=charge, planned_for=planned_for),
        )

    @precondition(lambda self: self.model.batches)
    @rule(data=st.data())
    def reserve(self, data: st.DataObject) -> None:
        """At times of what stands in for a line, or of what does not."""
        code = self.a_batch(data, bench.PLANNED)
        instead = data.draw(st.sampled_from([{}, {}, {2: "WAX"}, {2: "OIL"}]), label="instead")
        self.act(
            lambda: self.model.reserve_batch(code, instead),
            lambda: batches.reserve(
                batch=self.batch(data, code),
                substitutes={position: self.books.items[item] for position, item in instead.items()},
            ),
        )

    @precondition(lambda self: self.model.batches)
    @rule(data=st.data())
    def unreserve(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.RESERVED)
        self.act(
            lambda: self.model.unreserve(code),
            lambda: batches.unreserve(batch=self.batch(data, code)),
        )

    @precondition(lambda self: self.model.batches)
    @rule(data=st.data())
    def start(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.RESERVED, bench.PLANNED)
        self.act(
            lambda: self.model.start(code),
            lambda: batches.start(batch=self.batch(data, code)),
        )

    @precondition(lambda self: self.model.batches)
    @rule(data=st.data())
    def cancel(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.PLANNED, bench.RESERVED, bench.STARTED)
        why = self.reason(data)
        self.act(
            lambda: self.model.cancel(code, why),
            lambda: batches.cancel(batch=self.batch(data, code), why=why),
        )

    # -- on the bench ----------------------------------------------------------------------------

    @precondition(lambda self: self.started())
    @rule(data=st.data())
    def weigh(self, data: st.DataObject) -> None:
        """Any portion into any line: the wrong item, too much, held stock; most often what the line needs."""
        code = self.a_batch(data, bench.STARTED)
        batch = self.model.batches[code]
        if not batch.lines:
            return
        line = data.draw(st.sampled_from(list(batch.lines.values())), label="line")
        spot = self.mostly(
            data, "portion", sorted(self.model.portions), lambda spot: spot.item in (line.item, line.substitute)
        )
        rest = max(1, int(line.required - self.model.weighed_into(batch, line)))
        quantity = self.quantity(data, spot, rest, rest, rest // 2)
        why, found = self.reason(data), data.draw(st.booleans(), label="found")
        done = data.draw(st.sampled_from([None, None, True, False]), label="done")
        self.put_in(data, code, line.position, spot, quantity, why, found=found, done=done)

    def put_in(
        self,
        data: st.DataObject,
        code: str,
        position: int,
        spot: Spot,
        quantity: int,
        why: str,
        *,
        found: bool = False,
        done: bool | None = None,
    ) -> None:
        weighed = self.act(
            lambda: self.model.weigh(code, position, spot, quantity, why=why, found=found, done=done),
            lambda: weighing.weigh(
                line=self.line(data, code, position),
                portion=self.portion(data, spot),
                quantity=quantity,
                why=why,
                found=found,
                done=done,
            ),
        )
        self.remember_weighing(code, weighed)

    def remember_weighing(self, code: str, weighed: made.Weighing | None) -> None:
        if weighed is not None:
            self.weighing_ids.setdefault(code, []).append(weighed.pk)

    def started(self) -> list[str]:
        return sorted(code for code, batch in self.model.batches.items() if batch.state == bench.STARTED)

    @precondition(lambda self: self.started())
    @rule(data=st.data())
    def draw_water(self, data: st.DataObject) -> None:
        code = data.draw(st.sampled_from(self.started()), label="batch")
        line = data.draw(st.sampled_from(list(self.model.batches[code].lines.values())[::-1]), label="line")
        quantity = data.draw(st.sampled_from([line.required, 2 * GRAM, 0]), label="quantity")
        self.pour(data, code, line.position, quantity, self.reason(data))

    def pour(self, data: st.DataObject, code: str, position: int, quantity: int, why: str) -> None:
        weighed = self.act(
            lambda: self.model.draw_water(code, position, quantity, why=why, done=None),
            lambda: weighing.draw_water(line=self.line(data, code, position), quantity=quantity, why=why),
        )
        self.remember_weighing(code, weighed)

    @precondition(lambda self: self.started())
    @rule(data=st.data())
    def add(self, data: st.DataObject) -> None:
        code = data.draw(st.sampled_from(self.started()), label="batch")
        item = data.draw(st.sampled_from(["WATER", "WAX", "OIL", "JAR"]), label="item")
        spots = sorted(spot for spot in self.model.portions if spot.item == item)
        spot = data.draw(st.sampled_from([None, *spots] if item == "WATER" else [*spots, None]), label="portion")
        quantity = data.draw(st.sampled_from([GRAM, 1]), label="quantity")
        why, found = self.reason(data), data.draw(st.booleans(), label="found")
        added = self.act(
            lambda: self.model.add(code, item, spot, quantity, why=why, found=found),
            lambda: weighing.add(
                batch=self.batch(data, code),
                item=self.books.items[item],
                portion=None if spot is None else self.portion(data, spot),
                quantity=quantity,
                why=why,
                found=found,
            ),
        )
        self.remember_weighing(code, added and added.weighing)

    @precondition(lambda self: any(self.model.batches[code].weighings for code in self.model.batches))
    @rule(data=st.data())
    def correct_weighing(self, data: st.DataObject) -> None:
        batches_now = self.model.batches
        readings = [(code, which) for code in sorted(batches_now) for which in range(len(batches_now[code].weighings))]
        code, which = self.mostly(
            data,
            "reading",
            readings[::-1],
            lambda one: (
                batches_now[one[0]].state == bench.STARTED and not batches_now[one[0]].weighings[one[1]].corrected
            ),
        )
        why = self.reason(data)
        self.act(
            lambda: self.model.correct_weighing(code, which, why),
            lambda: weighing.correct_weighing(
                weighing=self.row(
                    data,
                    ("weighing", code, which),
                    lambda: made.Weighing.objects.select_related("line__batch", "line__item", "event", "lot__item").get(
                        pk=self.weighing_ids[code][which]
                    ),
                ),
                why=why,
            ),
        )

    @precondition(lambda self: any(batch.formula.checks for batch in self.model.batches.values()))
    @rule(data=st.data(), value=st.sampled_from(["5.0", "5.5", "6"]))
    def record_check(self, data: st.DataObject, value: str) -> None:
        code = data.draw(
            st.sampled_from(sorted(code for code, batch in self.model.batches.items() if batch.formula.checks)),
            label="batch",
        )
        self.look(data, code, "pH", value)

    def look(self, data: st.DataObject, code: str, name: str, value: str) -> None:
        self.act(
            lambda: self.model.record_check(code, name, Decimal(value) <= Decimal("5.5")),
            lambda: weighing.record_check(
                batch=self.batch(data, code),
                check=made.Check.objects.get(version=find_batch(code).version_id, name=name),
                value=value,
            ),
        )

    @precondition(lambda self: self.started())
    @rule(data=st.data())
    def weigh_the_rest(self, data: st.DataObject) -> None:
        """As the sheet says: every open line from what is set aside for it, the water from the tap."""
        self.weigh_all(data, data.draw(st.sampled_from(self.started()), label="batch"))

    def weigh_all(self, data: st.DataObject, code: str) -> None:
        batch = self.model.batches[code]
        for line in list(batch.lines.values()):
            rest = int(line.required - self.model.weighed_into(batch, line))
            if line.done or rest <= 0:
                continue
            if ITEMS[line.item].drawn:
                self.pour(data, code, line.position, rest, "")
                continue
            for one in self.model.held_by(batch.holder):
                ratio = {line.item: 1, line.substitute: line.ratio}.get(one.spot.item, 0)
                part = min(rest * ratio, one.quantity)
                if part:
                    rest -= part // ratio
                    self.put_in(data, code, line.position, one.spot, part, "" if ratio == 1 else "stands in")

    @precondition(lambda self: self.started())
    @rule(data=st.data(), why=st.sampled_from(["", "", "short of one line"]))
    def finish(self, data: st.DataObject, why: str) -> None:
        code = self.a_batch(data, bench.STARTED)
        batch = self.model.batches[code]
        weighed = sum(one.quantity for one in batch.readings)
        outs = [weighed, weighed // 2, weighed + 1, 1, 0] if batch.formula.percent else [batch.charge, 1, 3]
        out = data.draw(st.sampled_from(outs), label="made")
        residue, left = data.draw(st.sampled_from([(0, 0), (GRAM, 0), (1, 2)]), label="residue, left in vessel")
        self.end(data, code, out, residue, left, why)

    def end(self, data: st.DataObject, code: str, out: int, residue: int, left: int, why: str) -> None:
        place = data.draw(st.sampled_from(PLACES), label="place")
        self.act(
            lambda: self.model.finish(code, out, residue, left, why, place),
            lambda: finishing.finish(
                batch=self.batch(data, code),
                made=out,
                residue_mg=residue,
                left_in_vessel_mg=left,
                why=why,
                place=place,
            ),
        )

    @precondition(lambda self: self.started())
    @rule(data=st.data())
    def abandon(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.STARTED)
        weighed = sum(one.quantity for one in self.model.batches[code].readings)
        rejected, waste = data.draw(
            st.sampled_from([(0, weighed), (0, 1), (1, 0), (weighed, 0), (1, weighed), (0, 0)]),
            label="rejected, waste",
        )
        why = self.reason(data)
        self.act(
            lambda: self.model.abandon(code, why, rejected, waste, "shelf"),
            lambda: finishing.abandon(
                batch=self.batch(data, code), why=why, rejected=rejected, waste_mg=waste, place="shelf"
            ),
        )

    @precondition(lambda self: any(lot.batch for lot in self.model.lots.values()))
    @rule(data=st.data())
    def reopen(self, data: st.DataObject) -> None:
        code = self.a_batch(data, bench.FINISHED, bench.ABANDONED)
        why = self.reason(data)
        self.act(
            lambda: self.model.reopen(code, why),
            lambda: finishing.reopen(batch=self.batch(data, code), why=why),
        )

    # -- what a day is mostly made of ------------------------------------------------------------

    @rule(data=st.data(), name=st.sampled_from(["base", "balm", "draft"]))
    def make_a_mass(self, data: st.DataObject, name: str) -> None:
        self.make_as_planned(data, name)

    @rule(data=st.data())
    def make_a_base(self, data: st.DataObject) -> None:
        self.make_as_planned(data, "base")

    @rule(data=st.data())
    def make_a_cream(self, data: st.DataObject) -> None:
        self.make_as_planned(data, "cream" if self.base_for_two() else "base")

    def base_for_two(self) -> bool:
        usable = self.model.usable("BASE", self.model.today, None)
        return any(self.model.free_of(spot) >= 4 * GRAM for spot in usable)

    def make_as_planned(self, data: st.DataObject, name: str) -> None:
        """A whole making without a hitch, as far as stock allows; or one that waits half done."""
        rules = FORMULAS[name]
        self.given += 1
        code, charge = f"B{self.given}", 10 * GRAM if rules.percent else 2
        day = self.some_day(data, 0, 2)
        self.act(
            lambda: self.model.plan(code, name, charge, day, rules.draft),
            lambda: batches.plan(
                version=self.books.versions[name], charge=charge, planned_for=day, code=code, trial=rules.draft
            ),
        )
        for _ in range(data.draw(st.sampled_from([4, 2, 3, 1]), label="steps")):
            self.next_step(data, code)

    @precondition(lambda self: self.going())
    @rule(data=st.data())
    def go_on(self, data: st.DataObject) -> None:
        self.next_step(data, data.draw(st.sampled_from(self.going()), label="batch"))

    def going(self) -> list[str]:
        states = (bench.PLANNED, bench.RESERVED, bench.STARTED)
        return sorted(code for code, batch in self.model.batches.items() if batch.state in states)

    def next_step(self, data: st.DataObject, code: str) -> None:
        """What is next for a batch in the usual way: set aside, start, weigh, finish."""
        batch = self.model.batches[code]
        if batch.state == bench.PLANNED:
            self.act(
                lambda: self.model.reserve_batch(code),
                lambda: batches.reserve(batch=self.batch(data, code)),
            )
        elif batch.state == bench.RESERVED:
            self.act(
                lambda: self.model.start(code),
                lambda: batches.start(batch=self.batch(data, code)),
            )
        elif batch.state == bench.STARTED and not all(line.done for line in batch.lines.values()):
            self.weigh_all(data, code)
        elif batch.state == bench.STARTED:
            self.finish_as_planned(data, code)

    def finish_as_planned(self, data: st.DataObject, code: str) -> None:
        batch = self.model.batches[code]
        for check in batch.formula.checks:
            self.look(data, code, check, "5.2")
        out, went_in = batch.formula.output_of(batch.charge), sum(one.quantity for one in batch.readings)
        self.end(data, code, out, went_in - out if batch.formula.percent else 0, 0, "")

    # One rule is as likely as another: those of the bench, where most can go wrong, stand here again.
    make_a_base_2 = make_a_base
    make_a_cream_2 = make_a_cream_3 = make_a_cream
    go_on_2 = go_on_3 = go_on
    weigh_2 = weigh_3 = weigh
    correct_weighing_2 = correct_weighing_3 = correct_weighing
    want_2 = want
    reserve_demand_2 = reserve_demand
    dispatch_what_is_wanted_2 = dispatch_what_is_wanted

    # -- what must agree -------------------------------------------------------------------------

    @invariant()
    def compare(self) -> None:
        self.steps += 1
        assert portions_in_books() == {
            spot: (portion.on_hand, self.model.reserved(spot), portion.opened_on)
            for spot, portion in self.model.portions.items()
            if portion.on_hand
        }
        assert reservations_in_books() == {(one.spot, one.holder): one.quantity for one in self.model.reservations}
        assert lots_in_books() == {
            key: (lot.status, lot.released_by, lot.received_on, lot.available_on, lot.expires_on, lot.trial, lot.batch)
            for key, lot in self.model.lots.items()
        }
        assert ledger.verify() == []

    @invariant()
    def compare_promises(self) -> None:
        model = self.model
        demands = stored.Demand.objects.values_list("reference", "quantity", "dispatched", "closed_at")
        assert {name: (quantity, sent, closed_at is not None) for name, quantity, sent, closed_at in demands} == {
            name: (demand.quantity, demand.dispatched, demand.closed) for name, demand in model.demands.items()
        }
        assert list(stored.DispatchLine.objects.order_by("pk").values_list("quantity", "returned", "corrected")) == [
            (line.quantity, line.returned, line.corrected) for line in model.dispatch_lines
        ]
        order_lines = stored.PurchaseOrderLine.objects.order_by("pk")
        assert [(line.received, line.closed_at is not None) for line in order_lines] == [
            (line.received, line.closed) for line in model.order_lines
        ]
        if model.freed_for:
            alerts = stored.Alert.objects.filter(kind="reservation_freed", closed_at=None)
            assert {self.named(holder) for holder in model.freed_for} <= set(alerts.values_list("subject", flat=True))

    def named(self, holder: Holder) -> str:
        if holder.kind == "batch":
            return f"batch:{holder.name}"
        demand = self.model.demands[holder.name]
        return f"demand:{demand.customer}/{holder.name}/{demand.item}/{demand.due_on}"

    @invariant()
    def compare_batches(self) -> None:
        assert batches_in_books() == {
            code: (
                batch.state,
                batch.charge,
                batch.planned_for,
                {line.position: (line.item, line.required, line.tolerance, line.done) for line in batch.lines.values()},
                [(one.position, one.spot.lot, one.quantity, one.corrected) for one in batch.weighings],
                (batch.residue, batch.evaporated, batch.left_in_vessel),
            )
            for code, batch in self.model.batches.items()
        }

    @invariant()
    def compare_traces(self) -> None:
        """After each act that was done one lot after another is traced, forward and backward in turn."""
        keys = sorted(self.model.lots)
        if keys and self.last == "done":
            key = keys[self.steps // 2 % len(keys)]
            forward = self.steps % 2 == 0
            reached = self.model.forward(key) if forward else self.model.backward(key)
            self.compare_trace(tracing.trace([find_lot(key)], forward=forward), key, reached)

    @invariant()
    def compare_plans(self) -> None:
        """After every third act: a plan after an earlier one is the plan without it, whatever was done meanwhile."""
        if self.steps % 3:
            return
        after = planning.run_plan(from_day=self.model.today, weeks=2, before=self.planned)
        assert after.plan == planning.run_plan(from_day=self.model.today, weeks=2).plan
        self.planned = after

    def compare_trace(self, trace: tracing.Trace, origin: LotKey, depth: dict[LotKey, int]) -> None:
        model = self.model
        assert {LotKey(row.item, row.lot): row.depth for row in trace.lots} == depth
        key_of = {row.lot_id: LotKey(row.item, row.lot) for row in trace.lots}
        if trace.forward:
            codes = [code for code in model.batches if set(model.used_in(code)) & set(depth)]
            links = {link for link in model.links(codes) if link[0] in depth}
            shares = {key: model.carried(origin, key) for key in depth}
        else:
            links = model.links(batch for key in depth if (batch := model.made_by(key)) is not None)
            needed = model.went_into(origin)
            shares = {key: None if ITEMS[key.item].counted else needed[key] for key in depth}
        assert {
            (key_of[link.from_lot_id], link.batch, link.to_lot_id and key_of[link.to_lot_id], link.quantity)
            for link in trace.links
        } == links
        for row in trace.lots:
            key = LotKey(row.item, row.lot)
            sums = model.sums(key)
            assert {name: getattr(row.balance, name) for name in sums} == sums, key
            assert row.balance.came == row.balance.went
            assert row.status == model.lots[key].status
            assert row.expires_on == model.lot_last_day(model.lots[key])
            share = shares[key]
            assert row.from_origin == (None if share is None else int(share + Fraction(1, 2))), key
        gone = sorted(
            (line.lot, line.customer, line.quantity, line.returned, line.on)
            for line in model.dispatch_lines
            if line.lot in depth and not line.corrected
        )
        assert gone == sorted(
            (key_of[row.lot_id], row.customer or PUBLIC, row.quantity, row.returned, row.on) for row in trace.departures
        )
        here = {(key_of[row.lot_id], row.place, row.container, row.set_apart): row.quantity for row in trace.here}
        assert here == {
            (spot.lot, spot.place, spot.container, spot.set_apart): portion.on_hand
            for spot, portion in model.portions.items()
            if portion.on_hand and spot.lot in depth
        }


@contextmanager
def undone_at_the_end() -> Iterator[None]:
    """A transaction around one example, rolled back whatever happened."""
    with transaction.atomic():
        try:
            yield
        finally:
            transaction.set_rollback(True)


def run(examples: int, steps: int, phases: Sequence[Phase] = (Phase.generate, Phase.shrink)) -> None:
    machine = type("RandomDays", (WorkshopMachine,), {"books": write_master_data()})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            derandomize=True,
            database=None,
            deadline=None,
            print_blob=False,
            suppress_health_check=list(HealthCheck),
            phases=phases,
        ),
    )


@pytest.mark.django_db
def test_services_agree_with_a_plain_model_over_random_days() -> None:
    run(examples=10, steps=35)


@pytest.mark.slow
@pytest.mark.django_db
def test_services_agree_with_a_plain_model_over_many_longer_random_days() -> None:
    run(examples=80, steps=50)
