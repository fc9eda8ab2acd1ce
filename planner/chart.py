"""The picture of an item's days: what is left as a stair, what comes above, the safety stock as a line.

Pure: from an outlook to shapes in pixels. The table beside it says the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from inventory.pages.conventions import show_day, show_quantity
from planner.outlook import Outlook, OutlookDay

WIDTH, HEIGHT = 860, 260
LEFT, RIGHT, TOP, BOTTOM = 96, 16, 18, 34


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happens on a day: ``kind`` is comes, proposed or spoils."""

    x: int
    y: int
    kind: str


@dataclass(frozen=True, slots=True)
class Tick:
    at: int
    told: str


@dataclass(frozen=True, slots=True)
class Chart:
    stair: str  # the path of what is left, firm alone
    proposed: str  # the same with the proposals
    zero: int
    safety: int | None
    marks: tuple[Mark, ...]
    days: tuple[Tick, ...]
    heights: tuple[Tick, ...]
    told: str
    width: int = WIDTH
    height: int = HEIGHT


def chart_of(outlook: Outlook) -> Chart:
    first, last = outlook.days[0].day.toordinal(), outlook.days[-1].day.toordinal()
    figures = [0, outlook.start, outlook.safety_stock]
    figures += [day.left for day in outlook.days] + [day.left_with_proposals for day in outlook.days]
    low, high = min(figures), max(figures)
    span = max(1, high - low)

    def across(ordinal: int) -> int:
        return LEFT + (ordinal - first) * (WIDTH - LEFT - RIGHT) // max(1, last - first)

    def up(steps: int) -> int:
        return TOP + (high - steps) * (HEIGHT - TOP - BOTTOM) // span

    def stair(of: str) -> str:
        path, x = [f"M{LEFT} {up(outlook.start)}"], LEFT
        for day in outlook.days:
            x = across(day.day.toordinal())
            path.append(f"H{x}V{up(getattr(day, of))}")
        return "".join([*path, f"H{WIDTH - RIGHT}"])

    measure = outlook.item.measure
    return Chart(
        stair=stair("left"),
        proposed=stair("left_with_proposals"),
        zero=up(0),
        safety=up(outlook.safety_stock) if outlook.safety_stock else None,
        marks=tuple(_marks(outlook.days, across, up)),
        days=tuple(
            Tick(across(ordinal), show_day(outlook.days[0].day.fromordinal(ordinal), year=False))
            for ordinal in range(first, last + 1, max(1, (last - first) // 6))
        ),
        heights=tuple(Tick(up(steps), show_quantity(steps, measure)) for steps in dict.fromkeys((low, 0, high))),
        told=_told(outlook),
    )


def _marks(days: tuple[OutlookDay, ...], across, up) -> list[Mark]:  # type: ignore[no-untyped-def]
    found = []
    for day in days:
        x = across(day.day.toordinal())
        for kind in ("comes", "proposed", "spoils"):
            if getattr(day, kind):
                found.append(Mark(x, up(day.left_with_proposals if kind == "proposed" else day.left), kind))
    return found


def _told(outlook: Outlook) -> str:
    item, days = outlook.item, outlook.days
    told = f"What is left of {item.code} from {show_day(days[0].day)} to {show_day(days[-1].day)}: "
    told += f"{show_quantity(outlook.start, item)} at first, {show_quantity(days[-1].left, item)} at the end"
    if outlook.short_on:
        told += f", short from {show_day(outlook.short_on)}"
    return f"{told}. The table below says the same day by day."
