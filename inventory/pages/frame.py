"""What every page is made of: pages that show, pages with a form, lists cut by key. Knows nothing of planner.

A page makes one read call (``facts``) and, where it writes, one domain call (``act``). Forms are those of the API, or
made of the same fields, so that one value is read in one way at every door; an input has the name that a fault names
(``lots[2].quantity``). Refusals of ``act`` come back beside their inputs, others as a page of their own.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from types import SimpleNamespace
from typing import Any, ClassVar

from django.contrib import messages
from django.contrib.auth.models import User
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.views import View
from rest_framework import serializers

from inventory.api import fields
from inventory.api.frame import Form, read_form
from inventory.api.pages import Listing, page_of
from inventory.errors import BadInput, Conflict, DomainError, Fault, KeyReused
from inventory.pages.conventions import as_typed, plain_number, with_offset, with_unit
from inventory.quantities import MASS
from inventory.transactions import retry_safe

Facts = dict[str, Any]
KEY = "retry-key"
ROWS_ON_A_PAGE = 50
STANDS = "stands"  # a mark of what was on record when the form was shown
_NOT_CONTENT = {"csrfmiddlewaretoken", KEY, STANDS}
MOST_TOLD = 8
_NUMBER = re.compile(r"[+-]?[0-9][0-9.,]*")
_PLACE = re.compile(r"^(\w+)\[([0-9]{1,4})\]\.(\w+)$")


# --- pages that show ---------------------------------------------------------------------------------------


class Page(View):
    """One page. ``section`` is the route name of the navigation word that it belongs to."""

    template_name: ClassVar[str]
    section: ClassVar[str] = ""
    http_method_names = ["get", "head", "post"]

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        """What the template shows: one read call. Raises inventory.errors."""
        return {}

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        return self.shown(request, self.facts(request, **where))

    def shown(self, request: HttpRequest, facts: Facts, status: int = 200) -> HttpResponse:
        return render(request, self.template_name, facts, status=status)


def person_of(request: HttpRequest) -> User:
    """Who acts: the gate let in nobody who is not signed in."""
    assert isinstance(request.user, User)
    return request.user


@dataclass(frozen=True, slots=True)
class Cut:
    """One page of a list: its rows, and the address of the next page; "" on the last. ``first`` is that of the top."""

    rows: list[Any]
    next: str
    first: str


def cut(listing: Listing, request: HttpRequest, *, most: int = ROWS_ON_A_PAGE) -> Cut:
    """The page of a list that the request's ``cursor`` names. Raises BadInput for a cursor that is none."""
    asked: dict[str, Any] = {"limit": most}
    if request.GET.get("cursor"):
        asked["cursor"] = request.GET["cursor"]
    reader: Any = SimpleNamespace(query_params=request.GET, path=request.path)
    page = page_of(listing, asked, reader)
    query = request.GET.copy()
    query.pop("cursor", None)
    first = f"{request.path}?{query.urlencode()}" if query else request.path
    return Cut(page["rows"], page["next"] or "", first if "cursor" in asked else "")


def chosen(form: type[Form], request: HttpRequest) -> tuple[dict[str, Any], FormSheet]:
    """The filters of a page as values, and as they stand in its search form; a wrong one is told there and left out."""
    sheet = FormSheet(form, _texts(request.GET), key="")
    given = {name: value for name, value in sheet.texts.items() if name in form._declared_fields and value.strip()}
    try:
        return read_form(form, given, texts=True), sheet
    except BadInput as error:
        wrong = {fault.field for fault in error.faults}
        sheet = replace(sheet, faults=_by_field(error.faults), refusal=error.message)
        kept = {name: value for name, value in given.items() if name not in wrong}
        return read_form(form, kept, texts=True), sheet


