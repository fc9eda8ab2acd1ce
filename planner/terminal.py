"""Tables that a person can read in the terminal: the plan, stock, a trace. Takes the JSON documents, shows them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

Row = dict[str, Any]

COVERAGE_STYLE = {"covered": "green", "expected": "yellow", "short": "bold red"}

# Why a plan passed a lot over, in words that follow its number.
REASONS = {
    "expired": "is expired",
    "too_short": "does not live long enough",
    "quarantine": "waits for release",
    "held": "is held",
    "rejected": "is rejected",
    "reserved": "is set aside for others",
    "not_yet": "is not here yet",
    "not_enough": "is not enough alone",
}

# Common practice, no source; the last word is with local rules and a qualified safety assessor.
CAUTION = (
    "Released is the maker's word, not a safety assessment. Never taste, never decant into food containers. A product "
    "with water needs a tested preservation and a count before anyone uses it. Follow local rules, the safety data "
    "sheets and a qualified safety assessor."
)


def heading(console: Console, text: str) -> None:
    """A line above a table; none where the text is blank, because something above says it already."""
    if not text:
        return
    console.print()
    console.print(Text(text, style="bold"))


def table(columns: Sequence[str], rows: Iterable[Sequence[Any]], *, right: Sequence[int] = ()) -> Table:
    """A plain ruled table; ``right`` names the columns with numbers. The first column and numbers never break."""
    ruled = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for number, name in enumerate(columns):
        is_number = number in right
        ruled.add_column(
            name, justify="right" if is_number else "left", overflow="fold", no_wrap=is_number or number == 0
        )
    for row in rows:
        ruled.add_row(*[cell if isinstance(cell, Text) else Text("" if cell is None else str(cell)) for cell in row])
    return ruled


def reading(quantity: str) -> str:
    """ "1250 g" as a person says it: "1.25 kg"."""
    number, _, unit = quantity.partition(" ")
    if unit == "g" and abs(Decimal(number)) >= 1000:
        return f"{(Decimal(number) / 1000).normalize():f} kg"
    return quantity


def show_plan(console: Console, plan: Row, *, most: int = 20) -> None:
    console.print(Text(f"Plan from {plan['from']} to {plan['to']}", style="bold"))
    show_batches(console, plan["batches"], most=most)
    show_make(console, plan["make"], most=most)
    show_buy(console, plan["buy"], makes=plan["make"], most=most)
    show_expiring(console, plan["expiring"], today=plan["from"], most=most)
    show_unmet(console, plan["unmet"], most=most)


def show_batches(
    console: Console, rows: Sequence[Row], *, title: str = "Batches and whether stock covers them", most: int = 20
) -> None:
    heading(console, title)
    if not rows:
        console.print("No batch is planned in these weeks.")
        return
    console.print(
        table(
            ["day", "batch", "makes", "coverage", "what is not there yet"],
            [
                [
                    row["planned_for"],
                    row["batch"],
                    row["item"],
                    Text(row["coverage"], style=COVERAGE_STYLE[row["coverage"]]),
                    what_is_missing(row["lines"]),
                ]
                for row in rows[:most]
            ],
        )
    )
    _more(console, rows, most)


def what_is_missing(lines: Sequence[Row]) -> str:
    """Shortages first, with a substitute that is free and the lots that may not serve; then what is on its way."""
    said = []
    for line in lines:
        if not line["short"].startswith("0 "):
            notes = [
                f"substitute {one['item']}, ratio {one['ratio']}: {reading(one['free'])} free"
                for one in line["substitutes"]
                if one["enough"]
            ]
            over = ", ".join(f"{one['lot']} {REASONS[one['reason']]}" for one in line["passed_over"])
            notes += [f"passed over: {over}"] if over else []
            said.append(
                f"{reading(line['short'])} of {line['item']} short" + (f" ({'; '.join(notes)})" if notes else "")
            )
    for line in lines:
        for one in line["expected"]:
            said.append(f"{reading(one['quantity'])} of {line['item']} from {one['source']} on {one['day']}")
    return "; ".join(said)


def show_make(
    console: Console, rows: Sequence[Row], *, title: str = "To make, first things first", most: int = 20
) -> None:
    heading(console, title)
    if not rows:
        console.print("Nothing more needs making in these weeks.")
        return
    makings = made_by_id(rows)
    console.print(
        table(
            ["start on", "makes", "formula", "charge", "gives", "due on", "for"],
            [
                [
                    day_or_late(row["start_on"], row["late"]),
                    row["item"],
                    f"v{row['version']}" if row["formula"] == row["item"] else f"{row['formula']} v{row['version']}",
                    reading(row["charge"]),
                    reading(row["quantity"]),
                    row["due_on"],
                    said_pegs(row["pegged_to"], makings),
                ]
                for row in rows[:most]
            ],
            right=(3, 4),
        )
    )
    _more(console, rows, most)


def show_buy(
    console: Console, rows: Sequence[Row], *, makes: Sequence[Row] = (), title: str = "To buy, by when", most: int = 20
) -> None:
    """``makes`` are the plan's own, so that what a making needs is told by what it makes."""
    heading(console, title)
    if not rows:
        console.print("Nothing needs ordering in these weeks.")
        return
    makings = made_by_id(makes)
    console.print(
        table(
            ["order by", "item", "packs", "cost", "needed on", "free now", "on its way", "for"],
            [
                [
                    day_or_late(row["order_by"], row["late"]),
                    row["item"],
                    ", ".join(f"{one['count']} x {reading(one['pack'])} {one['supplier']}" for one in row["packs"]),
                    row["cost"] or "?",
                    row["need_on"],
                    reading(row["free"]),
                    ", ".join(f"{reading(one['quantity'])} {one['day']}" for one in row["coming"]),
                    said_pegs(row["pegged_to"], makings),
                ]
                for row in rows[:most]
            ],
            right=(3, 5),
        )
    )
    _more(console, rows, most)


