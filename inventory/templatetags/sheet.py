"""How pages show things: ``{% load sheet %}``. Filters for quantities and days, tags for the parts of a form."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any
from urllib.parse import urlencode

from django import template
from django.template.loader import get_template
from django.urls import get_script_prefix, reverse
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from inventory import clock
from inventory.api import fields
from inventory.api.frame import CodeConverter
from inventory.errors import Fault
from inventory.pages import conventions
from inventory.pages.frame import KEY, STANDS, FormSheet, is_required

register = template.Library()


# --- showing -----------------------------------------------------------------------------------------------


@register.filter
def quantity(steps: int | None, measured: Any) -> str:
    """``{{ row.free|quantity:row.item }}``: by an item (or its row), or by its measure alone."""
    return conventions.show_quantity(steps, measured)


@register.filter
def number(value: Decimal | int | str | None) -> str:
    return "" if value in (None, "") else conventions.show_number(Decimal(str(value)))


@register.filter
def day(value: Any) -> SafeString | str:
    """ "27 Nov 2026" """
    return _time(value, conventions.show_day(value))


@register.filter
def weekday(value: Any) -> SafeString | str:
    """ "Fri 27 Nov" """
    return _time(value, conventions.show_day(value, year=False, weekday=True))


@register.filter
def long_day(value: Any) -> SafeString | str:
    """ "Fri 27 Nov 2026" """
    return _time(value, conventions.show_day(value, weekday=True))


@register.filter
def sentence(text: str) -> str:
    """What a notice says, its days and quantities as the reader writes them."""
    return conventions.show_sentence(text)


@register.filter
def moment(value: Any) -> SafeString | str:
    """ "27 Nov 2026, 14:05" """
    return conventions.show_moment(value)


def _time(value: Any, told: str) -> SafeString | str:
    found = conventions.as_day(value)
    return _time_element(found, told) if found else ""


@lru_cache(maxsize=2000, typed=True)
def _time_element(found: date, told: str) -> SafeString:
    """The same few days stand in hundreds of rows."""
    return format_html('<time datetime="{}">{}</time>', found.isoformat(), told)


@register.filter
def address(part: str, route: str) -> str:
    """``{{ row.item|address:"item-days" }}``: as ``{% url %}`` with one part, for tables of hundreds of rows."""
    return _address(get_script_prefix(), route, part)


@lru_cache(maxsize=5000)
def _address(prefix: str, route: str, part: str) -> str:
    """``prefix`` is part of what is answered."""
    return reverse(route, args=[part])


class _Row:
    """What a piece shows, told by what covers all that it says."""

    __slots__ = ("of", "shown")

    def __init__(self, shown: Any, of: Hashable) -> None:
        self.shown, self.of = shown, of

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Row) and self.of == other.of

    def __hash__(self) -> int:
        return hash(self.of)


@register.simple_tag
def piece(template_name: str, row: Any, of: Hashable = None, **told: Hashable) -> SafeString:
    """A part of a page of which hundreds stand there: ``{% piece "planner/pieces/to_buy.html" row of=row.id %}``.

    It is made of nothing but ``row`` and what else it is ``told``, by the reader's conventions, and so kept: the same
    again is not written anew. ``of`` covers all that the row says; without, the row is a value that can be hashed.
    Raises ValueError where ``of`` is "": a name that the template does not know.
    """
    if of == "":
        raise ValueError(f"piece {template_name}: what is given as of= is not known here")
    also = tuple((name, type(value), value) for name, value in told.items())
    made_of = _Row(row, row if of is None else of)
    written = get_template(template_name).template  # type: ignore[attr-defined]
    return _piece(written, made_of, also, conventions.current(), get_script_prefix())


@lru_cache(maxsize=5000)
def _piece(written: Any, row: _Row, told: tuple[tuple[str, type, Any], ...], *_seen_by: Hashable) -> SafeString:
    values = {name: value for name, _, value in told}
    found: SafeString = written.render(template.Context(values | {"row": row.shown}))
    row.shown = None  # of a piece that is kept, what tells it is enough
    return found


@register.simple_tag
def time_left(last_day: Any, today: date | None = None) -> SafeString:
    """What is left of a life, in words, with a mark for what is past or ends within two weeks."""
    found = conventions.as_day(last_day)
    now = today or clock.today()
    kind = "never" if found is None else "past" if found < now else "soon" if (found - now).days <= 14 else "long"
    return format_html('<span class="left {}">{}</span>', kind, conventions.show_time_left(found, now))


@register.simple_tag
def state(word: str, **told: str) -> SafeString:
    """A state as a stamped word: never told by colour alone. ``{% state lot.status %}``"""
    return _stamp(word, told.get("as", word.replace("_", " ")))


@lru_cache(maxsize=500, typed=True)  # a text that is safe already is of another type
def _stamp(word: str, told: str) -> SafeString:
    return format_html('<span class="stamp {}">{}</span>', word.replace("_", "-"), told)


@register.filter
def money(steps: int | None, places: int = 4) -> str:
    """An amount kept in whole steps of so many decimals, with at least two: by the reader's signs."""
    told = fields.show_money(steps, places)
    if told is None:
        return ""
    return conventions.show_number(Decimal(told), max(2, len(told.partition(".")[2])))


@register.filter
def first_of(rows: Sequence[Any], most: int | None) -> Sequence[Any]:
    """So many of the rows; all where no number is given."""
    return rows if most is None else rows[:most]


@register.filter
def words(code: str) -> str:
    """A code of the program as words: "sent_back" is "sent back"."""
    return code.replace("_", " ")


@register.filter
def unit(item: Any) -> str:
    """The unit that a number typed alone is taken in, for this item."""
    return "pc" if item.measure == "count" else conventions.current().unit