# --- forms -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FormSheet:
    """A form as its page shows it: what was typed, by the input's name, and what was wrong with it."""

    form: type[Form]
    texts: Mapping[str, str]
    key: str
    lines: Mapping[str, int] = field(default_factory=dict)  # how many lines of each list are shown
    faults: Mapping[str, list[Fault]] = field(default_factory=dict)
    refusal: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)  # of the refusal
    stands: str = ""  # the mark, where the form guards what somebody else changes meanwhile

    def field_of(self, name: str) -> Any:
        """The declared field of an input's name: ``quantity`` or ``lots[2].quantity``."""
        place = _PLACE.match(name)
        if place is None:
            return self.form._declared_fields.get(name)
        lines: Any = self.form._declared_fields[place[1]]
        return lines.child.fields.get(place[3])

    def text_shown(self, name: str, value: Any) -> str:
        """What stands in an input that the program fills: what it reads again, by the reader's signs."""
        text = _as_text(value)
        is_number = isinstance(self.field_of(name), fields.Quantity | fields.Number | fields.Percent)
        return as_typed(text) if is_number else text

    def text_of(self, name: str) -> str:
        return self.texts.get(name, "")

    def rows(self, name: str) -> range:
        """The numbers of the lines that are shown of a list."""
        return range(self.lines.get(name, 0))

    @property
    def told(self) -> list[Fault]:
        return [fault for faults in self.faults.values() for fault in faults]


@dataclass(frozen=True, slots=True)
class Done:
    """What came of an act: where the reader goes now, and the sentence told there."""

    to: str
    told: str = ""


