"""Numbers: how a written lot number is folded for finding, and how the next number is proposed.

A proposed number was never used: for a lot by its item, for the others at all. Numbers follow the
workshop's patterns; ``{n}`` is one more than the highest used with the same rest.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from datetime import date
from typing import TypeVar

from django.db import IntegrityError, transaction

from inventory import workshop
from inventory.errors import Conflict
from inventory.models import Dispatch, Item, Lot, PurchaseOrder, Transformation
from inventory.models.items import CODE_LENGTH

DISPATCH_PATTERN = "D{year}{month}{day}-{n}"
ORDER_PATTERN = "P{year}{month}{day}-{n}"
TRIES = 20  # of a number that others may take first
Made = TypeVar("Made")


def fold(text: str) -> str:
    """A number as it is compared: width and case folded, without spaces and dashes ("LAV - 01" is "lav01")."""
    plain = unicodedata.normalize("NFKC", text).casefold()
    kept = (letter for letter in plain if not letter.isspace() and unicodedata.category(letter) not in ("Pd", "Pc"))
    return "".join(kept)[:CODE_LENGTH]


def render(pattern: str, *, day: date, item: str = "") -> tuple[str, str]:
    """What stands before and after ``{n}`` in a number of this day. Weeks are those of ISO 8601."""
    week_year, week, weekday = day.isocalendar()
    for word, value in (
        ("item", item),
        ("year", f"{day.year:04d}"),
        ("month", f"{day.month:02d}"),
        ("day", f"{day.day:02d}"),
        ("week_year", f"{week_year:04d}"),
        ("week", f"{week:02d}"),
        ("weekday", str(weekday)),
    ):
        pattern = pattern.replace("{" + word + "}", value)
    before, _, after = pattern.partition("{n}")
    return before, after.replace("{n}", "")


def next_after(used: Iterable[str], before: str, after: str) -> int:
    """One more than the highest n among the numbers already used."""
    shape = re.compile(re.escape(before) + r"([0-9]{1,9})" + re.escape(after))
    found = (shape.fullmatch(number) for number in used)
    return 1 + max((int(match.group(1)) for match in found if match), default=0)


def propose_lot_numbers(items: Iterable[Item], day: date) -> list[str]:
    """A fresh number for each, in order; an item named twice gets two. Two queries however many."""
    items = list(items)
    pattern = workshop.value_of("lot_pattern")
    shapes = {item.pk: render(pattern, day=day, item=item.code) for item in items}
    used: dict[int, list[str]] = {}
    for item_id, number in Lot.objects.filter(item__in=shapes).values_list("item_id", "number"):
        used.setdefault(item_id, []).append(number)
    following = {pk: next_after(used.get(pk, ()), *shape) for pk, shape in shapes.items()}
    numbers = []
    for item in items:
        before, after = shapes[item.pk]
        numbers.append(f"{before}{following[item.pk]}{after}")
        following[item.pk] += 1
    return numbers


def propose_lot_number(item: Item, day: date) -> str:
    return propose_lot_numbers([item], day)[0]


def propose_batch_number(day: date, item: str = "") -> str:
    """The next batch number; ``item`` is the code of what is made, for patterns that name it.

    A number that a lot of the item carries already is passed over, so that the made lot can bear it.
    """
    before, after = render(workshop.value_of("batch_pattern"), day=day, item=item)
    used = [*_starting(Transformation, "code", before), *_starting(Lot, "number", before)]
    return f"{before}{next_after(used, before, after)}{after}"


def propose_dispatch_number(day: date) -> str:
    before, after = render(DISPATCH_PATTERN, day=day)
    return f"{before}{next_after(_starting(Dispatch, 'code', before), before, after)}{after}"


def propose_order_number(day: date) -> str:
    before, after = render(ORDER_PATTERN, day=day)
    return f"{before}{next_after(_starting(PurchaseOrder, 'code', before), before, after)}{after}"


def with_next_number(propose: Callable[[], str], make: Callable[[str], Made]) -> Made:
    """What ``make`` writes down under a proposed number; under the next one where somebody took it in the meantime.

    Each try is undone as a whole before the next. Whoever writes the same number at this moment is waited for.
    Raises what ``make`` raises, and its refusal of the number once all tries are used up.
    """
    for _ in range(TRIES - 1):
        try:
            with transaction.atomic():
                return make(propose())
        except (Conflict, IntegrityError) as error:
            if not _says_taken(error):
                raise
    return make(propose())


def _says_taken(error: Conflict | IntegrityError) -> bool:
    if isinstance(error, Conflict):
        return error.code == "number_taken"
    return getattr(error.__cause__, "sqlstate", None) == "23505"  # on SQLite nobody else writes meanwhile


def _starting(
    model: type[Transformation] | type[Lot] | type[Dispatch] | type[PurchaseOrder], field: str, before: str
) -> Iterable[str]:
    return model._default_manager.filter(**{f"{field}__startswith": before}).values_list(field, flat=True)
