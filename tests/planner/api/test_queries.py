"""Every list makes the same number of queries for 2 rows and for 100."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from tests.planner.api.house import Described, fillers, named, operations, prepare

LISTS = [one for one in operations() if one.is_list]


def test_every_list_has_a_filler_and_no_other_has() -> None:
    assert {one.route for one in LISTS} == set(fillers())


def queries_of(client: APIClient, address: str, at_least: int) -> int:
    with CaptureQueriesContext(
        connection,
    ) as captured:
        answer = client.get(address)
    assert len(answer.json()["rows"]) >= at_least, answer.content
    return len(captured)


@pytest.mark.parametrize("one", **named(LISTS))
def test_as_many_queries_for_a_hundred_rows_as_for_two(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client, address = house[one.caller()], one.address().partition("?")[0]
    fillers()[one.route](2)
    few = queries_of(client, address, 2)
    fillers()[one.route](98)
    assert queries_of(client, address, 100) == few
