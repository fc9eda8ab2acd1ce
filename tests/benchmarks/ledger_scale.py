"""Measure the ledger at ten million movements: ``python -m tests.benchmarks.ledger_scale --movements N``.

Fills the EMPTY database that DATABASE_URL names with ten movements a lot, or with ``--filled`` takes the store that
``trace_scale`` left. The check of the books stands beside one
summing scan; posting many events at once (events, movements and balances, with all constraints and triggers) beside
COPY of as many movements into the same table, its foreign keys checked too (on SQLite: beside plain INSERTs of
many rows). What is posted is rolled back. Wall time, warm, medians of rounds in which what is compared takes turns.
Exit code 1 where an answer is wrong; a bar that is missed is reported.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from time import perf_counter

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")
if "DATABASE_URL" not in os.environ and __name__ == "__main__":
    sys.exit("DATABASE_URL must name the database: the workshop's own is never filled")
django.setup()

from django.db import connection, transaction  # noqa: E402
from django.db.models import F  # noqa: E402

from inventory import clock  # noqa: E402
from inventory.ledger import verify  # noqa: E402
from inventory.models import Movement, Portion, StockEvent, Transformation  # noqa: E402
from inventory.services.ledger import Change, Posting, post_all  # noqa: E402
from tests.benchmarks.report import Figure, machine_figure, say, write_section  # noqa: E402
from tests.benchmarks.scale_store import Store, settle  # noqa: E402
from tests.benchmarks.trace_scale import barred, driver_cursor, medians, place, prepare_empty, print_figures  # noqa: E402

MOVEMENTS_A_LOT = 10
AT_ONCE = 20_000  # movements in one act
ROUNDS = 5
SCANS = 1.5  # bar: times one summing scan
LEAST_RATE, AIM = 0.15, 0.25  # bar and aim: parts of the rate of COPY


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.ledger_scale", description=__doc__)
    parser.add_argument("--movements", type=int, default=300_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument("--filled", action="store_true", help="measure the store that is there (of trace_scale)")
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    if asked.filled:
        figures, faults = measure_filled(seed=asked.seed)
    else:
        prepare_empty()
        figures, faults = measure(movements=asked.movements, seed=asked.seed)
    print_figures(figures, faults, as_json=asked.json)
    if asked.report and not faults:
        told = "The check of the books, and posting in bulk, in a large store."
        write_section("ledger", told, figures, os.environ["DATABASE_URL"])
    return 1 if faults else 0


def measure(*, movements: int, seed: int = 1) -> tuple[list[Figure], list[str]]:
    """Fill the empty tables, then measure."""
    lots = movements // MOVEMENTS_A_LOT
    say(f"filling: {movements} movements ...")
    Store(lots=lots, movements=movements, seed=seed).grow(to_lots=lots, reaches=())
    settle()
    return measure_filled(seed=seed)


def measure_filled(*, seed: int = 1) -> tuple[list[Figure], list[str]]:
    """Of a store that is there. Answers the figures, and what is wrong with the answers."""
    say("checking the books ...")
    faults = [] if verify() == [] else ["the books do not agree with the ledger"]
    if not finds_one_step():
        faults.append("a balance that is wrong by one step is not found")
    times = medians({"verify": verify, "scan": scan_movements}, rounds=3)
    count = scan_movements()
    figures = [
        machine_figure(),
        Figure(
            f"verify {count:,} movements",
            f"{times['verify']:.2f} s",
            f"{times['verify'] / times['scan']:.2f} x one summing scan ({times['scan']:.2f} s)",
            *barred(f"{SCANS} x", times["verify"] <= SCANS * times["scan"]),
        ),
    ]
    say("posting ...")
    return figures + figures_of_posting(min(AT_ONCE, count // 20), seed, faults), faults


def scan_movements() -> int:
    """The sum of every portion in one scan of the ledger; answers how many movements there are."""
    cursor = driver_cursor()
    cursor.execute("SELECT portion_id, SUM(quantity) FROM inventory_movement GROUP BY portion_id").fetchall()
    return Movement.objects.count()


def finds_one_step() -> bool:
    with rolled_back():
        odd = Portion.objects.filter(on_hand__gt=F("reserved")).order_by("pk").first()
        assert odd is not None
        Portion.objects.filter(pk=odd.pk).update(on_hand=F("on_hand") - 1)
        return {row.what for row in verify()} == {"on_hand", "lot"}


# Posting


def figures_of_posting(many: int, seed: int, faults: list[str]) -> list[Figure]:
    """So many movements in one act: a movement an event, two an event, and written late."""
    chosen = some_portions(many, seed)
    acts: dict[str, Callable[[], float]] = {
        "copy": lambda: copied(chosen),
        "used": lambda: posted(uses(chosen)),
        "late": lambda: posted(uses(chosen, late=True)),
        "carried": lambda: posted(carryings(chosen)),
    }
    took: dict[str, list[float]] = {name: [] for name in acts}
    for number in range(ROUNDS + 1):
        for name, act in acts.items():
            seconds = act()
            if number:  # the first round warms up
                took[name].append(seconds)
    if verify():
        faults.append("the books do not agree with the ledger after what was rolled back")
    rate = {name: len(chosen) / statistics.median(seconds) for name, seconds in took.items()}
    least = "COPY" if connection.vendor == "postgresql" else "INSERT of many rows"
    return [
        Figure(
            f"{least} of {len(chosen):,} movements", f"{rate['copy']:,.0f} a second", "foreign keys and checks in force"
        ),
        figure_of_rate("post as many uses, one an event", rate["used"], rate["copy"], with_bar=True),
        figure_of_rate("- the same, written down late", rate["late"], rate["copy"]),
        figure_of_rate("- carryings, two movements an event", rate["carried"], rate["copy"]),
    ]


def figure_of_rate(what: str, rate: float, least: float, *, with_bar: bool = False) -> Figure:
    bar = barred(f"{LEAST_RATE}, aim {AIM}", rate >= LEAST_RATE * least) if with_bar else ()
    return Figure(what, f"{rate:,.0f} movements a second", f"{rate / least:.2f} of it", *bar)


def some_portions(many: int, seed: int) -> list[Portion]:
    """Portions from all over the store that hold something free."""
    free = Portion.objects.filter(on_hand__gt=F("reserved") + 2).order_by("pk").values_list("pk", flat=True)
    pks = random.Random(seed).sample(list(free), min(many, len(free)))
    found = Portion.objects.select_related("lot__item").in_bulk(pks)
    return [found[pk] for pk in pks]


def uses(portions: Sequence[Portion], *, late: bool = False) -> list[Posting]:
    making = Transformation.objects.order_by("-pk")[0]
    at = clock.now() if late else None
    return [
        Posting(kind="used", changes=[Change(portion, -1)], transformation=making, happened_at=at)
        for portion in portions
    ]


def carryings(portions: Sequence[Portion]) -> list[Posting]:
    """From each portion to the next one; what matters is how much is written."""
    pairs = zip(portions[::2], portions[1::2], strict=False)
    return [Posting(kind="moved", changes=[Change(one, -1), Change(other, 1)]) for one, other in pairs]


def posted(postings: Sequence[Posting]) -> float:
    with rolled_back():
        begun = perf_counter()
        post_all(postings)
        check_now()
        return perf_counter() - begun


def copied(portions: Sequence[Portion]) -> float:
    """The movements of as many uses, of events that are there already."""
    used = StockEvent.objects.filter(kind="used").order_by("-pk").values_list("pk", "transformation")
    rows = [
        (event, portion.pk, portion.lot_id, -1, making, portion.lot.item.measure == "count")
        for (event, making), portion in zip(reversed(used[: len(portions)]), portions, strict=True)
    ]
    columns = "(event_id, portion_id, lot_id, quantity, making_id, in_pieces)"
    with rolled_back():
        begun = perf_counter()
        cursor = driver_cursor()
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY inventory_movement {columns} FROM STDIN") as copy:
                copy.write("".join("\t".join(map(str, row)) + "\n" for row in rows))
        else:
            cursor.executemany(f"INSERT INTO inventory_movement {columns} VALUES ({', '.join([place()] * 6)})", rows)
        check_now()
        return perf_counter() - begun


def check_now() -> None:
    """Foreign keys are checked at the end of a transaction: have it done while the clock runs."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")


@contextmanager
def rolled_back() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


if __name__ == "__main__":
    sys.exit(main())