@register.simple_tag
def spot(portion: Any) -> str:
    """A portion's place, container and whether it is set apart, for an address."""
    row = portion if isinstance(portion, dict) else vars(portion)
    apart = {"set_apart": "yes"} if row["set_apart"] else {}
    return urlencode({"place": row["place"], "container": row["container"]} | apart)


@register.filter
def in_path(code: str) -> str:
    """A code as it stands in a path: its slashes and tildes written otherwise (RFC 6901)."""
    return CodeConverter().to_url(code)


@register.filter
def pairs(values: Iterable[str]) -> list[tuple[str, str]]:
    """Plain values as options of an input."""
    return [(value, value) for value in values]


@register.simple_tag
def suggestions(pairs: Iterable[tuple[str, str]]) -> SafeString:
    """The options of a ``datalist``: value and words of each. No template is walked for each of thousands."""
    return format_html_join("", '<option value="{}">{}</option>', pairs)


# --- forms -------------------------------------------------------------------------------------------------


def input_id(name: str) -> str:
    return "in-" + name.replace("[", "-").replace("].", "-").replace(".", "-").replace("_", "-")


@register.filter(name="in_words")
def sentence_of(fault: Fault) -> str:
    """A fault in words, for beside its input."""
    accepted = fault.accepted
    if accepted.startswith("required: "):
        return f"Needed: {accepted.removeprefix('required: ')}."
    if not fault.value:
        return f"Needed: {accepted}."
    return (
        f"\N{LEFT DOUBLE QUOTATION MARK}{fault.value}\N{RIGHT DOUBLE QUOTATION MARK} is not taken. Wanted: {accepted}."
    )


KINDS = (
    (fields.Day, "day"), (fields.Instant, "instant"), (fields.Flag, "flag"), (fields.Choice, "choice"),
    (fields.LongText, "long"),
    (fields.Secret, "secret"), (fields.Quantity, "quantity"), (fields.Whole, "whole"), (fields.Number, "number"),
    (fields.Percent, "number"), (fields.Email, "email"),
)  # fmt: skip


def _kind_of(one: Any) -> str:
    return next((kind for cls, kind in KINDS if isinstance(one, cls)), "text")


@register.inclusion_tag("inventory/pieces/field.html")
def field(form: FormSheet, name: str, label: str, **told: Any) -> dict[str, Any]:
    """One labelled input of a form, with its hint and what was wrong.

    ``hint`` a sentence below the label; ``unit`` a word behind the input; ``kind`` in place of the field's own;
    ``options`` pairs of value and words, for a choice, or suggestions for a text (``kind="text"``);
    ``autofocus``, ``wide``, ``autocomplete``, ``digits`` (a keypad for a secret of digits), ``bare`` (label for screen
    readers only: in a table, where its column says it).
    """
    one = form.field_of(name)
    found = form.faults.get(name, [])
    identity = input_id(name)
    kind = told.get("kind") or _kind_of(one)
    options: Any = told.get("options")
    if options is None and kind == "choice":
        options = [(value, value.replace("_", " ")) for value in getattr(one, "options", ())]
    text, required = form.text_of(name), told.get("required", is_required(one))
    if kind == "choice" and not (text and required) and not any(value == "" for value, _ in options):
        options = [("", told.get("blank", "\N{EN DASH}")), *options]  # nothing is chosen for anybody
    described = [f"{identity}-hint"] * bool(told.get("hint")) + [f"{identity}-fault"] * bool(found)
    return told | {
        "name": name,
        "label": label,
        "id": identity,
        "kind": kind,
        "text": text,
        "options": options,
        "required": required,
        "asks": not form.key,  # a search: everything may be left blank, and nobody need say so
        "faults": [sentence_of(fault) for fault in found],
        "described_by": " ".join(described),
        "length": getattr(one, "length", None),
    }


@register.inclusion_tag("inventory/pieces/refusal.html")
def refusal(form: FormSheet) -> dict[str, Any]:
    """What was wrong with a form as a whole, first on the page, with a link to each input."""
    told = [
        {"id": input_id(fault.field), "known": form.field_of(fault.field) is not None, "told": sentence_of(fault)}
        for fault in form.told
    ]
    # Where the faults say all, a sentence that there are some, or the same in a program's words, says nothing more.
    again = any(form.refusal.endswith(f"accepted: {fault.accepted}") for fault in form.told)
    says_more = not (told and (again or form.refusal.endswith("nothing was changed")))
    return {"refusal": form.refusal, "says_more": says_more, "faults": told, "facts": form.facts}


@register.inclusion_tag("inventory/pieces/form_start.html", takes_context=True)
def form_start(context: Any, form: FormSheet) -> dict[str, Any]:
    """The hidden parts that every form begins with: what guards it against other sites, and its retry key."""
    hidden = {"csrf_token": context.get("csrf_token"), "key": form.key, "key_name": KEY}
    return hidden | {"stands": form.stands, "stands_name": STANDS}


@register.filter
def has(form: Any, name: str) -> bool:
    """Whether a form has this input."""
    return name in form._declared_fields


@register.filter
def lines_of(form: FormSheet, name: str) -> list[str]:
    """``{% for line in form|lines_of:"lots" %}``: what the names of a line's inputs begin with, "lots[0]."."""
    return [f"{name}[{at}]." for at in form.rows(name)]


@register.filter
def told_in(form: FormSheet, line: str) -> bool:
    """Whether something was wrong in a line: what is folded away opens then."""
    return any(name.startswith(line) for name in form.faults)


@register.filter
def then(first: str, second: str) -> str:
    """``{% with name=line|then:"quantity" %}``"""
    return f"{first}{second}"


@register.filter
def typed(form: FormSheet, name: str) -> str:
    return form.text_of(name)
