"""A crowd of writers on the same few lots, in a process and a database of its own: ``python -m tests.races.crowd``.

Answers one JSON object on standard output: what was done, what was refused with which code, what broke, and what is
wrong with the books afterwards. Needs DATABASE_URL of a database that it may fill, empty or just migrated. With
``--without lock`` the locks do nothing and the database's own check of balances is off: the control, which must promise
more than there is.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection, connections  # noqa: E402
from django.db.models import F, Sum  # noqa: E402

from inventory import clock, transactions  # noqa: E402
from inventory.errors import Conflict, Shortage  # noqa: E402
from inventory.ledger import verify  # noqa: E402
from inventory.models import Demand, Lot, Portion, Reservation, StockEvent  # noqa: E402
from inventory.services import counting, dispatching, lots, reserving  # noqa: E402
from production.models import Batch, BatchLine, FormulaVersion, Weighing  # noqa: E402
from production.services import batches, weighing  # noqa: E402
from tests.production.builders import formula, item, stock  # noqa: E402

ITEMS = 30
LINES = 20
LOTS_OF_AN_ITEM = 2
SHARE_G = 20  # of each lot for each writer: two fifths of what all of them together would like to have
CHARGE = 1_000_000  # mg: fifty grams a line
ON_POSTGRESQL = connection.vendor == "postgresql"


@dataclass
class Told:
    """What happened to one writer."""

    done: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    unclear: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    deadlocks: int = 0
    longest_s: float = 0.0
    held: dict[int, bool] = field(default_factory=dict)  # batch -> whether it is reserved, as this writer was told


# The workshop


def build(writers: int) -> list[FormulaVersion]:
    """Thirty raw materials of two small lots each; methods of twenty lines, each over other twenty of them."""
    call_command("migrate", verbosity=0)
    raws = [item(f"RAW-{at:02}", caps_life=False) for at in range(ITEMS)]
    today = clock.today()
    for raw in raws:
        for at in range(LOTS_OF_AN_ITEM):
            stock(raw, f"{SHARE_G * writers} g", f"{raw.code}-{at}", expires_on=today + timedelta(days=100 + at))
        dispatching.want(item=raw, quantity=SHARE_G * writers * 1000, due_on=today, reference=raw.code)
    versions = []
    for at in range(3):
        chosen = random.Random(at).sample(raws, LINES)
        mix = item(f"MIX-{at}", "intermediate")
        versions.append(formula(mix.code, mix, [(raw, "5") for raw in chosen]))
    for writer in range(writers):
        for at in range(3):
            batches.plan(version=versions[at], charge=CHARGE, planned_for=today, code=f"B-{writer}-{at}")
    return versions


# What writers do


class Writer:
    """One person: batches of their own, and hands on everybody's stock."""

    def __init__(self, number: int, seed: int, mixed: bool) -> None:
        self.number = number
        self.chance = random.Random(seed)
        self.told = Told()
        self.mixed = mixed

    def work(self, until: float) -> None:
        mine = Batch.objects.filter(transformation__code__startswith=f"B-{self.number}-")
        self.own = list(mine.select_related("transformation", "version__formula__item"))
        self.told.held = {batch.pk: False for batch in self.own}
        acts: list[tuple[str, Callable[[], Any], int]] = [("reserve", self.reserve, 6), ("release", self.release, 3)]
        if self.mixed:
            acts += [
                ("weigh", self.weigh, 4),
                ("dispatch", self.dispatch, 3),
                ("count", self.count, 2),
                ("hold", self.hold, 1),
                ("release lot", self.release_lot, 2),
                ("move", self.move, 1),
                ("reserve demand", self.reserve_demand, 1),
                ("new batch", self.new_batch, 1),
            ]
        names = [name for name, _, weight in acts for _ in range(weight)]
        by_name = {name: act for name, act, _ in acts}
        while time.perf_counter() < until and len(self.told.broken) < 5:
            name = self.chance.choice(names)
            self.note(name, by_name[name])

    def note(self, name: str, act: Callable[[], Any]) -> None:
        begun = time.perf_counter()
        try:
            if act() is not None:
                self.told.done[name] += 1
        except Conflict as refusal:
            self.told.refused[refusal.code] += 1
            self.told.deadlocks += _is_deadlock(refusal)
            if isinstance(refusal, Shortage) and not _is_clear(refusal):
                self.told.unclear.append(f"{name}: {refusal.message} {refusal.facts}")
        except Exception as error:
            self.told.broken.append(f"{name}: {type(error).__name__}: {error}")
        self.told.longest_s = max(self.told.longest_s, time.perf_counter() - begun)

    def reserve(self) -> Any:
        batch = self.chance.choice(self.own)
        if self.told.held[batch.pk] and self.chance.random() < 0.5:
            return None
        try:
            taken = batches.reserve(batch=batch)
        except Conflict:
            batch.refresh_from_db()
            raise
        self.told.held[batch.pk] = True
        return taken

    def release(self) -> Any:
        held = [batch for batch in self.own if self.told.held[batch.pk]]
        if not held:
            return None
        batch = self.chance.choice(held)
        batches.unreserve(batch=batch)
        self.told.held[batch.pk] = False
        return batch

    def weigh(self) -> Any:
        """Start a batch of one's own where none is, and weigh a line of it from what is set aside."""
        begun = [batch for batch in self.own if batch.status == Batch.Status.STARTED]
        if not begun:
            batch = self.chance.choice(self.own)
            batch = batches.start(batch=batch)
            self.told.held[batch.pk] = False
            begun = [batch]
        batch = begun[0]
        line = BatchLine.objects.filter(batch=batch, done=False).select_related("batch__transformation", "item").first()
        if line is None:
            batches_ended = self.own.index(batch)
            self.own[batches_ended] = self.planned()
            return None
        held = Reservation.objects.filter(transformation=batch.pk, portion__lot__item=line.item_id)
        row = held.select_related("portion__lot__item").first()
        if row is None:
            portion = Portion.objects.filter(lot__item=line.item_id).select_related("lot__item").first()
            assert portion is not None
            return weighing.weigh(line=line, portion=portion, quantity=1000, why="none was left aside", done=True)
        return weighing.weigh(line=line, portion=row.portion, quantity=row.quantity, why="as it came", done=True)

    def planned(self) -> Batch:
        code = f"B-{self.number}-{self.chance.getrandbits(40)}"
        version = self.chance.choice(self.own).version
        batch = batches.plan(version=version, charge=CHARGE, planned_for=clock.today(), code=code)
        self.told.held[batch.pk] = False
        return batch

    def new_batch(self) -> Any:
        """A started batch is given up for a new one: cancelled where nothing was weighed into it."""
        begun = [batch for batch in self.own if batch.status == Batch.Status.STARTED]
        if not begun:
            return None
        self.own[self.own.index(begun[0])] = self.planned()
        return batches.cancel(batch=begun[0], why="another is more urgent")

    def dispatch(self) -> Any:
        portion = self.portion()
        demand = Demand.objects.get(reference=portion.lot.item.code)
        own = self.chance.random() < 0.5
        line = dispatching.Leaving(portion, self.chance.randrange(1, 20_000), demand if own else None)
        code = f"D-{self.number}-{self.chance.getrandbits(40)}"
        return dispatching.dispatch(lines=[line], public_place="market", code=code)

    def count(self) -> Any:
        """More is found as often as less: the stock stays."""
        portion = self.portion()
        return counting.count(portion=portion, counted=max(0, portion.on_hand + self.chance.randrange(-30_000, 60_000)))

    def hold(self) -> Any:
        return lots.decide(lots=[self.portion().lot], status=Lot.Status.HELD, why="looked odd")

    def release_lot(self) -> Any:
        held = list(Lot.objects.filter(status=Lot.Status.HELD)[:3])
        return lots.decide(lots=held, status=Lot.Status.RELEASED, why="was right after all") if held else None

    def move(self) -> Any:
        portion = self.portion()
        elsewhere = [place for place in ("shelf", "bench", "cellar") if place != portion.place]
        return lots.move(portion=portion, place=self.chance.choice(elsewhere))

    def reserve_demand(self) -> Any:
        demand = Demand.objects.select_related("item", "customer").get(
            reference=f"RAW-{self.chance.randrange(ITEMS):02}"
        )
        if self.chance.random() < 0.5:
            return reserving.free(demand=demand)
        return dispatching.reserve_demand(demand=demand, quantity=self.chance.randrange(1, 50_000))

    def portion(self) -> Portion:
        code = f"RAW-{self.chance.randrange(ITEMS):02}"
        rows = Portion.objects.filter(lot__item__code=code).select_related("lot__item").order_by("pk")
        return self.chance.choice([row for row in rows if row.on_hand] or list(rows))


