"""What the demo tells: one document of facts, and the same told in the terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection
from rich.console import Console
from rich.text import Text

from inventory.models import Item, Lot, Party
from planner import selectors, services, terminal
from planner.demo.build import Laid
from planner.demo.days import Days
from planner.demo.past import RECALLED
from production.models import Batch, Line

Row = dict[str, Any]

WEEKS = 6


def tell(laid: Laid) -> Row:
    """The demo's document: the plan from today, next week's batches, one trace, cautions, and where to go next."""
    days = Days.now()
    plan = services.run_plan(from_day=days.today, weeks=WEEKS).document()
    next_week = [batch for batch in plan["batches"] if str(days.monday) <= batch["planned_for"] <= str(days.week(6))]
    return {
        "laid_down_on": laid.on.isoformat(),
        "laid_down_now": laid.now,
        "today": days.today.isoformat(),
        "counts": counts(),
        "next_week": {"from": str(days.monday), "to": str(days.week(4)), "batches": next_week},
        "plan": plan,
        "trace": selectors.trace_document(number=RECALLED, item=None, forward=True),
        "cautions": cautions_of([batch["batch"] for batch in next_week]),
        "next": where_next(days.today),
    }


def counts() -> dict[str, int]:
    return {
        **dict(selectors.workshop_counts()),
        "suppliers": Party.objects.exclude(role=Party.Role.CUSTOMER).count(),
        "lots on hand": Lot.objects.filter(portions__on_hand__gt=0).distinct().count(),
        "finished batches": Batch.objects.filter(status=Batch.Status.FINISHED).count(),
    }


def cautions_of(codes: Sequence[str]) -> list[Row]:
    """Each caution of what these batches are made of, and are, with the items it is about."""
    versions = list(
        Batch.objects.filter(transformation__code__in=codes).values_list("version_id", "transformation__item_id")
    )
    lines = Line.objects.filter(version__in=[version for version, _ in versions]).values_list("item_id", flat=True)
    items = Item.objects.filter(pk__in={*lines, *(item for _, item in versions)}).exclude(caution="")
    by_caution: dict[str, list[str]] = {}
    for item in items.order_by("code"):
        by_caution.setdefault(item.caution, []).append(item.code)
    return [{"caution": caution, "items": codes} for caution, codes in by_caution.items()]


def where_next(today: date) -> list[Row]:
    """Commands with arguments that work on this database, and what each answers."""
    run = f"{python()} manage.py"
    return [
        {"run": f"{run} plan --from {today} --weeks {WEEKS}", "answers": "this plan again, whole; --json for machines"},
        {
            "run": f'{run} trace "{RECALLED}"',
            "answers": "that recall again; by any number on the sack, however written",
        },
        {"run": f"{run} trace WC-1", "answers": "the same for a lot of white clay"},
        {
            "run": f"{run} stock --on {today - timedelta(days=30)}",
            "answers": "what stood where a month ago, and its value",
        },
        {"run": f"{run} verify_ledger", "answers": "every balance recomputed from the ledger"},
        {
            "run": f"{run} export my-tables",
            "answers": "the workshop as CSV tables: the form in which to bring your own",
        },
        {
            "run": f"DATABASE_URL=sqlite:///own.sqlite3 {run} load my-tables",
            "answers": "your own workshop, in a database of its own",
        },
        {"run": f"{run} serve", "answers": "the pages, at http://127.0.0.1:8000/"},
    ]


def python() -> str:
    """How this Python was called, from the directory one stands in; plain ``python`` where it lies elsewhere."""
    try:
        return str(Path(sys.executable).relative_to(Path.cwd()))
    except ValueError:
        return "python"


def show(console: Console, document: Row) -> None:
    """The story: next week, what to make and buy, what spoils, a recall, cautions, where to go next."""
    show_opening(console, document)
    plan, week = document["plan"], document["next_week"]
    chapter(console, 1, f"Next week, {spoken(week['from'])} to {spoken(week['to'])}")
    terminal.show_batches(console, week["batches"], title="")
    chapter(console, 2, "What to make first")
    terminal.show_make(console, plan["make"], title="")
    chapter(console, 3, "What to buy, and by when")
    terminal.show_buy(console, plan["buy"], makes=plan["make"], title="")
    terminal.show_unmet(console, plan["unmet"])
    chapter(console, 4, "What will spoil")
    terminal.show_expiring(console, plan["expiring"], today=plan["from"], title="")
    chapter(console, 5, "A recall")
    console.print(f'The supplier writes that its lot "{RECALLED}" of dried marigold flowers was bad. What contains it?')
    console.print()
    terminal.show_trace(console, document["trace"])
    chapter(console, 6, "What to mind at the bench next week")
    show_cautions(console, document["cautions"])
    chapter(console, 7, "Where to go next")
    for row in document["next"]:
        console.print(Text(f"  {row['run']}", style="bold"), soft_wrap=True)
        console.print(f"      {row['answers']}")


def show_opening(console: Console, document: Row) -> None:
    held = document["counts"]
    console.print(Text("Weighhouse: a workshop that does not exist, on its shelf and in its week", style="bold"))
    console.print(
        f"{held['items']} items, {held['formulas']} formulas, {held['suppliers']} suppliers; {held['lots on hand']} of "
        f"{held['lots']} lots still on hand; {held['finished batches']} finished batches and {held['dispatches']} "
        "dispatches. Firms, people and preparations are invented, the proportions too: nobody should make or use them."
    )
    if document["laid_down_on"] != document["today"]:
        console.print(
            f"It was laid down on {spoken(document['laid_down_on'])}, and its days hang on that day; today is "
            f"{spoken(document['today'])}. To begin afresh, {afresh()} and run demo again.",
            style="yellow",
        )
    elif not document["laid_down_now"]:
        console.print("It stood here already: nothing was written.")


def afresh() -> str:
    if connection.vendor == "sqlite":
        return f"remove the database file {Path(settings.DATABASES['default']['NAME']).name}"
    return "give it an empty database"


def chapter(console: Console, number: int, text: str) -> None:
    console.print()
    console.rule(Text(f"{number}  {text}", style="bold cyan"), align="left", style="cyan")
    console.print()


def show_cautions(console: Console, rows: Iterable[Row]) -> None:
    for row in rows:
        console.print(Text.assemble((", ".join(row["items"]), "bold"), f": {row['caution']}"))
    console.print()
    console.print(terminal.CAUTION, style="dim")


def spoken(day: str) -> str:
    """ "Monday 30 November 2026"."""
    return f"{date.fromisoformat(day):%A} {date.fromisoformat(day).day} {date.fromisoformat(day):%B %Y}"
