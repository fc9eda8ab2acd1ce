"""Measure the sweep of notices: ``python -m tests.benchmarks.notices --due N --future M``.

Fills the EMPTY database that DATABASE_URL names: so many lots that expire in thirty days, and so many notices of days
to come. Then, on one worker: the look that opens a notice for each lot; the sweep that looks again at every cause and
records each telling, with the morning's letters begun; and a sweep with all of the future before it and nothing due.
All figures are wall time; beside the sweep's stands what it took of this process's processor, which other work on the
machine does not lengthen. Exit code 1 where a telling is missing or doubled; a bar that is missed is reported.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import timedelta
from time import perf_counter, process_time

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")
if "DATABASE_URL" not in os.environ and __name__ == "__main__":
    sys.exit("DATABASE_URL must name the database: the workshop's own is never filled")
django.setup()

from django.contrib.auth.models import Group, User  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from inventory import clock  # noqa: E402
from inventory.models import Item, Lot, Portion  # noqa: E402
from inventory.services.workshop import change_settings  # noqa: E402
from planner.notices import looking, posting, sweep  # noqa: E402
from planner.notices.models import Mail, Notice, Telling  # noqa: E402
from tests.benchmarks.report import Figure, machine_figure, say, table_of, write_section  # noqa: E402

SWEPT_SECONDS = 60.0  # bar, for 100,000 due notices
NONE_DUE_SECONDS = 0.010  # bar, with 1,000,000 future rows
TIMES = 50
PEOPLE = 2  # a maker, and an owner who is not told of these


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.notices", description=__doc__)
    parser.add_argument("--due", type=int, default=100_000)
    parser.add_argument("--future", type=int, default=1_000_000)
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument("--report", action="store_true", help="write a section of REPORT.md")
    asked = parser.parse_args()
    call_command("migrate", verbosity=0, interactive=False)
    if Item.objects.exists() or Notice.objects.exists():
        sys.exit("the database is not empty; nothing was changed")
    figures, faults = measure(due=asked.due, future=asked.future)
    print_figures(figures, faults, as_json=asked.json)
    if asked.report and not faults:
        name = "notices on SQLite" if connection.vendor == "sqlite" else "notices"
        write_section(name, "Notices swept on one worker.", figures, os.environ["DATABASE_URL"])
    return 1 if faults else 0


def print_figures(figures: Sequence[Figure], faults: Sequence[str], *, as_json: bool) -> None:
    print(json.dumps([asdict(figure) for figure in figures]) if as_json else table_of(list(figures)))
    for fault in faults:
        say(f"WRONG: {fault}")


def measure(*, due: int, future: int) -> tuple[list[Figure], list[str]]:
    """Fill, look, sweep. Answers the figures, and what is wrong with what was recorded."""
    change_settings(values={"morning": "00:00"})
    fill_people()
    fill_lots(due)
    fill_future(future)
    settle()
    look = looking.begin()
    begun = perf_counter()
    changes = looking.look_at(look, "lot_expiring")
    looked = perf_counter() - begun
    for name in look.kinds:  # the others have nothing, and are looked at as in a morning
        looking.look_at(look, name)
    looking.look_when_due()
    settle()
    begun, begun_here = perf_counter(), process_time()
    swept = sweep.sweep()
    swept_seconds, here = perf_counter() - begun, process_time() - begun_here
    begun = perf_counter()
    posting.send_waiting()
    sent_seconds = perf_counter() - begun
    faults = faults_of(due, changes.opened, swept.notices)
    none_due = none_due_seconds()
    figures = [
        machine_figure(),
        Figure(f"open {due:,} notices from their causes", f"{looked:.1f} s", f"{due / looked:,.0f} a second"),
        Figure(
            f"sweep {due:,} due notices: looked at again, told, recorded",
            f"{swept_seconds:.1f} s",
            f"{here:.1f} s of this process's processor; {Telling.objects.count():,} tellings, {future:,} rows to come",
            f"{SWEPT_SECONDS * due / 100_000:.0f} s",
            swept_seconds <= SWEPT_SECONDS * due / 100_000,
        ),
        Figure("begin and settle the letters", f"{sent_seconds:.1f} s", f"{Mail.objects.count()} mails"),
        Figure(
            f"sweep with none due of {Notice.objects.filter(next_at__isnull=False).count():,} to come",
            f"{none_due * 1000:.1f} ms",
            f"median of {TIMES}",
            f"{NONE_DUE_SECONDS * 1000:.0f} ms",
            none_due <= NONE_DUE_SECONDS,
        ),
    ]
    return figures, faults


def none_due_seconds() -> float:
    """Median of the whole task: the sweep and the round of mails, as the beat rings for them."""
    times = []
    for _ in range(TIMES):
        begun = perf_counter()
        swept = sweep.sweep()
        posting.send_waiting()
        times.append(perf_counter() - begun)
        assert swept == sweep.Swept()
    return statistics.median(times)


def faults_of(due: int, opened: int, told: int) -> list[str]:
    wanted = due * 2  # on the page and by letter, to the one maker
    found = []
    if (opened, told) != (due, due):
        found.append(f"{opened} notices were opened and {told} told, of {due}")
    if Telling.objects.count() != wanted or Telling.objects.values("notice", "channel").distinct().count() != wanted:
        found.append(f"{Telling.objects.count()} tellings, not {wanted}")
    if Telling.objects.filter(told_at=None).exists():
        found.append("a letter's telling is not settled")
    if Mail.objects.count() != 1 or Mail.objects.filter(state=Mail.State.WAITING).exists():
        found.append(f"{Mail.objects.count()} letters, or one that waits still")
    return found


def fill_people() -> None:
    for name in ("maker", "owner"):
        person = User.objects.create(username=f"{name}-1", email=f"{name}@example.org")
        person.groups.add(Group.objects.get_or_create(name=name)[0])


def fill_lots(count: int) -> None:
    """Lots of a hundred items that end in thirty days, each with something on hand."""
    say(f"filling: {count:,} lots ...")
    items = Item.objects.bulk_create(
        Item(code=f"I{at:03d}", name=f"Item {at}", kind="raw", caps_life=True) for at in range(100)
    )
    expires_on = clock.today() + timedelta(days=30)
    lots = Lot.objects.bulk_create(
        (
            Lot(
                item=items[at % 100], number=f"L{at}", number_folded=f"l{at}", origin="opening", status="released",
                expires_on=expires_on,
            )
            for at in range(count)
        ),
        batch_size=5_000,
    )  # fmt: skip
    Portion.objects.bulk_create((Portion(lot=lot, on_hand=1_000) for lot in lots), batch_size=5_000)


def fill_future(count: int) -> None:
    """Notices of days to come, in one statement. Their causes are nothing: nobody looks before their day."""
    say(f"filling: {count:,} notices to come ...")
    values = {
        "key": "'future:' || n", "kind": "'to_come'", "cause": "-n", "subject": "'{}'", "what": "'Item ' || n",
        "why": "''", "facts": "'{}'", "told_on_days": "'[]'", "role": "''", "state": "'open'", "opening": "1",
    }  # fmt: skip
    now, later = clock.now(), clock.now() + timedelta(days=30)
    day = later.date()
    given = {"due_on": day, "overdue_on": day, "opened_at": now, "updated_at": now, "next_at": later}
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            numbers, uid = f"generate_series(1, {int(count)}) AS n", "gen_random_uuid()"
        else:
            numbers = (
                f"(WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < {int(count)}) "
                "SELECT n FROM c)"
            )
            uid = "lower(hex(randomblob(16)))"
        names = [*values, "uid", *given]
        cast = [
            f"{one}::jsonb" if name in ("subject", "facts", "told_on_days") else one for name, one in values.items()
        ]
        columns = cast if connection.vendor == "postgresql" else list(values.values())
        typed = (
            ["%s::date" if name.endswith("_on") else "%s::timestamptz" for name in given]
            if connection.vendor == "postgresql"
            else ["%s"] * len(given)
        )
        if count:
            cursor.execute(
                f"INSERT INTO planner_notice ({', '.join(names)}) "
                f"SELECT {', '.join([*columns, uid, *typed])} FROM {numbers}",
                [str(one) if name.endswith("_on") else connection.ops.adapt_datetimefield_value(one)
                 for name, one in given.items()],
            )  # fmt: skip


def settle() -> None:
    """The planner of the database knows what is there, as after a while in service."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


if __name__ == "__main__":
    sys.exit(main())