class FormPage(Page):
    """A page with one form. GET shows it; POST acts and goes on, or shows it again with what was wrong.

    ``lines`` tells how many empty lines each list of the form begins with. ``sides`` names further buttons
    (``<button name="side" value="again:3">``): each is a method ``(request, texts, facts, "3")`` that takes what was
    typed and gives it back changed; nothing is written then. Sending the same form twice does the act once.
    """

    form: ClassVar[type[Form]]
    guards: ClassVar[bool] = False  # the form of a change: refused once where somebody else changed it meanwhile
    clears: ClassVar[bool] = False  # the form of a change: an emptied input empties what is kept
    kept: ClassVar[bool] = True  # done once for its key, whole or not at all; without, what was counted stays counted
    lines: ClassVar[Mapping[str, int]] = {}
    sides: ClassVar[Mapping[str, str]] = {}

    def initial(self, request: HttpRequest, facts: Facts) -> Mapping[str, Any]:
        """What stands in the inputs at first, by their names."""
        return {}

    def stands(self, request: HttpRequest, facts: Facts | None, **where: Any) -> Mapping[str, Any]:
        """What is on record, by the inputs that show it: what a form that ``guards`` must not overwrite unseen."""
        return self.initial(request, self.facts(request, **where) if facts is None else facts)

    def measure_of(self, name: str, texts: Mapping[str, str], facts: Facts) -> str:
        """The measure of a quantity that was typed without a unit."""
        return MASS

    def act(self, request: HttpRequest, asked: dict[str, Any], **where: Any) -> Done:
        """One domain call. Raises inventory.errors; faults name inputs."""
        raise NotImplementedError

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        facts = self.facts(request, **where)
        sheet = FormSheet(self.form, {}, _fresh_key())
        texts = {name: sheet.text_shown(name, value) for name, value in self.initial(request, facts).items()}
        mark = _mark_of(self.stands(request, facts, **where)) if self.guards else ""
        return self.show(request, facts, replace(sheet, texts=texts, lines=self._lines_of(texts), stands=mark))

    def post(self, request: HttpRequest, **where: Any) -> HttpResponse:
        texts = _texts(request.POST)
        key = request.POST.get(KEY) or _fresh_key()
        side, _, which = request.POST.get("side", "").partition(":")
        if side in self.sides:
            facts = self.facts(request, **where)
            changed = dict(getattr(self, self.sides[side])(request, texts, facts, which))
            sheet = FormSheet(self.form, changed, key, self._lines_of(changed), stands=request.POST.get(STANDS, ""))
            return self.show(request, facts, sheet)
        try:
            done = self._act_once(request, texts, key, where)
        except DomainError as error:
            sheet = FormSheet(
                self.form,
                texts,
                _fresh_key() if isinstance(error, KeyReused) else key,
                self._lines_of(texts),
                _by_field(error.faults),
                error.message,
                error.facts,
                error.mark if isinstance(error, ChangedMeanwhile) else request.POST.get(STANDS, ""),
            )
            return self.show(request, self.facts(request, **where), sheet, status=error.status)
        if done.told:
            messages.success(request, done.told)
        return HttpResponseRedirect(done.to, status=303)

    def show(self, request: HttpRequest, facts: Facts, sheet: FormSheet, status: int = 200) -> HttpResponse:
        return self.shown(request, facts | {"form": sheet}, status)

    def _act_once(self, request: HttpRequest, texts: dict[str, str], key: str, where: dict[str, Any]) -> Done:
        given, written = given_by(self.form, texts, lambda name: self.measure_of(name, texts, {}), begun=self._begun)
        if self.clears:
            given = _emptied(self.form, texts, given)

        def act() -> list[str]:
            self._expect_unchanged(request, texts, where)
            done = self.act(request, read_form(self.form, given, texts=True), **where)
            return [done.to, done.told]

        if not self.kept:
            return self.act(request, read_form(self.form, given, texts=True), **where)
        action = f"page {request.resolver_match.url_name if request.resolver_match else ''}"[:60]
        try:
            to, told = retry_safe(key, action, [request.user.pk, where, given, *_digests(request)], act)
        except DomainError as error:
            error.faults = [_written_at(fault, written) for fault in error.faults]
            raise
        return Done(to, told)

    def _expect_unchanged(self, request: HttpRequest, texts: Mapping[str, str], where: dict[str, Any]) -> None:
        """Raise ChangedMeanwhile where the record is not as it was when the form was shown."""
        seen = request.POST.get(STANDS, "") if self.guards else ""
        if not seen:
            return
        now = self.stands(request, None, **where)
        if _mark_of(now) == seen:
            return
        sheet = FormSheet(self.form, texts, "")
        differ = [
            f"{re.sub(r'[_.]+', ' ', name)} \N{LEFT DOUBLE QUOTATION MARK}{shown}\N{RIGHT DOUBLE QUOTATION MARK}"
            for name, value in now.items()
            if (shown := sheet.text_shown(name, value)) != texts.get(name, "").strip()
        ]
        raise ChangedMeanwhile(_mark_of(now), differ)

    def _begun(self, name: str, line: Mapping[str, str]) -> bool:
        """Whether a line of a list was begun: something stands in it. Lines that were not are passed over."""
        return any(line.values())

    def _lines_of(self, texts: Mapping[str, str]) -> dict[str, int]:
        found = dict(self.lines)
        for name in texts:
            place = _PLACE.match(name)
            if place is not None and place[1] in found:
                found[place[1]] = max(found[place[1]], int(place[2]) + 1)
        return found


def given_by(
    form: type[Form],
    texts: Mapping[str, str],
    measure_of: Callable[[str], str],
    *,
    begun: Callable[[str, Mapping[str, str]], bool] = lambda name, line: any(line.values()),
) -> tuple[dict[str, Any], dict[str, list[int]]]:
    """What was typed, as a request of the API would bring it, and for each list the numbers of the lines kept.

    Blank inputs are left out unless blank is a value there. Inputs that the form does not know are left out.
    """
    given: dict[str, Any] = {}
    lists: dict[str, dict[int, dict[str, str]]] = {}
    for name, text in texts.items():
        place = _PLACE.match(name)
        if place is not None and place[1] in form._declared_fields:
            lists.setdefault(place[1], {}).setdefault(int(place[2]), {})[place[3]] = text.strip()
        elif name in form._declared_fields:
            _give(given, name, form._declared_fields[name], text, name, measure_of)
    written: dict[str, list[int]] = {}
    for of, lines in lists.items():
        child: Any = form._declared_fields[of].child
        written[of] = [at for at in sorted(lines) if begun(of, lines[at])]
        given[of] = []
        for at in written[of]:
            line: dict[str, Any] = {}
            for name, text in lines[at].items():
                if name in child.fields:
                    _give(line, name, child.fields[name], text, f"{of}[{at}].{name}", measure_of)
            given[of].append(line)
    return given, written


