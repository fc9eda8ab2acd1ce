"""PINs: how several people sign what they do at one screen at the bench. A PIN reaches bench acts alone.

Four to eight digits are soon guessed, so a PIN is worth little anywhere else: it is kept as a password is, and mixed
with the secret key first, so that a copy of the database without that key tells nothing; and every try is counted in
the database before it is looked at, for the person and for the device, so that tries at once are counted too.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil
from typing import Any

from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.models import User
from django.db.models import Q, QuerySet
from django.utils.crypto import salted_hmac

from inventory import clock
from inventory.errors import BadInput, Conflict, Fault, NotFound
from inventory.services.changes import Change, Kind, write_down
from inventory.transactions import write
from planner.api.roles import HELPER, MAKER, OWNER
from planner.models import BenchPin, PinTries

log = logging.getLogger(__name__)

AT_THE_BENCH = (HELPER, MAKER, OWNER)  # whose rights hold the acts of the bench
ACCEPTED = "4 to 8 digits, not all the same and not in a row"
PAUSE = timedelta(minutes=15)
LONGEST_PAUSE = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Limit:
    """So many wrong tries make a pause; ``within`` forgets those before it, else only a right one does."""

    most: int
    within: timedelta | None = None


OF_A_PERSON = Limit(5)
# One PIN tried on many people. Right ones in between do not help: who tries has a PIN of their own.
OF_A_DEVICE = Limit(10, within=PAUSE)


# --- reads -------------------------------------------------------------------------------------------------


def usable_pins() -> QuerySet[BenchPin]:
    """The PINs of those who may work at the bench now, with the person."""
    may = Q(person__is_superuser=True) | Q(person__groups__name__in=AT_THE_BENCH)
    return BenchPin.objects.filter(may, person__is_active=True).select_related("person").distinct()


def people_with_a_pin() -> list[tuple[str, str]]:
    """Who may sign at the bench: what they sign in as, and their name."""
    rows = usable_pins().order_by("person__username").values_list("person__username", "person__first_name")
    return [(username, name or username) for username, name in rows]


def pin_of(person: User) -> BenchPin | None:
    return BenchPin.objects.filter(person=person).first()


def locked_until(person: User) -> datetime | None:
    """Until when no PIN of this person is looked at; None where one is."""
    row = PinTries.objects.filter(about=_about_person(person.pk), locked_until__gt=clock.now()).first()
    return row.locked_until if row else None


# --- writes ------------------------------------------------------------------------------------------------


@write
def set_pin(*, person: User, pin: str) -> BenchPin:
    """The person's PIN, in place of the one they had; wrong tries before it are forgotten. Raises BadInput."""
    check_pin(pin)
    BenchPin.objects.filter(person=person).delete()
    PinTries.objects.filter(about=_about_person(person.pk)).delete()
    made = BenchPin.objects.create(person=person, pin=make_password(_mixed(person.pk, pin)))
    write_down([Change(Kind.PERSON, person.username, {}, {"pin": "set"})])
    return made


@write
def remove_pin(*, person: User) -> None:
    """No screen knows the person by a PIN any more. Raises NotFound where there is none."""
    deleted, _ = BenchPin.objects.filter(person=person).delete()
    if not deleted:
        raise NotFound(f"{person.username} has no PIN")
    PinTries.objects.filter(about=_about_person(person.pk)).delete()
    write_down([Change(Kind.PERSON, person.username, {}, {"pin": "removed"})])


def check_pin(pin: str) -> None:
    """Raise BadInput for what is no PIN, or is the first that anybody would try."""
    digits = [ord(one) - ord("0") for one in pin]
    right = 4 <= len(pin) <= 8 and all(0 <= one <= 9 for one in digits)
    steps = {(after - before) % 10 for before, after in pairwise(digits)}
    if not right or steps in ({0}, {1}, {9}):
        raise BadInput("this PIN is not accepted", faults=[Fault("pin", "", ACCEPTED)])


