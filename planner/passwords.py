"""A new password for who has forgotten the old one: by a code that works once and for a few hours.

The code holds a keyed hash of the password and the last sign-in as they are: once either changes, it is good for
nothing. Nothing of it is stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model
from django.contrib.auth.models import User
from django.contrib.auth.tokens import default_token_generator
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_decode, urlsafe_base64_encode

from inventory import clock
from inventory.errors import BadInput, Fault, WrongState
from inventory.transactions import write
from planner import people


@dataclass(frozen=True, slots=True)
class ResetCode:
    """``address`` is the page that takes the code; whole where the service's own address is known."""

    person: str
    code: str
    address: str
    expires_at: datetime


def reset_code(*, username: str) -> ResetCode:
    """A code with which this person may set a password, once. Raises NotFound, WrongState for who may not sign in."""
    person = people.find_person(username)
    if not person.is_active:
        raise WrongState(f"{username} may not sign in: make them active first")
    uid, token = urlsafe_base64_encode(force_bytes(person.pk)), default_token_generator.make_token(person)
    address = settings.SITE_URL + reverse("password-new", kwargs={"uidb64": uid, "token": token})
    expires_at = clock.now() + timedelta(seconds=settings.PASSWORD_RESET_TIMEOUT)
    return ResetCode(username, f"{uid}.{token}", address, expires_at)


@write
def set_password_by_code(*, code: str, password: str) -> User:
    """Set the password of the person whose code this is; every token of theirs ends, and every session.

    Raises BadInput for a code that is wrong, used or too old (which of them is not told), or a password that is
    easily guessed.
    """
    person = who_brings(code)
    if person is None:
        fault = Fault("code", "", "a code that an owner or a letter gave, not used and not too old")
        raise BadInput("the code is not accepted; nothing was changed", faults=[fault])
    return people.change_person(username=person.username, password=password)


def who_brings(code: str) -> User | None:
    """The person whose code this is, where it is still good; their row is locked, so that it works once."""
    uid, _, token = code.partition(".")
    users: Any = get_user_model().objects
    try:
        found: User | None = users.select_for_update().filter(pk=int(urlsafe_base64_decode(uid).decode())).first()
    except (ValueError, OverflowError):
        return None
    if found is None or not found.is_active or uid != urlsafe_base64_encode(force_bytes(found.pk)):
        return None
    return found if default_token_generator.check_token(found, token) else None
