"""Every field of every writing request refuses wrong values, names the field, and leaves the database as it was.

What goes over every request is slow; CI runs it on both databases.
"""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest
from rest_framework.test import APIClient

from tests.planner.api.house import (
    Described,
    everything,
    named,
    never_wrong,
    one_of,
    operations,
    prepare,
    send,
    wrong_values,
)
from tests.planner.api.wrong_values import cases_of, fields_of, with_value, without

WRITING = [one for one in operations() if one.method != "GET"]
WITH_BODY = [one for one in WRITING if one.request_schema() is not None]
MEGABYTE = 1024 * 1024


@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_every_field_has_wrong_values(one: Described) -> None:
    """A field without a case: see ``tests.planner.api.wrong_values``."""
    excused = {path for method, route, path in never_wrong() if (method, route) == one.operation}
    assert [field.path for field in fields_of(one) if not cases_of(one, field)] == sorted(excused)


def test_every_case_of_an_area_is_of_a_field_that_there_is() -> None:
    fields = {(*one.operation, field.path.replace("[0]", "")) for one in WITH_BODY for field in fields_of(one)}
    assert set(wrong_values()) | set(never_wrong()) <= fields


def check_refused(answer: Any, field: str, told: str) -> None:
    """A problem of a right status, with a fault at the field, or below or around it."""
    assert answer.status_code in (400, 404, 409), f"{told}: {answer.status_code} {answer.content!r}"
    assert answer.headers["content-type"] == "application/problem+json"
    named_fields = [one["field"] for one in answer.json()["errors"]]
    assert any(_same(found, field) for found in named_fields), f"{told}: names {named_fields}"
    assert all(one["accepted"] for one in answer.json()["errors"])


