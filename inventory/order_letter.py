"""An order as a letter to its supplier, handed to the workshop's mail server. Nothing is written in the database."""

from __future__ import annotations

import smtplib
from email.utils import parseaddr

from django.conf import settings
from django.contrib.auth.models import User
from django.core.mail import EmailMessage
from django.utils.crypto import salted_hmac

from inventory.errors import Conflict, WrongState

NO_MAIL = "django.core.mail.backends.dummy.EmailBackend"


def is_set_up() -> bool:
    """Whether e-mail leaves this workshop at all."""
    return settings.EMAIL_BACKEND != NO_MAIL


def send(*, order: str, to: str, words: str, key: str, who: User) -> None:
    """Hand the letter over; answers go to the person who sent it. The same key gives the same Message-ID, so that a
    letter handed over twice is known as one. May take as long as the server does: outside every transaction.

    Raises WrongState where no mail server is set, Conflict where it does not take the letter.
    """
    if not is_set_up():
        raise WrongState("no mail server is set here: print the sheet, or write from your own mail program")
    host = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    message = EmailMessage(
        subject=f"Order {order}",
        body=words,
        to=[to],
        reply_to=[who.email] if who.email else None,
        headers={"Message-ID": f"<{salted_hmac('inventory.order_letter', key).hexdigest()[:40]}@{host}>"},
    )
    try:
        message.send()
    except (smtplib.SMTPException, OSError) as trouble:
        told = "the mail server did not take the letter; try again, or print the sheet"
        raise Conflict(told, code="mail_not_taken") from trouble
