"""Mails that wait leave: leased, looked at again, handed over, settled. A repeat bears the same Message-ID.

A mail is handed over at least once. Where a process dies between handing over and settling, the lease runs out and
the mail leaves again; who receives it knows it by its Message-ID.
"""

from __future__ import annotations

import logging
import smtplib
from datetime import datetime, timedelta
from email.utils import parseaddr

from django.conf import settings
from django.core.mail import get_connection
from django.db import transaction
from django.db.models import F
from django.utils.crypto import salted_hmac

from inventory import clock
from planner.notices.addressees import Addressees, addressees
from planner.notices.letters import MOST_LISTED, of_mail, standing_for, written
from planner.notices.looking import begin, look_again
from planner.notices.models import Mail, Notice, Telling
from planner.notices.wanted import Look

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=2)  # of one mail: longer than a server may take to answer
LOOKED_AT = timedelta(seconds=20)  # a mail waits so long where another worker looks at its causes: less than a bell
LONGEST_WAIT = timedelta(hours=1)  # between two tries
MOST_AT_ONCE = 500  # mails in one go
NO_MAIL = "django.core.mail.backends.dummy.EmailBackend"


def is_set_up() -> bool:
    """Whether e-mail leaves this workshop at all."""
    return settings.EMAIL_BACKEND != NO_MAIL


def message_id_of(key: str) -> str:
    """The Message-ID of a mail: the same for the same key in one workshop, another in every other workshop."""
    host = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    return f"<{salted_hmac('weighhouse.mail', key).hexdigest()[:40]}@{host}>"


def mail_for(key: str, kind: str, recipient: int, look: Look) -> Mail:
    """A mail still to be kept."""
    return Mail(
        key=key,
        kind=kind,
        recipient_id=recipient,
        day=look.today,
        message_id=message_id_of(key),
        made_at=look.now,
        try_at=look.now,
    )


def send_waiting(now: datetime | None = None) -> int:
    """Send what waits, one after the other; answers how many left. A server that cannot be reached ends the round."""
    moment = now or clock.now()
    if not Mail.objects.filter(settled_at=None, try_at__lte=moment).order_by("try_at").values_list("pk")[:1]:
        return 0
    look = begin(whole=False, now=now)
    people = addressees(look.today)
    sent = 0
    for _ in range(MOST_AT_ONCE):
        mail = _take(now or clock.now())
        if mail is None:
            break
        try:
            sent += _send(mail, look, people)
        except smtplib.SMTPRecipientsRefused as refusal:  # this one address; others may do
            _wait(mail, refusal, now)
        except (smtplib.SMTPException, OSError) as trouble:
            _wait(mail, trouble, now)
            break
    return sent


def _take(now: datetime) -> Mail | None:
    """Lease the mail that waits longest. Its row is changed by whoever comes first; the others go on to the next."""
    waiting = Mail.objects.filter(settled_at=None, try_at__lte=now)
    for mail in waiting.order_by("try_at", "pk")[:20]:
        mine = Mail.objects.filter(pk=mail.pk, state=Mail.State.WAITING, try_at__lte=now)
        if mine.update(try_at=now + LEASE, tries=F("tries") + 1):
            mail.tries += 1
            return mail
    return None


def _send(mail: Mail, look: Look, people: Addressees) -> bool:
    """Look again, and send what still matters; nothing does: the mail is dropped.

    Where another worker is looking at one of the causes the mail waits until that is done.
    """
    person = people.people.get(mail.recipient_id)
    if look_again(look, of_mail(mail).values_list("kind", "cause")[: MOST_LISTED * 10]).left:
        return _leave(mail, look)
    about = of_mail(mail)
    if person is None or not about.exists():
        _settle(mail, Mail.State.DROPPED)
        return False
    if not is_set_up() or not person.email:
        trouble = f"{person.name} has no e-mail address" if is_set_up() else "no e-mail is set up"
        _settle(mail, Mail.State.RECORDED, trouble)
        return False
    shown = about
    if mail.kind == Mail.Kind.LETTER:
        standing = standing_for(person, look, people)
        if look_again(look, standing.values_list("kind", "cause")[:MOST_LISTED]).left:
            return _leave(mail, look)
        shown = (standing | about.order_by()).order_by("by_day")
    listed = list(shown[:MOST_LISTED])
    if not listed:
        _settle(mail, Mail.State.DROPPED)
        return False
    more = shown.count() - len(listed) if len(listed) == MOST_LISTED else 0
    message = written(mail, person, look, people, listed, more)
    with get_connection() as connection:
        connection.send_messages([message])
    _settle(mail, Mail.State.SENT)
    return True


def _leave(mail: Mail, look: Look) -> bool:
    """As before it was taken, but for a moment later: this was no try."""
    waiting = Mail.objects.filter(pk=mail.pk, state=Mail.State.WAITING)
    waiting.update(try_at=look.now + LOOKED_AT, tries=F("tries") - 1)
    return False


def _settle(mail: Mail, state: str, trouble: str = "") -> None:
    moment = clock.now()
    with transaction.atomic():
        Mail.objects.filter(pk=mail.pk, state=Mail.State.WAITING).update(
            state=state, settled_at=moment, trouble=trouble[:500]
        )
        if state != Mail.State.DROPPED:
            still = Telling.objects.filter(mail=mail, told_at=None, notice__state=Notice.State.OPEN)
            still.update(told_at=moment)


def _wait(mail: Mail, trouble: Exception, now: datetime | None) -> None:
    """Try again later, each time after a longer while; never give up: the mail may matter still."""
    pause = min(timedelta(minutes=1) * 2 ** min(mail.tries - 1, 10), LONGEST_WAIT)
    told = f"{type(trouble).__name__}: {trouble}"[:500]
    log.warning("a mail could not be sent (try %s): %s", mail.tries, type(trouble).__name__)
    Mail.objects.filter(pk=mail.pk, state=Mail.State.WAITING).update(try_at=(now or clock.now()) + pause, trouble=told)