def _same(found: str, field: str) -> bool:
    """``lines[0].quantity`` itself, or what it holds: ``roles`` for ``roles[0]`` and the other way round."""
    return found == field or found.startswith((f"{field}.", f"{field}[")) or f"{found}[0]" == field


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_wrong_values_are_refused_and_change_nothing(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client, example = house[one.caller()], one.request_example()
    before = everything()
    for field in fields_of(one):
        for value in cases_of(one, field):
            _forget_tries()
            answer = send(client, one, with_value(example, field.path, value))
            check_refused(answer, field.path, f"{field.path} = {value!r:.80}")
        assert everything() == before, f"a wrong {field.path} changed something"


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_missing_and_unknown_fields_are_refused(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client, example = house[one.caller()], one.request_example()
    before = everything()
    for field in fields_of(one):
        if field.required and not field.path.endswith("]"):
            _forget_tries()
            answer = send(client, one, without(example, field.path))
            check_refused(answer, field.path, f"without {field.path}")
    _forget_tries()
    check_refused(send(client, one, example | {"no_such_field": 1}), "no_such_field", "an unknown field")
    assert everything() == before


def _forget_tries() -> None:
    """Signing in is counted; here it is the values that are tried."""
    from django.core.cache import cache

    cache.clear()


BROKEN = {
    "nothing": b"",
    "not JSON": b"{",
    "broken UTF-8": b'{"name": "\xff\xfe"}',
    "half a surrogate": b'{"name": "\\ud800"}',
    "not a number": b'{"name": NaN}',
    "a list": b"[]",
    "a text": b'"text"',
    "null": b"null",
    "deep": b'{"name": ' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    "as deep as is read": b'{"name": ' + b"[" * 900 + b"]" * 900 + b"}",
    "deep objects": b'{"a":' * 900 + b"1" + b"}" * 900,
    "an endless number": b'{"name": ' + b"9" * 6_000 + b"}",
}


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_what_is_no_request_is_refused(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client = house[one.caller()]
    before = everything()
    for told, content in BROKEN.items():
        if told == "nothing" and not (one.request_schema() or {}).get("required"):  # as good as {}
            continue
        answer = client.generic(one.method, one.address(), content, content_type="application/json")
        assert answer.status_code in (400, 429), f"{told}: {answer.content!r:.200}"
        assert answer.headers["content-type"] == "application/problem+json"
        _forget_tries()
    assert everything() == before


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(one for one in WITH_BODY if one.request_example()))
def test_a_name_given_twice_is_refused_though_each_value_is_right(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    before = everything()
    example = one.request_example()
    name, value = next(iter(example.items()))
    again = f"{json.dumps(example)[:-1]}, {json.dumps(name)}: {json.dumps(value)}}}".encode()
    answer = house[one.caller()].generic(one.method, one.address(), again, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (400, "not_json"), answer.content
    assert [fault["field"] for fault in answer.json()["errors"]] == [name]
    assert everything() == before


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_ten_megabytes_are_refused(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    before = everything()
    content = b'{"name": "' + b"x" * (10 * MEGABYTE) + b'"}'
    answer = house[one.caller()].generic(one.method, one.address(), content, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (413, "too_large")
    assert everything() == before


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(WITH_BODY))
def test_other_media_are_refused(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client = house[one.caller()]
    before = everything()
    form = client.generic(one.method, one.address(), b"name=x", content_type="application/x-www-form-urlencoded")
    assert (form.status_code, form.json()["code"]) == (415, "unsupported_media_type")
    _forget_tries()
    content = json.dumps(one.request_example())
    page = client.generic(one.method, one.address(), content, content_type="application/json", HTTP_ACCEPT="text/html")
    assert (page.status_code, page.json()["code"]) == (406, "not_acceptable")
    assert everything() == before


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(one for one in operations() if "{" in one.path))
def test_codes_in_the_path_that_nobody_knows_are_not_found(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    before = everything()
    for code in ("NO-SUCH", "~2", "%00", "a%0Ab", "x" * 300, "%F0%9F%8C%BF"):
        start, _, rest = one.path.partition("{")
        address = start + code + rest.partition("}")[2]
        address = address.replace("{", "").replace("}", "")
        content = b"" if one.method == "GET" else json.dumps(one.request_example() or {}).encode()
        answer = house[one.caller()].generic(one.method, address, content, content_type="application/json")
        assert answer.status_code in (404, 400), f"{code}: {answer.status_code} {answer.content!r}"
        assert answer.status_code == 404 or "uid" in answer.content.decode(), f"{code}: {answer.content!r}"
        assert answer.headers["content-type"] == "application/problem+json"
    assert everything() == before


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(one for one in operations() if one.method == "GET"))
def test_wrong_queries_are_refused(house: dict[str, APIClient], one: Described) -> None:
    prepare(one.operation)
    client, address = house[one.caller()], one.address().partition("?")[0]
    queries = {"no_such_filter": "no_such_filter=1", "format": "format=html"}
    for told in one.told.get("parameters", []):
        if told["in"] == "query":
            name = told["name"]
            queries |= {f"{name} with nothing": f"{name}="}
            if told["schema"]["type"] != "array":
                queries |= {f"{name} twice": f"{name}=1&{name}=2"}
            queries |= {f"{name} with NUL": f"{name}=%00"}
    if one.is_list:
        queries |= {f"limit {text}": f"limit={text}" for text in ("0", "501", "-1", "1.5", "many", "9" * 30)}
        queries |= {f"cursor {text}": f"cursor={text}" for text in ("x", "bnVsbA", "W10", "IgAi", "e30", "%FF", "é")}
    for told_query, query in queries.items():
        answer = client.get(f"{address}?{query}")
        check_refused(answer, query.partition("=")[0], told_query)


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(one for one in operations() if one.is_list))
def test_a_cursor_of_another_lists_key_breaks_nothing(house: dict[str, APIClient], one: Described) -> None:
    """A number where the key is a day, a text where it is a number, and numbers that no database keeps."""
    prepare(one.operation)
    client, address = house[one.caller()], one.address()
    start = address + ("&" if "?" in address else "?")
    for key in (1, -1, True, 2**63, -(2**63), 2**64 - 1, "a", "9" * 290, "2027-02-30", "2027-03-01"):
        cursor = base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")
        answer = client.get(f"{start}cursor={cursor}")
        if answer.status_code != 200:
            check_refused(answer, "cursor", f"cursor {key}")


RETRIED = [one for one in WITH_BODY if "Idempotency-Key" in {told["name"] for told in one.told.get("parameters", [])}]


@pytest.mark.slow
@pytest.mark.parametrize("one", **named(RETRIED))
def test_a_retry_key_gives_the_first_answer_again_and_refuses_other_content(
    house: dict[str, APIClient], one: Described
) -> None:
    prepare(one.operation)
    client, example = house[one.caller()], one.request_example()
    key = {"Idempotency-Key": "5b8d-1"}
    first = send(client, one, example, **key)
    assert first.status_code == one.status, first.content
    after = everything()
    again = send(client, one, example, **key)
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert everything() == after
    other = _other_request(one)
    if other is not None:
        refused = send(client, one, other, **key)
        assert (refused.status_code, refused.json()["code"]) == (409, "key_reused"), refused.content
    for no_key in ("", "  ", "k" * 101, "5b8d\t1"):
        answer = send(client, one, example, **{"Idempotency-Key": no_key})
        check_refused(answer, "Idempotency-Key", f"key {no_key!r}")
    assert everything() == after


def _other_request(one: Described) -> Any:
    """The example with one text, number or flag changed so that its form still holds; None where there is none."""
    schema = one.request_schema() or {}
    example = one.request_example()
    for name, inner in schema.get("properties", {}).items():
        kind = inner.get("format", inner.get("type"))
        if kind == "code" and not inner.get("x-refers-to"):
            return example | {name: "ANOTHER"}
        if kind == "quantity" and name in example:
            return example | {name: "7 g" if example[name].endswith("g") else "7 pc"}
        if kind == "string" and "enum" not in inner:
            return example | {name: "another text"}
    return None


def test_a_retry_key_is_of_one_person_and_one_address(house: dict[str, APIClient]) -> None:
    one, key = one_of(("POST", "parties")), {"Idempotency-Key": "5b8d-2"}
    assert send(house["owner"], one, one.request_example(), **key).status_code == 201
    assert send(house["buyer"], one, one.request_example(), **key).json()["code"] == "key_reused"


def test_a_fault_of_the_program_is_a_problem_too(house: dict[str, APIClient], monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(code: str) -> None:
        raise RuntimeError("the roof fell in")

    monkeypatch.setattr("inventory.api.items.read_item", broken)
    house["owner"].raise_request_exception = False
    answer = house["owner"].get("/api/v1/items/TIN")
    assert (answer.status_code, answer.json()["code"]) == (500, "fault")
    assert "roof" not in answer.content.decode()


@pytest.mark.parametrize("address", ["/api/v1/", "/api/v1/nothing", "/api/v1/items/", "/api/v1/items/TIN/x"])
def test_an_unknown_address_is_a_problem_too(house: dict[str, APIClient], address: str) -> None:
    for client in (house["owner"], house["stranger"]):
        answer = client.get(address)
        assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


@pytest.mark.parametrize("method", ["delete", "put", "options", "trace"])
def test_a_method_that_is_not_taken_is_a_problem_too(house: dict[str, APIClient], method: str) -> None:
    answer = house["owner"].generic(method.upper(), "/api/v1/items")
    assert (answer.status_code, answer.headers["content-type"]) == (405, "application/problem+json")
    assert answer.headers["Allow"] == "GET, HEAD, POST"
