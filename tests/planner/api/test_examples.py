"""The examples of the schema are true: sent to the small house, each gives the documented answer."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from rest_framework.test import APIClient

from tests.planner.api.house import Described, document, named, operations, prepare, send, volatile


def steady(value: Any) -> Any:
    """A value without what differs from one time to the next."""
    if isinstance(value, dict):
        return {name: "..." if name in volatile() else steady(inner) for name, inner in value.items()}
    return [steady(one) for one in value] if isinstance(value, list) else value


def plain_schema(schema: Any) -> Any:
    """The schema as JSON Schema: OpenAPI 3.0 says nullable where JSON Schema names the type null."""
    if isinstance(schema, list):
        return [plain_schema(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    found = {name: plain_schema(inner) for name, inner in schema.items() if name != "nullable"}
    return {"anyOf": [found, {"type": "null"}]} if schema.get("nullable") is True else found


def check_answer(one: Described, answer: Any) -> None:
    schema = one.answer_schema()
    if one.answer_media() - {"application/json"}:
        assert answer.headers["content-type"] in one.answer_media()
        assert answer.content
        return
    if schema is None:
        assert answer.content == b""
        return
    whole = plain_schema(schema | {"components": document()["components"]})
    jsonschema.validate(answer.json(), whole)


@pytest.mark.parametrize("one", **named(operations()))
def test_the_example_gives_the_documented_answer(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    answer = send(house[one.caller()], one, one.request_example())
    assert answer.status_code == one.status, answer.content
    check_answer(one, answer)
    if one.answer_example() is not None:
        assert steady(answer.json()) == steady(one.answer_example())


@pytest.mark.parametrize("one", **named(one for one in operations() if one.is_list))
def test_a_list_is_the_same_page_by_page(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    from tests.planner.api.house import fillers

    fillers()[one.route](3)
    client, address = house[one.caller()], one.address().partition("?")[0]
    whole = client.get(address).json()["rows"]
    pages, following = [], f"{address}?limit=2"
    while following:
        page = client.get(following).json()
        check_answer(one, client.get(following))
        assert 1 <= len(page["rows"]) <= 2
        pages += page["rows"]
        following = page["next"]
    assert pages == whole
    assert len(whole) >= 3
