"""Blanking the personal data of a private customer: what says who it is goes, what was sent to it stays.

Dispatches and demands go on pointing to the party, so that every trace still balances and still finds its units.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import CharField, F, Model, Q, QuerySet, TextField, Value
from django.db.models.functions import Cast, Concat

from inventory import acting, clock
from inventory.errors import WrongState
from inventory.models import Alert, ChangeRecord, Demand, Dispatch, Party, PurchaseOrderLine, RetryKey
from inventory.services.changes import Act, Kind
from inventory.transactions import write

BLANK = "blanked"


@dataclass(frozen=True, slots=True)
class Words:
    """What said who it was, and what is written in its place: whole words only.

    ``references`` are numbers or words that others may bear too: they tell somebody only where they follow the code
    of their party ("MIRA/1", "MIRA 1"), or stand beside it as a whole value.
    """

    instead_of: dict[str, str]
    references: dict[str, str]
    code: str

    def in_text(self, text: str) -> str:
        """All words in one pass, the longest first, so that what was written in is not read again."""
        if not self.instead_of:
            return text
        named, code = _any_of(self.instead_of), re.escape(self.code)
        found = rf"(?<!\w)(?:{named})(?!\w)"
        if self.references:
            followed = rf"(?<!\w)({code})([/ ])({_any_of(self.references)})(?!\w)"
            return re.sub(rf"{followed}|{found}", self._instead, text)
        return re.sub(found, self._instead, text)

    def _instead(self, found: re.Match[str]) -> str:
        if found.lastindex:
            code, between, reference = found.group(1, 2, 3)
            return self.instead_of.get(code, code) + between + self.references[reference]
        return self.instead_of[found.group()]

    def in_json(self, value: Any) -> Any:
        """Every text in a JSON value, however deep; names of its members and numbers stay."""
        if isinstance(value, dict):
            return {name: self.in_json(one) for name, one in value.items()}
        if isinstance(value, list):
            return [self.in_json(one) for one in value]
        if not isinstance(value, str):
            return value
        return self.in_text(value)

    def in_subject(self, value: Any) -> Any:
        """As ``in_json``; a reference of its own, beside the customer's code, goes too."""
        told = self.in_json(value)
        if isinstance(value, dict) and value.get("customer") == self.code and "reference" in value:
            told["reference"] = self.references.get(value["reference"], told["reference"])
        return told

    def rewrite(self, rows: QuerySet[Any], texts: Iterable[str], jsons: Iterable[str] = ()) -> int:
        """Rewrite these fields of the rows that hold one of the words; answers how many rows did."""
        texts, jsons = list(texts), list(jsons)
        casts = {f"{name}_as_text": Cast(name, TextField()) for name in jsons}
        holds = Q()
        for word in {*self.instead_of, self.code}:
            for name in texts:
                holds |= Q(**{f"{name}__contains": word})
            for name in casts:
                # SQLite keeps signs beyond ASCII escaped.
                holds |= Q(**{f"{name}__contains": _within_json(word)})
                holds |= Q(**{f"{name}__contains": json.dumps(word)[1:-1]})
        found: list[Model] = list(rows.annotate(**casts).filter(holds))
        for row in found:
            for name in texts:
                setattr(row, name, self.in_text(getattr(row, name)))
            for name in jsons:
                setattr(row, name, self.in_subject(getattr(row, name)))
        if found:
            rows.model._default_manager.bulk_update(found, [*texts, *jsons], batch_size=500)
        return len(found)


def _any_of(words: Iterable[str]) -> str:
    return "|".join(re.escape(word) for word in sorted(words, key=lambda one: (-len(one), one)))


def _within_json(word: str) -> str:
    return json.dumps(word, ensure_ascii=False)[1:-1]


@write
def blank_party(*, party: Party, keep_code: bool = False) -> tuple[Party, Words]:
    """Blank who a private customer is; answers the party, and the words that must go wherever else they stand.

    Name, e-mail, phone and address go, and the code, unless ``keep_code`` says that it tells nobody's name; the
    references of its demands and dispatches; what the change log says of it; alerts that name it; kept answers to
    retries that told it. Reasons written beside stock events stay: the ledger only grows.

    Raises WrongState while something is still to be sent to it, or to come from it.
    """
    party = Party.objects.select_for_update(no_key=True).get(pk=party.pk)
    _refuse_while_open(party)
    code = party.code if keep_code else f"PARTY-{party.pk}"
    words = _words_of(party, code)
    _blank_log(party.code, code)
    _forget_answers(words)
    words.rewrite(Alert.objects.all(), ["subject", "message"], ["facts"])
    _blank_references(party)
    party.code, party.name = code, BLANK
    party.email = party.phone = party.address = ""
    party.save()
    ChangeRecord.objects.create(kind=Kind.PARTY, code=code, act=Act.BLANKED, who=acting.person())
    return party, words


def _refuse_while_open(party: Party) -> None:
    if Demand.objects.filter(customer=party, closed_at=None, dispatched__lt=F("quantity")).exists():
        raise WrongState(f"something is still wanted by {party.code}: dispatch it or close the demand first")
    if PurchaseOrderLine.objects.filter(order__supplier=party, closed_at=None).exists():
        raise WrongState(f"something is still on order from {party.code}: close the order's lines first")


def _words_of(party: Party, code: str) -> Words:
    told = {party.name, party.email, party.phone, party.address}
    instead = dict.fromkeys((word for word in told if word), BLANK)
    if code != party.code:
        instead[party.code] = code
    # Each of a demand its own, as the demand itself bears it then: what names a demand goes on naming one.
    sent = Dispatch.objects.filter(customer=party).exclude(reference="").values_list("reference", flat=True)
    references = dict.fromkeys(sent, BLANK)
    wanted = Demand.objects.filter(customer=party).exclude(reference="").order_by("-pk")
    references |= {reference: f"{BLANK}-{pk}" for pk, reference in wanted.values_list("pk", "reference")}
    return Words(instead, references, party.code)


def _blank_log(code: str, new_code: str) -> None:
    """The one change that the database lets through: see inventory/change_triggers.py."""
    rows = ChangeRecord.objects.filter(code=code, blanked_at=None)
    now = clock.now()
    rows.filter(kind=Kind.PARTY).update(code=new_code, before="", after="", blanked_at=now)
    rows.filter(kind=Kind.OFFER).update(code=new_code, blanked_at=now)


def _forget_answers(words: Words) -> None:
    """An answer that tells one of the words is not kept for a retry any more; a reference alone tells nobody."""
    telling = Q()
    for word in {*words.instead_of, words.code}:
        telling |= Q(text__contains=json.dumps(word, ensure_ascii=False)) | Q(text__contains=json.dumps(word))
    RetryKey.objects.annotate(text=Cast("answer", TextField())).filter(telling).delete()


def _blank_references(party: Party) -> None:
    """A demand is named by its reference among others: each gets one of its own."""
    own = Concat(Value(f"{BLANK}-"), Cast("pk", CharField()))
    Demand.objects.filter(customer=party).exclude(reference="").update(reference=own)
    Demand.objects.filter(customer=party).exclude(closed_why="").update(closed_why=BLANK)
    Dispatch.objects.filter(customer=party).exclude(reference="").update(reference="")
