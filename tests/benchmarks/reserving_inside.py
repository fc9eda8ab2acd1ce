"""What ``tests.benchmarks.reserving`` measures: the store, the clients, the profile. Runs in processes of its own.

A client is a process on PostgreSQL, a thread on SQLite. It reads what to do as one JSON line and answers with one.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from inventory import clock  # noqa: E402
from inventory.errors import Conflict  # noqa: E402
from inventory.ledger import verify  # noqa: E402
from inventory.models import Item, Lot, Movement, Portion, Reservation, StockEvent, Transformation  # noqa: E402
from production.models import Batch, Formula, FormulaVersion, Line  # noqa: E402
from production.services import batches  # noqa: E402

LINES = 20
MOST_CLIENTS = 8  # with lots of their own
LOTS_OF_AN_ITEM = 2
ON_HAND = 10**11
CHARGE = 1_000_000
WHOLE = 1_000_000
HOT, SHORT, LONG = "HOT", "FIVE", "FIFTY"


def cold(number: int) -> str:
    return f"COLD-{number}"


# The store


def fill(batches_each: int) -> None:
    """Items with two lots each, formulas over the same twenty (hot) and over twenty of each client's own (cold)."""
    call_command("migrate", verbosity=0)
    codes = [HOT, *(cold(number) for number in range(MOST_CLIENTS))]
    _fill_formula(SHORT, 5, 1)
    _fill_formula(LONG, 50, 1)
    for code in codes:
        _fill_formula(code, LINES, batches_each * (MOST_CLIENTS if code == HOT else 1))
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")


