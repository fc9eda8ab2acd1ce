"""The demo's workshop, written once for a module; what a test writes in it is undone after the test."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.db import transaction
from django.test import Client

from planner.demo.build import lay_down
from tests.kept_rows import build_or_write
from tests.planner.pages.house import NOW, people


@pytest.fixture(scope="module")
def laid_down(django_db_setup: None, django_db_blocker: Any) -> Iterator[dict[str, Client]]:
    with django_db_blocker.unblock(), time_machine.travel(NOW, tick=False), transaction.atomic():
        build_or_write(lay_down)
        yield people()
        transaction.set_rollback(True)


@pytest.fixture
def workshop(laid_down: dict[str, Client], db: None) -> Iterator[dict[str, Client]]:
    """A client for each role, "nobody" and "stranger", in the demo's workshop on the day it was laid down."""
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        yield laid_down
