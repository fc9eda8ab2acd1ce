"""The house, opened on the small house's first day, with empty counts of tries."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import time_machine
from django.core.cache import cache
from rest_framework.test import APIClient

from tests.planner.api.house import NOW, open_house


@pytest.fixture(autouse=True)
def _nobody_has_tried_to_sign_in() -> None:
    cache.clear()


@pytest.fixture
def _first_day() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def house(db: None, _first_day: None) -> dict[str, APIClient]:
    return open_house()