def day_or_late(day: str, late: bool) -> Text:
    return Text(f"{day} late", style="bold red") if late else Text(day)


def made_by_id(makes: Iterable[Row]) -> dict[str, str]:
    """What each proposed making makes, by the name that pegs give it."""
    return {f"make:{row['id']}": row["item"] for row in makes}


def said_pegs(pegs: Sequence[Row], makings: Mapping[str, str]) -> str:
    """Whom a proposal serves: a customer and reference, a batch, what is made of it, or the safety stock."""
    names = list(dict.fromkeys(said_peg(peg["to"], makings) for peg in pegs))
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def said_peg(name: str, makings: Mapping[str, str]) -> str:
    kind, _, rest = name.partition(":")
    if kind == "make":
        return makings.get(name, "a later making")
    if kind == "demand":
        customer, _, reference = rest.partition("/")
        return f"{customer} {reference}".strip() or "a demand"
    return rest or "safety stock"


def show_expiring(
    console: Console, rows: Sequence[Row], *, today: str = "", title: str = "What will spoil", most: int = 20
) -> None:
    heading(console, title)
    if not rows:
        console.print("Nothing on hand reaches its last day in these weeks.")
        return
    console.print(
        table(
            ["last day", "item", "lot", "left unused"],
            [
                [
                    Text(f"{row['expires_on']} expired", style="bold red")
                    if row["expires_on"] < today
                    else row["expires_on"],
                    row["item"],
                    row["lot"],
                    "all used before" if row["quantity"].startswith("0 ") else reading(row["quantity"]),
                ]
                for row in rows[:most]
            ],
            right=(3,),
        )
    )
    _more(console, rows, most)


def show_unmet(console: Console, rows: Sequence[Row], *, most: int = 20) -> None:
    if not rows:
        return
    heading(console, "What cannot be had in time")
    console.print(
        table(
            ["day", "item", "quantity", "reason"],
            [[row["day"], row["item"], reading(row["quantity"]), row["reason"]] for row in rows[:most]],
            right=(2,),
        )
    )
    _more(console, rows, most)


def show_stock(console: Console, document: Row) -> None:
    console.print(Text(f"Stock at the end of {document['on']}", style="bold"))
    console.print(
        table(
            ["item", "lot", "status", "last day", "place", "container", "quantity", "unit cost", "value"],
            [
                [
                    row["item"],
                    row["lot"],
                    row["status"],
                    day_or_expired(row["expires_on"], document["on"]),
                    row["place"],
                    row["container"] + (" set apart" if row["set_apart"] else ""),
                    reading(row["quantity"]),
                    f"{Decimal(row['unit_cost']):.2f}/{row['unit']}" if row["unit_cost"] else "?",
                    row["value"] or "?",
                ]
                for row in document["portions"]
            ],
            right=(6, 7, 8),
        )
    )
    console.print(
        f"Value {document['value']} {document['currency']}".rstrip()
        + f"; {document['unvalued']} {'portion' if document['unvalued'] == 1 else 'portions'} without a cost"
    )


