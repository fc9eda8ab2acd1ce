"""A workshop on its first evening: every page says what to do first."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from tests.planner.pages.house import read


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("/shelf", "Nothing is kept yet"),
        ("/shelf/movements", "Nothing of this kind has happened"),
        ("/shelf/labels", "No lot was named"),
        ("/shelf/receive", "Receive a delivery"),
        ("/shelf/count", "Count the shelf"),
    ],
)
def test_it_says_what_to_do_first(db: None, client: Client, django_user_model: Any, address: str, told: str) -> None:
    client.force_login(django_user_model.objects.create_superuser("first"))
    answer = client.get(address)
    assert told in read(answer).words
    assert read(answer).faults == []