def _is_deadlock(refusal: BaseException) -> bool:
    cause: BaseException | None = refusal
    while cause is not None:
        if getattr(cause, "sqlstate", None) == "40P01":
            return True
        cause = cause.__cause__
    return False


def _is_clear(refusal: Shortage) -> bool:
    rows = refusal.facts.get("shortages") or []
    return bool(rows) and all(row.get("item") and row.get("wanted") and row.get("free") is not None for row in rows)


# With and without what guards the stock


@contextmanager
def without_guards() -> Iterator[None]:
    """The item locks do nothing, on SQLite services run without a transaction, and the database checks no balance."""
    _no_check_of_balances()
    kept = {module: module.lock_items for module in (reserving, batches)}
    for module in kept:
        module.lock_items = lambda item_ids, **_: None  # type: ignore[attr-defined]
    atomic = transactions.transaction.atomic
    if not ON_POSTGRESQL:
        transactions.transaction.atomic = lambda *_, **__: nullcontext()  # type: ignore[assignment]
    try:
        yield
    finally:
        transactions.transaction.atomic = atomic  # type: ignore[assignment]
        for module, lock in kept.items():
            module.lock_items = lock  # type: ignore[attr-defined]


def _no_check_of_balances() -> None:
    with connection.cursor() as cursor:
        if ON_POSTGRESQL:
            cursor.execute("ALTER TABLE inventory_portion DROP CONSTRAINT IF EXISTS portion_reserved_within_on_hand")
        else:
            cursor.execute("PRAGMA ignore_check_constraints = ON")


