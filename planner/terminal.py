"""Tables that a person can read in the terminal: the plan, stock, a trace. Takes the JSON documents, shows them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

Row = dict[str, Any]

COVERAGE_STYLE = {"covered": "green", "expected": "yellow", "short": "bold red"}

# Common practice, no source; the last word is with local rules and a qualified safety assessor.
CAUTION = (
    "Released is the maker's word, not a safety assessment. Never taste, never decant into food containers. A product "
    "with water needs a tested preservation and a count before anyone uses it. Follow local rules, the safety data "
    "sheets and a qualified safety assessor."
)


def heading(console: Console, text: str) -> None:
    console.print()
    console.print(Text(text, style="bold"))


def table(columns: Sequence[str], rows: Iterable[Sequence[Any]], *, right: Sequence[int] = ()) -> Table:
    """A plain ruled table; ``right`` names the columns with numbers."""
    ruled = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for number, name in enumerate(columns):
        ruled.add_column(name, justify="right" if number in right else "left", overflow="fold")
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
    show_buy(console, plan["buy"], most=most)
    show_expiring(console, plan["expiring"], most=most)
    show_unmet(console, plan["unmet"], most=most)


def show_batches(console: Console, rows: Sequence[Row], *, most: int = 20) -> None:
    heading(console, "Batches and whether stock covers them")
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
    """Shortages first, with a substitute that is free; then what is on its way."""
    said = []
    for line in lines:
        if not line["short"].startswith("0 "):
            text = f"{reading(line['short'])} of {line['item']} short"
            free = [one for one in line["substitutes"] if one["enough"]]
            if free:
                text += f" (substitute {free[0]['item']}, ratio {free[0]['ratio']}: {reading(free[0]['free'])} free)"
            said.append(text)
    for line in lines:
        for one in line["expected"]:
            said.append(f"{reading(one['quantity'])} of {line['item']} from {one['source']} on {one['day']}")
    return "; ".join(said)


def show_make(console: Console, rows: Sequence[Row], *, most: int = 20) -> None:
    heading(console, "To make, first things first")
    if not rows:
        console.print("Nothing more needs making in these weeks.")
        return
    console.print(
        table(
            ["start on", "makes", "formula", "charge", "gives", "due on", "for"],
            [
                [
                    day_or_late(row["start_on"], row["late"]),
                    row["item"],
                    f"{row['formula']} v{row['version']}",
                    reading(row["charge"]),
                    reading(row["quantity"]),
                    row["due_on"],
                    said_pegs(row["pegged_to"]),
                ]
                for row in rows[:most]
            ],
            right=(3, 4),
        )
    )
    _more(console, rows, most)


def show_buy(console: Console, rows: Sequence[Row], *, most: int = 20) -> None:
    heading(console, "To buy, by when")
    if not rows:
        console.print("Nothing needs ordering in these weeks.")
        return
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
                    said_pegs(row["pegged_to"]),
                ]
                for row in rows[:most]
            ],
            right=(3, 5),
        )
    )
    _more(console, rows, most)


def day_or_late(day: str, late: bool) -> Text:
    return Text(f"{day} late", style="bold red") if late else Text(day)


def said_pegs(pegs: Sequence[Row]) -> str:
    """Whom a proposal serves, makings by a short form of their id."""
    names = list(dict.fromkeys(peg["to"] for peg in pegs))
    said = ", ".join(name[:17] for name in names[:3])
    return said + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def show_expiring(console: Console, rows: Sequence[Row], *, most: int = 20) -> None:
    heading(console, "What will spoil")
    if not rows:
        console.print("Nothing on hand reaches its last day in these weeks.")
        return
    console.print(
        table(
            ["last day", "item", "lot", "left unused"],
            [[row["expires_on"], row["item"], row["lot"], reading(row["quantity"])] for row in rows[:most]],
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
            ["item", "lot", "status", "place", "container", "quantity", "unit cost", "per", "value"],
            [
                [
                    row["item"],
                    row["lot"],
                    row["status"],
                    row["place"],
                    row["container"] + (" set apart" if row["set_apart"] else ""),
                    reading(row["quantity"]),
                    row["unit_cost"] or "?",
                    row["unit"],
                    row["value"] or "?",
                ]
                for row in document["portions"]
            ],
            right=(5, 6, 8),
        )
    )
    console.print(
        f"Value {document['value']} {document['currency']}".rstrip()
        + f"; {document['unvalued']} portions without a cost"
    )


def show_trace(console: Console, document: Row) -> None:
    """Lots by their distance from the origin, with the balance of each; then batches and who received what."""
    console.print(
        Text(
            f"{document['direction'].capitalize()} trace of {document['lot']} ({document['item']})",
            style="bold",
        )
    )
    console.print(
        table(
            [
                "lot",
                "item",
                "status",
                "in",
                "used",
                "left the house",
                "on hand",
                "accounted",
                "from the origin",
            ],
            [
                [
                    "  " * row["depth"] + row["lot"],
                    row["item"],
                    row["status"],
                    reading(came_in(row)),
                    reading(row["used"]),
                    reading(row["dispatched"]),
                    reading(row["on_hand"]),
                    "" if row["accounted_percent"] is None else f"{row['accounted_percent']} %",
                    "" if row["from_origin"] is None else reading(row["from_origin"]),
                ]
                for row in document["lots"]
            ],
            right=(3, 4, 5, 6, 7, 8),
        )
    )
    if document["batches"]:
        heading(console, "Batches on the way")
        console.print(
            table(
                ["batch", "formula", "state", "made on"],
                [
                    [row["batch"], f"{row['formula']} v{row['version']}", row["state"], row["made_on"]]
                    for row in document["batches"]
                ],
            )
        )
    heading(console, "Who received it")
    if not document["dispatches"]:
        console.print("Nothing of it left the house.")
        return
    console.print(
        table(
            ["day", "to", "lot", "quantity", "reference"],
            [
                [
                    row["on"],
                    row["customer"] or f"public, {row['public_place']}",
                    row["lot"],
                    reading(row["quantity"]),
                    row["reference"],
                ]
                for row in document["dispatches"]
            ],
            right=(3,),
        )
    )


def came_in(row: Row) -> str:
    """Everything that ever came into a lot: opening, received and made."""
    unit = row["opening"].partition(" ")[2]
    total = sum(Decimal(row[kind].partition(" ")[0]) for kind in ("opening", "received", "made"))
    return f"{total:f} {unit}"


def _more(console: Console, rows: Sequence[Row], most: int) -> None:
    if len(rows) > most:
        console.print(f"... and {len(rows) - most} more; --json shows all")
