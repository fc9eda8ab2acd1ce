"""The OpenAPI document: complete, without a warning, and a page for it that needs no foreign host."""

from __future__ import annotations

import re
from io import StringIO
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command
from rest_framework.test import APIClient

from planner.api.access import PERMISSIONS
from planner.api.roles import ANYONE
from tests.planner.api.house import Described, document, named, operations


def test_it_is_made_without_a_warning_and_is_valid() -> None:
    call_command("spectacular", fail_on_warn=True, validate=True, stdout=StringIO())


def test_every_right_but_those_to_the_schema_itself_is_described() -> None:
    described = {one.operation for one in operations()}
    assert described == set(PERMISSIONS) - {("GET", "schema"), ("GET", "schema-page")}
    assert len({one.told["operationId"] for one in operations()}) == len(described)


@pytest.mark.parametrize("one", **named(operations()))
def test_every_operation_documents_what_it_can_answer(one: Described) -> None:
    wanted = {400, 406}
    if ANYONE not in PERMISSIONS[one.operation]:
        wanted |= {401, 403}
    if "{" in one.path:
        wanted |= {404}
    if one.method != "GET":
        wanted |= {409, 413, 415}
    assert wanted <= one.statuses
    for status in one.statuses - {one.status}:
        (media,) = one.told["responses"][str(status)]["content"]
        assert media == "application/problem+json"


@pytest.mark.parametrize("one", **named(operations()))
def test_every_operation_has_a_summary_a_description_and_examples(one: Described) -> None:
    assert one.told["summary"]
    assert one.told["description"].strip().endswith(".")
    if one.request_schema() is not None:
        assert one.request_example() is not None


def test_objects_hold_nothing_but_their_named_members() -> None:
    for name, component in document()["components"]["schemas"].items():
        assert component["additionalProperties"] is (name == "Problem"), name


def test_the_document_is_served(house: dict[str, APIClient]) -> None:
    served = house["viewer"].get("/api/v1/schema").json()
    assert set(served["paths"]) == set(document()["paths"])


def test_the_page_takes_everything_from_this_server(house: dict[str, APIClient]) -> None:
    answer = house["viewer"].get("/api/v1/schema/page")
    page = answer.content.decode()
    assert "//" not in page
    named_files: list[Any] = re.findall(r'(?:src|href)="/static/([^"]+)"', page)
    assert len(named_files) == 3
    for name in named_files:
        assert finders.find(name), name


def test_no_script_or_style_stands_in_the_page_itself(house: dict[str, APIClient]) -> None:
    answer = house["viewer"].get("/api/v1/schema/page")
    page = answer.content.decode()
    assert "<style" not in page
    assert re.findall(r"<script(?![^>]*\bsrc=)", page) == []
    (own,) = [one for one in re.findall(r'src="([^"]+)"', page) if not one.startswith("/static/")]
    script = house["viewer"].get(own)
    assert script.headers["content-type"].startswith("application/javascript")
    assert 'url: "/api/v1/schema"' in script.content.decode().replace("\\u002D", "-")
    assert "'unsafe-inline'" not in answer.headers["Content-Security-Policy"]