def day_or_expired(last_day: str | None, on: str) -> Text:
    """A last day; in red with the word where it is past on the day looked at."""
    if last_day is not None and last_day < on:
        return Text(f"{last_day} expired", style="bold red")
    return Text(last_day or "")


def show_trace(console: Console, document: Row) -> None:
    """Lots by their distance from the origin, each with its balance; batches; who received what; what is here."""
    console.print(
        Text(f"{document['direction'].capitalize()} trace of {document['lot']} ({document['item']})", style="bold")
    )
    console.print(
        table(
            ["lot", "item", "came in", "used", "left us", "otherwise", "on hand", "sums to", "of origin"],
            [
                [
                    " " * row["depth"] + row["lot"],
                    row["item"] if row["status"] == "released" else f"{row['item']} ({row['status']})",
                    added_up(row, CAME_IN),
                    reading(row["used"]),
                    reading(row["dispatched"]),
                    added_up(row, WENT_OTHERWISE),
                    reading(row["on_hand"]),
                    "" if row["accounted_percent"] is None else f"{Decimal(row['accounted_percent']).normalize():f} %",
                    "" if row["from_origin"] is None else reading(row["from_origin"]),
                ]
                for row in document["lots"]
            ],
            right=(2, 3, 4, 5, 6, 7, 8),
        )
    )
    console.print("Otherwise: sent back, sampled, discarded.", style="dim")
    if document["batches"]:
        show_makings(console, document["batches"])
    if document["direction"] == "forward" or document["dispatches"]:
        show_departures(console, document["dispatches"])
    show_here(console, document["here"])


def show_makings(console: Console, rows: Sequence[Row]) -> None:
    heading(console, "Batches on the way")
    console.print(
        table(
            ["batch", "formula", "state", "made on", "weighed in", "made", "lost", "under way"],
            [
                [
                    row["batch"],
                    f"{row['formula']} v{row['version']}",
                    row["state"],
                    row["made_on"],
                    reading(row["weighed_in"]),
                    *what_became(row),
                ]
                for row in rows
            ],
            right=(4, 5, 6, 7),
        )
    )


def what_became(row: Row) -> tuple[str, str, str]:
    """Made, lost and under way of a batch; what went into counted units was packed and has no mass of its own."""
    if not row["packed"].startswith("0 "):
        return "packed", "", ""
    return reading(row["made"]), added_up(row, LOST), reading(row["under_way"])


def show_departures(console: Console, rows: Sequence[Row]) -> None:
    heading(console, "Who received it")
    if not rows:
        console.print("Nothing of it left the house.")
        return
    console.print(
        table(
            ["day", "to", "lot", "quantity", "came back", "reference"],
            [
                [
                    row["on"],
                    row["customer"] or f"the public, {row['public_place']}",
                    row["lot"],
                    reading(row["quantity"]),
                    "" if row["returned"].startswith("0 ") else reading(row["returned"]),
                    row["reference"],
                ]
                for row in rows
            ],
            right=(3, 4),
        )
    )


def show_here(console: Console, rows: Sequence[Row]) -> None:
    heading(console, "Still here, and where")
    if not rows:
        console.print("Nothing of it is here any more.")
        return
    console.print(
        table(
            ["place", "item", "lot", "quantity", ""],
            [
                [
                    ", ".join(part for part in (row["place"], row["container"]) if part),
                    row["item"],
                    row["lot"],
                    reading(row["quantity"]),
                    "set apart" if row["set_apart"] else "",
                ]
                for row in sorted(rows, key=lambda row: (row["place"], row["item"], row["lot"]))
            ],
            right=(3,),
        )
    )


CAME_IN = ("opening", "received", "made", "returned", "counted", "corrected")
WENT_OTHERWISE = ("sent_back", "sampled", "discarded")
LOST = ("residue", "evaporated", "left_in_vessel")


def added_up(row: Row, kinds: Iterable[str]) -> str:
    """The sum of several quantities of a row, which share their unit."""
    kinds = tuple(kinds)
    unit = row[kinds[0]].partition(" ")[2]
    total = sum(Decimal(row[kind].partition(" ")[0]) for kind in kinds)
    return reading(f"{total:f} {unit}")


def _more(console: Console, rows: Sequence[Row], most: int) -> None:
    if len(rows) > most:
        console.print(f"... and {len(rows) - most} more; --json shows all")
