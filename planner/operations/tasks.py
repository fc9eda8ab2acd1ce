"""Tasks that keep the service in order. Running twice does no harm."""

from __future__ import annotations

from django.core.management import call_command
from django.utils import timezone
from knox.models import AuthToken

from planner import pins
from planner.celery import app
from planner.operations import queue


@app.task
def hear_the_bell() -> None:
    """Rung often: says that beat, broker and worker all work."""
    queue.hear()


@app.task
def clear_what_ended() -> None:
    """Sessions and tokens that have ended, and old tries with a PIN, are of no use to anybody."""
    call_command("clearsessions")
    AuthToken.objects.filter(expiry__lt=timezone.now()).delete()
    pins.clear_tries()