def _fill_formula(code: str, lines: int, makings: int) -> None:
    raws = Item.objects.bulk_create(
        Item(code=f"{code}-{at:02}", name=code, kind="raw", measure="mass", caps_life=True) for at in range(lines)
    )
    mix = Item.objects.create(
        code=code, name=code, kind="intermediate", measure="mass", caps_life=False, shelf_life_days=365
    )
    today = clock.today()
    lots = Lot.objects.bulk_create(
        Lot(
            item=raw,
            number=f"{raw.code}-{at}",
            number_folded=f"{raw.code}{at}".lower(),
            origin="opening",
            status="released",
            expires_on=today + timedelta(days=300 + at),
        )
        for raw in raws
        for at in range(LOTS_OF_AN_ITEM)
    )
    portions = Portion.objects.bulk_create(Portion(lot=lot, on_hand=ON_HAND) for lot in lots)
    events = StockEvent.objects.bulk_create(StockEvent(kind="opening", happened_at=clock.now()) for _ in portions)
    Movement.objects.bulk_create(
        Movement(event=event, portion=portion, lot=portion.lot, quantity=ON_HAND)
        for event, portion in zip(events, portions, strict=True)
    )
    version = FormulaVersion.objects.create(
        formula=Formula.objects.create(code=code, item=mix), version=1, basis="percent", status="approved"
    )
    Line.objects.bulk_create(
        Line(version=version, position=at + 1, item=raw, percent=WHOLE // lines, amount_written="", single_lot=False)
        for at, raw in enumerate(raws)
    )
    made = Transformation.objects.bulk_create(
        (Transformation(code=f"{code}-{at}", item=mix, planned_for=today) for at in range(makings)), batch_size=2000
    )
    Batch.objects.bulk_create(
        (Batch(transformation=each, version=version, charge=CHARGE) for each in made), batch_size=2000
    )


def reset() -> None:
    """Nothing is set aside, as after ``fill``."""
    with connection.cursor() as cursor:
        on_postgresql = connection.vendor == "postgresql"
        cursor.execute("TRUNCATE inventory_reservation" if on_postgresql else "DELETE FROM inventory_reservation")
        cursor.execute("UPDATE inventory_portion SET reserved = 0 WHERE reserved <> 0")
        cursor.execute("UPDATE production_batch SET status = 'planned' WHERE status <> 'planned'")
        if on_postgresql:
            for table in ("inventory_portion", "production_batch", "inventory_item"):
                cursor.execute(f"VACUUM ANALYZE {table}")
        else:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")


# What clients do

Act = Callable[[], Any]


def acts_of(what: str, code: str, number: int, clients: int) -> Iterator[Act]:
    """The acts of one client, one after the other: ``service``, or one of the bare transactions."""
    rows = Batch.objects.filter(version__formula__code=code).select_related("transformation__item", "version__formula")
    own = list(rows.order_by("pk")[number::clients] if code == HOT else rows.order_by("pk"))
    if what == "service":
        return (_reserving(batch) for batch in own)
    first_lots = Portion.objects.filter(lot__item__code__startswith=f"{code}-", lot__number__endswith="-0")
    ids = list(first_lots.order_by("pk").values_list("pk", flat=True))
    assert len(ids) == LINES
    bare = _bare_on_postgresql if connection.vendor == "postgresql" else _bare_on_sqlite
    return bare(what, ids, [batch.pk for batch in own])


def _reserving(batch: Batch) -> Act:
    return lambda: batches.reserve(batch=batch)


# The balances in the order of their keys, or two would wait for each other.
_BALANCES = """
    UPDATE inventory_portion SET reserved = reserved + 50000
    FROM (SELECT id FROM inventory_portion WHERE id = ANY(%s::bigint[]) ORDER BY id FOR NO KEY UPDATE) AS mine
    WHERE mine.id = inventory_portion.id
"""
_RESERVATIONS = """
    INSERT INTO inventory_reservation (portion_id, transformation_id, quantity)
    SELECT unnest(%s::bigint[]), %s, 50000
"""
_STATUS = "UPDATE production_batch SET status = 'reserved' WHERE transformation_id = %s"


def _bare_on_postgresql(what: str, ids: list[int], batch_ids: list[int]) -> Iterator[Act]:
    """The driver alone: ``balances`` updates as many portions, ``rows`` writes every row that a reservation does."""
    connection.ensure_connection()
    driver = connection.connection

    def act(batch_id: int) -> None:
        with driver.transaction():
            driver.execute(_BALANCES, [ids])
            if what == "rows":
                driver.execute(_RESERVATIONS, [ids, batch_id])
                driver.execute(_STATUS, [batch_id])

    return ((lambda batch_id=batch_id: act(batch_id)) for batch_id in batch_ids)


def _bare_on_sqlite(what: str, ids: list[int], batch_ids: list[int]) -> Iterator[Act]:
    driver = sqlite3.connect(str(connection.settings_dict["NAME"]), isolation_level=None, timeout=20)
    driver.execute("PRAGMA synchronous=NORMAL")
    driver.execute("PRAGMA foreign_keys=ON")
    among = ", ".join(map(str, ids))
    balances = f"UPDATE inventory_portion SET reserved = reserved + 50000 WHERE id IN ({among})"
    reservations = (
        "INSERT INTO inventory_reservation (portion_id, transformation_id, quantity) "
        f"SELECT id, ?, 50000 FROM inventory_portion WHERE id IN ({among})"
    )

    def act(batch_id: int) -> None:
        driver.execute("BEGIN IMMEDIATE")
        driver.execute(balances)
        if what == "rows":
            driver.execute(reservations, [batch_id])
            driver.execute(_STATUS.replace("%s", "?"), [batch_id])
        driver.execute("COMMIT")

    return ((lambda batch_id=batch_id: act(batch_id)) for batch_id in batch_ids)


def run(acts: Iterator[Act], begin_at: float, seconds: float) -> dict[str, Any]:
    """Do one act after the other for so long. Answers how many were done, refused, the time and the longest act."""
    done = refused = 0
    longest = 0.0
    time.sleep(max(0.0, begin_at - time.time()))
    begun = now = time.perf_counter()
    for act in acts:
        try:
            act()
            done += 1
        except Conflict:
            refused += 1
        after = time.perf_counter()
        longest, now = max(longest, after - now), after
        if now - begun > seconds:
            break
    return {"done": done, "refused": refused, "seconds": now - begun, "longest": longest}


def one_client(asked: dict[str, Any]) -> dict[str, Any]:
    code = HOT if asked["hot"] else cold(asked["number"])
    acts = acts_of(asked["what"], code, asked["number"], asked["clients"])
    print("ready", flush=True)
    return run(acts, json.loads(sys.stdin.readline())["begin_at"], asked["seconds"])


def threads(asked: dict[str, Any]) -> list[dict[str, Any]]:
    """So many clients as threads of this process, on hot lots.

    They begin together, once each has its list of batches: to read twelve thousand rows keeps the one interpreter busy
    for seconds, and those who had begun would be measured by what the others read.
    """
    clients = asked["clients"]
    found: list[dict[str, Any]] = [{} for _ in range(clients)]
    ready = threading.Barrier(clients)

    def client(number: int) -> None:
        try:
            acts = acts_of(asked["what"], HOT, number, clients)
            ready.wait(60)
            found[number] = run(acts, time.time(), asked["seconds"])
        finally:
            connection.close()

    started = [threading.Thread(target=client, args=(number,)) for number in range(clients)]
    for thread in started:
        thread.start()
    for thread in started:
        thread.join()
    return found


# What is between


@contextmanager
def watched(spent: Counter[str], times: Counter[str]) -> Iterator[None]:
    """Adds up, by statement, the time that statements take; begin and commit included."""

    def note(label: str, seconds: float) -> None:
        spent[label] += seconds
        times[label] += 1

    def execute(run_it: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        begun = time.perf_counter()
        try:
            return run_it(sql, params, many, context)
        finally:
            note(_label(sql), time.perf_counter() - begun)

    def timed(name: str, label: str) -> Callable[[], None]:
        act = getattr(connection, name)

        def inside() -> None:
            begun = time.perf_counter()
            act()
            note(label, time.perf_counter() - begun)

        return inside

    wrapped = connections_own()
    wrapped._commit = timed("_commit", "COMMIT")
    try:
        with connection.execute_wrapper(execute):
            yield
    finally:
        del wrapped._commit


def connections_own() -> Any:
    from django.db import connections

    return connections["default"]


def _label(sql: str) -> str:
    words = sql.replace('"', "").split()
    verb = words[0].upper()
    tables = [word for word in words if word.startswith(("inventory_", "production_")) and "." not in word]
    lock = " and lock" if "FOR NO KEY UPDATE" in sql else ""
    return f"{verb}{lock} {tables[0]}" if tables else verb


def profile(asked: dict[str, Any]) -> dict[str, Any]:
    """One client on hot lots: time by statement and the rest, of one reservation; statements for 5 and 50 lines."""
    reset()
    acts = acts_of("service", HOT, 0, 1)
    for _, act in zip(range(min(20, asked["times"])), acts, strict=False):
        act()
    spent: Counter[str] = Counter()
    times: Counter[str] = Counter()
    begun = time.perf_counter()
    done = 0
    with watched(spent, times):
        for _, act in zip(range(asked["times"]), acts, strict=False):
            act()
            done += 1
    whole = time.perf_counter() - begun
    statements = {}
    for code in (SHORT, LONG):
        counted: Counter[str] = Counter()
        with watched(Counter(), counted):
            batches.reserve(batch=Batch.objects.get(version__formula__code=code))
        statements[code] = sum(counted.values())
    parts = [
        {"what": label, "seconds": seconds / done, "times": times[label] / done}
        for label, seconds in spent.most_common()
    ]
    parts.append({"what": "Python between", "seconds": (whole - sum(spent.values())) / done, "times": 1})
    return {"whole": whole / done, "parts": parts, "five": statements[SHORT], "fifty": statements[LONG]}


def check() -> list[str]:
    """What is wrong with the books, and whether balances are the sums of reservations. Empty when all is right."""
    wrong = [str(row) for row in verify()]
    on_balances = sum(Portion.objects.values_list("reserved", flat=True))
    on_rows = sum(Reservation.objects.values_list("quantity", flat=True))
    return wrong if on_balances == on_rows else [*wrong, f"{on_balances} on balances, {on_rows} in reservations"]


def main() -> None:
    """Answer one JSON line for each that is asked, until there are no more."""
    for line in sys.stdin:
        asked = json.loads(line)
        act = asked.pop("act")
        answer: Any = None
        if act == "fill":
            fill(asked["batches_each"])
        elif act == "reset":
            reset()
        elif act == "client":
            answer = one_client(asked)
        elif act == "threads":
            answer = threads(asked)
        elif act == "profile":
            answer = profile(asked)
        elif act == "check":
            answer = check()
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