# The race


def race(writers: int, seconds: float, mixed: bool, guarded: bool) -> dict[str, Any]:
    build(writers)
    crowd = [Writer(number, number, mixed) for number in range(writers)]
    gate = threading.Barrier(writers)

    def run(writer: Writer) -> None:
        try:
            if not guarded and not ON_POSTGRESQL:
                _no_check_of_balances()  # a matter of each connection
            gate.wait(60)
            writer.work(time.perf_counter() + seconds)
        except Exception as error:
            writer.told.broken.append(f"{type(error).__name__}: {error}")
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(writer,)) for writer in crowd]
    with nullcontext() if guarded else without_guards():
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    return _told(crowd, mixed)


def _told(crowd: list[Writer], mixed: bool) -> dict[str, Any]:
    done: Counter[str] = sum((writer.told.done for writer in crowd), Counter())
    refused: Counter[str] = sum((writer.told.refused for writer in crowd), Counter())
    return {
        "done": dict(done),
        "refused": dict(refused),
        "unclear": [text for writer in crowd for text in writer.told.unclear][:5],
        "broken": [text for writer in crowd for text in writer.told.broken][:5],
        "deadlocks": sum(writer.told.deadlocks for writer in crowd),
        "longest_s": max(writer.told.longest_s for writer in crowd),
        "oversold": oversold(),
        "lost": lost(crowd, done, mixed),
        "books": [str(row) for row in verify()][:5],
    }


def oversold() -> int:
    """Portions of which more is promised than there is, by their balance or by their reservations."""
    by_balance = set(Portion.objects.filter(reserved__gt=F("on_hand")).values_list("pk", flat=True))
    by_rows = Portion.objects.annotate(promised=Sum("reservations__quantity")).filter(promised__gt=F("on_hand"))
    return len(by_balance | set(by_rows.values_list("pk", flat=True)))


def lost(crowd: list[Writer], done: Counter[str], mixed: bool) -> list[str]:
    """What a writer was told and the books do not say. Stock that was counted away may be missing from batches."""
    found = []
    aside = dict(
        Reservation.objects.filter(transformation__isnull=False).values_list("transformation").annotate(Sum("quantity"))
    )
    for writer in crowd:
        for batch_id, held in writer.told.held.items():
            if not mixed and aside.get(batch_id, 0) != (CHARGE if held else 0):
                found.append(f"batch {batch_id}: told {held}, {aside.get(batch_id, 0)} mg set aside")
    posted = Counter(StockEvent.objects.exclude(kind="opening").values_list("kind", flat=True))
    for name, kind in (("dispatch", "dispatched"), ("count", "counted"), ("move", "moved")):
        if posted[kind] != done[name]:
            found.append(f"{done[name]} times {name}, {posted[kind]} events {kind}")
    if posted["used"] != Weighing.objects.count() or posted["used"] != done["weigh"]:
        found.append(f"{done['weigh']} readings, {posted['used']} events used")
    return found[:5]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.races.crowd", description=__doc__)
    parser.add_argument("--writers", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--mixed", action="store_true", help="weigh, dispatch, count, hold and move too")
    parser.add_argument("--without", choices=["lock"], default=None)
    asked = parser.parse_args()
    print(json.dumps(race(asked.writers, asked.seconds, asked.mixed, asked.without is None)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