def _give(into: dict[str, Any], name: str, one: Any, text: str, path: str, measure_of: Callable[[str], str]) -> None:
    text = text.strip() if not isinstance(one, fields.Secret) else text
    if not text:
        if getattr(one, "blank", False) and one.required:
            into[name] = ""
    elif isinstance(one, fields.Quantity):
        into[name] = with_unit(text, measure_of(path), path)
    elif isinstance(one, fields.Number | fields.Percent):
        into[name] = plain_number(text, path)
    elif isinstance(one, fields.Showed):
        into[name] = plain_number(text, path) if _NUMBER.fullmatch(text) else text
    elif isinstance(one, fields.Instant):
        into[name] = with_offset(text)
    elif isinstance(one, fields.ListOf):
        into[name] = text.split("\n")
    else:
        into[name] = text


def _emptied(form: type[Form], texts: Mapping[str, str], given: dict[str, Any]) -> dict[str, Any]:
    """With nothing for each input that was sent empty, where its field has a way to say nothing."""
    found = dict(given)
    for name, declared in form._declared_fields.items():
        one: Any = declared
        if name not in texts or texts[name].strip():
            continue
        if one.allow_null:
            found[name] = None
        elif getattr(one, "blank", False):
            found[name] = ""
        elif isinstance(one, fields.Whole) and one.low == 0:
            found[name] = "0"
    return found


class ChangedMeanwhile(Conflict):
    """Somebody else changed what a form shows. ``mark`` is that of what stands now: who sends again has been told."""

    def __init__(self, mark: str, differ: Sequence[str]) -> None:
        more = f" and {len(differ) - MOST_TOLD} more" if len(differ) > MOST_TOLD else ""
        told = f" It says now: {', '.join(differ[:MOST_TOLD])}{more}." if differ else ""
        super().__init__(
            f"somebody else changed this since you opened it.{told} What you wrote stands below: change it, or send it "
            "once more",
            code="changed_meanwhile",
        )
        self.mark = mark


def _mark_of(values: Mapping[str, Any]) -> str:
    told = json.dumps({name: _as_text(value) for name, value in values.items()}, sort_keys=True)
    return sha256(told.encode()).hexdigest()[:20]


def _texts(posted: Any) -> dict[str, str]:
    """What was typed by input name; of an input sent several times, all of it, a line each."""
    return {name: "\n".join(values) for name, values in posted.lists() if name not in _NOT_CONTENT}


def _as_text(value: Any) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _digests(request: HttpRequest) -> list[str]:
    """Of files that came with the form: the same key with another file is another act."""
    found = []
    for name in sorted(request.FILES):
        for file in request.FILES.getlist(name):
            digest = sha256()
            for piece in file.chunks():
                digest.update(piece)
            file.seek(0)
            found.append(digest.hexdigest())
    return found


def _fresh_key() -> str:
    return uuid.uuid4().hex


def _by_field(faults: Iterable[Fault]) -> dict[str, list[Fault]]:
    found: dict[str, list[Fault]] = {}
    for fault in faults:
        found.setdefault(fault.field, []).append(fault)
    return found


def _written_at(fault: Fault, written: Mapping[str, list[int]]) -> Fault:
    """The fault at the line where it was written, where empty lines before it were passed over."""
    place = _PLACE.match(fault.field)
    if place is None or place[1] not in written or int(place[2]) >= len(written[place[1]]):
        return fault
    return replace(fault, field=f"{place[1]}[{written[place[1]][int(place[2])]}].{place[3]}")


def refused_sheet(sheet: FormSheet, error: DomainError) -> FormSheet:
    """The form with what was refused, where a page looks before it acts."""
    return replace(sheet, faults=_by_field(error.faults), refusal=error.message, facts=error.facts)


def is_required(one: Any) -> bool:
    return bool(getattr(one, "required", False)) and not isinstance(one, serializers.ListSerializer)