def try_pin(*, username: str, pin: str, device: str) -> BenchPin:
    """The PIN's row where it is right. ``device`` names, in any text, where it was typed.

    A try stays counted though the act around it is undone: call it outside a transaction. Raises BadInput for a wrong
    PIN or a person who signs with none here, Conflict "too_many_tries" during a pause.
    """
    found = usable_pins().filter(person__username=username).first()
    of_device = f"device {salted_hmac('planner.pins.device', device, algorithm='sha256').hexdigest()}"
    counted = {of_device: OF_A_DEVICE}
    if found is not None:
        counted[_about_person(found.person_id)] = OF_A_PERSON
    left = _count(counted=counted)
    if found is None:
        fault = Fault("person", username[:80], "somebody who works at the bench and has a PIN")
        raise BadInput(fault.sentence(), faults=[fault])
    if not check_password(_mixed(found.person_id, pin), found.pin):
        log.warning("a wrong PIN for %s", username)
        told = f"the PIN of {found.person.first_name or username}; " + (
            f"{left} more wrong {'try' if left == 1 else 'tries'} and it is not looked at for a while"
            if left
            else "too many were wrong, and none is looked at now for a while"
        )
        raise BadInput("that PIN is wrong", code="wrong_pin", faults=[Fault("pin", "", told)])
    _was_right(of_person=_about_person(found.person_id), of_device=of_device)
    return found


@write
def _count(*, counted: dict[str, Limit]) -> int:
    """Count a try as wrong, before anybody knows; how many are left until a pause. Raises Conflict during one."""
    now, left = clock.now(), []
    for about in sorted(counted):  # in one order, so that two tries at once do not wait for each other
        PinTries.objects.get_or_create(about=about, defaults={"since": now})
    rows = list(PinTries.objects.select_for_update().filter(about__in=counted).order_by("about"))
    paused = [row.locked_until for row in rows if row.locked_until is not None and row.locked_until > now]
    if paused:
        minutes = ceil((max(paused) - now).total_seconds() / 60)
        told = f"too many wrong PINs: none is looked at for {minutes} {'minute' if minutes == 1 else 'minutes'}"
        raise Conflict(f"{told}. Who signs in with their own password goes on at once", code="too_many_tries")
    for row in rows:
        limit = counted[row.about]
        if limit.within is not None and now - row.since >= limit.within:
            row.wrong, row.locks, row.since = 0, 0, now
        row.wrong += 1
        left.append(limit.most - row.wrong)
        if row.wrong >= limit.most:
            row.locked_until = now + min(PAUSE * 2 ** min(row.locks, 10), LONGEST_PAUSE)
            row.wrong, row.locks = 0, row.locks + 1
            log.warning("no PIN is looked at until %s: %s", row.locked_until.isoformat(), row.about)
        row.save()
    return min(left)


@write
def _was_right(*, of_person: str, of_device: str) -> None:
    """The person begins anew; the device has one try fewer against it."""
    PinTries.objects.filter(about=of_person).delete()
    row = PinTries.objects.select_for_update().filter(about=of_device).first()
    if row is not None and row.locked_until is not None and row.locked_until > clock.now():
        row.wrong, row.locks, row.locked_until = OF_A_DEVICE.most - 1, row.locks - 1, None
        row.save()
    elif row is not None:
        row.wrong = max(0, row.wrong - 1)
        row.save()


def clear_tries() -> None:
    """Rows of devices that nobody tried at for a while. Those of people stay until a right PIN."""
    PinTries.objects.filter(about__startswith="device ", since__lt=clock.now() - LONGEST_PAUSE).delete()


def _about_person(pk: Any) -> str:
    return f"person {pk}"


def _mixed(pk: Any, pin: str) -> str:
    return salted_hmac("planner.pins", f"{pk} {pin}", algorithm="sha256").hexdigest()
