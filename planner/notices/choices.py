"""A person's own choices: which mails, who stands in while they are away, the secret address of their calendar."""

from __future__ import annotations

import hashlib
import secrets
from datetime import date
from typing import TYPE_CHECKING, Any

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault
from inventory.services.changes import Change, shown, write_down
from inventory.services.changes import Kind as ChangeKind
from inventory.transactions import write
from planner.api.roles import ROLES
from planner.notices.kinds import KINDS, Kind, as_changed
from planner.notices.models import Addressee, NoticeRule

if TYPE_CHECKING:
    from django.contrib.auth.models import User

TOKEN_BYTES = 32
OF_A_RULE = ("roles", "at_once", "soon_days", "escalate_days")  # what an owner may change of a kind


def choices_of(person: User) -> Addressee:
    """As they stand; the defaults for who never chose. Nothing is written."""
    return Addressee.objects.select_related("deputy").filter(person=person).first() or Addressee(person=person)


def _kept(person: User) -> Addressee:
    Addressee.objects.get_or_create(person=person)
    return Addressee.objects.select_for_update(of=("self",), no_key=True).get(person=person)


@write
def choose_letters(*, person: User, **changes: Any) -> Addressee:
    """Change ``letter``, ``at_once`` or ``email``."""
    row = _kept(person)
    for name in ("letter", "at_once"):
        if name in changes:
            setattr(row, name, changes[name])
    row.save(update_fields=["letter", "at_once"])
    if "email" in changes:
        person.email = changes["email"]
        person.save(update_fields=["email"])
    return row


@write
def go_away(
    *, person: User, away_from: date | None, away_to: date | None = None, deputy: User | None = None
) -> Addressee:
    """Away from a day to a day, both included (open: until further notice), with somebody who stands in.

    No first day: here again. Raises BadInput for days out of order, Conflict for a deputy who is oneself.
    """
    if away_to is not None and (away_from is None or away_to < away_from):
        accepted = "a day not before away_from" if away_from else "nothing, where away_from is not given"
        raise BadInput("the days are not in order", faults=[Fault("away_to", away_to.isoformat(), accepted)])
    if deputy is not None and (deputy.pk == person.pk or not deputy.is_active):
        fault = Fault("deputy", deputy.username, "somebody else who may sign in")
        raise Conflict("this person cannot stand in", code="no_deputy", faults=[fault])
    row = _kept(person)
    row.away_from, row.away_to = away_from, away_to
    row.deputy = deputy if away_from is not None else None
    row.save(update_fields=["away_from", "away_to", "deputy"])
    return row


# --- the calendar ------------------------------------------------------------------------------------------


@write
def make_calendar(*, person: User) -> str:
    """A new secret for the address of the person's calendar; one that there was opens nothing any more.

    Only its digest is kept: the answer is the one time that the secret is told.
    """
    token = secrets.token_urlsafe(TOKEN_BYTES)
    row = _kept(person)
    row.calendar_digest, row.calendar_made_at = _digest(token), clock.now()
    row.save(update_fields=["calendar_digest", "calendar_made_at"])
    return token


@write
def revoke_calendar(*, person: User) -> None:
    row = _kept(person)
    row.calendar_digest = row.calendar_made_at = None
    row.save(update_fields=["calendar_digest", "calendar_made_at"])


def whose_calendar(token: str) -> int | None:
    """The person whose calendar a secret opens; None: nobody's. By digest, so that time tells nothing of the secret."""
    row = Addressee.objects.filter(calendar_digest=_digest(token), person__is_active=True).first()
    return row.person_id if row else None


def _digest(token: str) -> str:
    # Plain and fast: the secret is random and as long as the digest, so that nobody guesses it.
    return hashlib.sha256(token.encode()).hexdigest()


# --- the owner's rules -------------------------------------------------------------------------------------


@write
def change_rule(*, kind: str, **changes: Any) -> Kind:
    """Change ``roles``, ``at_once``, ``soon_days`` or ``escalate_days`` of a kind; None gives back the default.

    Raises BadInput for roles that do not see the kind.
    """
    seen_by = KINDS[kind].seen_by
    for role in changes.get("roles") or ():
        if role not in seen_by:
            accepted = "roles that may see it: " + ", ".join(one for one in ROLES if one in seen_by)
            raise BadInput("a role does not see this kind", faults=[Fault("roles", role, accepted)])
    rule, _ = NoticeRule.objects.select_for_update(no_key=True).get_or_create(kind=kind)
    before = as_changed(KINDS[kind], rule)
    for name in OF_A_RULE:
        if name in changes:
            setattr(rule, name, changes[name])
    rule.save()
    after = as_changed(KINDS[kind], rule)
    write_down([Change(ChangeKind.SETTING, f"notices: {kind}", _facts(before), _facts(after))])
    return after


def _facts(kind: Kind) -> dict[str, str]:
    """What the change log says of a kind."""
    told = {name: getattr(kind, name) for name in OF_A_RULE}
    return {
        name: ", ".join(map(str, value)) if isinstance(value, tuple) else shown(value) for name, value in told.items()
    }
