"""Whatever a program sends, in whatever role: an answer that the schema documents, and never a failure of ours.

Requests are made by schemathesis from the published schema, valid and invalid ones. Our formats are filled with
what the small house knows as well as with odd values, so that many requests get past the form.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import count
from typing import Any

import pytest
import schemathesis
from django.conf import settings as app_settings
from django.contrib.auth.models import User
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, transaction
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from knox.models import AuthToken
from rest_framework.test import APIClient
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from inventory.models import Dispatch, Item, Lot, Party, PurchaseOrder
from planner.api.roles import ROLES
from production.models import Batch, Formula, Protocol
from tests.planner.api.house import files

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
WHO_ASKS = ("Authorization", "sessionid")
ODD = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), min_size=1, max_size=20)
DAYS = st.sampled_from(["2027-03-01", "2027-02-20", "2027-04-15", "2028-02-29", "2027-13-01"])
FORMATS = {
    "quantity": st.sampled_from(["1 g", "250 g", "2.5 kg", "1 pc", "24 pc", "30 mL", "0 g", "-1 g", "9999999 kg"]),
    "decimal": st.sampled_from(["0", "0.92", "12.50", "1e5", "-1", "999999999999"]),
    "percentage": st.sampled_from(["0", "5", "99.9999", "100", "101"]),
    "date": DAYS,
    "day-or-month": DAYS | st.just("2027-06"),
    "date-time": st.sampled_from(["2027-03-01T08:00:00+00:00", "2027-02-01T23:59:59-05:00", "2030-01-01T00:00:00Z"]),
    "e-mail": st.sampled_from(["ann@shop.example", "nobody"]),
    "cas": st.sampled_from(["56-81-5", "56-81-6"]),
    "gtin": st.sampled_from(["4006381333931", "4006381333932"]),
    "password": st.sampled_from(["seven warm stones", "x"]),
}


def known_codes() -> list[str]:
    """What the house knows by code, so that requests find something."""
    columns = [
        (Item, "code"),
        (Party, "code"),
        (Lot, "number"),
        (Formula, "code"),
        (Batch, "transformation__code"),
        (Protocol, "code"),
        (PurchaseOrder, "code"),
        (Dispatch, "code"),
        (User, "username"),
    ]
    return sorted({value for model, column in columns for value in model.objects.values_list(column, flat=True)})


@pytest.fixture(autouse=True)
def _a_request_leaves_the_connection() -> Iterator[None]:
    """A server looks at its connection before and after each request, and closes one that stands in a transaction, as
    that of a test does. The client of Django's own tests holds the two back likewise."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.fixture
def headers_of(house: dict[str, APIClient]) -> dict[str, dict[str, str]]:
    """A token for each role; the stranger has none, and "nobody" is signed in without a role."""
    plain = {"Accept-Encoding": "identity"}  # the client in this process does not unpack what is sent compressed
    found: dict[str, dict[str, str]] = {"stranger": plain}
    for name in (*ROLES, "nobody"):
        _, token = AuthToken.objects.create(user=User.objects.get(username=name))
        found[name] = plain | {"Authorization": f"Token {token}"}
    return found


def read_schema(headers: dict[str, str]) -> Any:
    for name, values in FORMATS.items():
        schemathesis.openapi.format(name, values)
    schemathesis.openapi.format("code", st.sampled_from(known_codes()) | ODD)
    for examples in files().values():
        for media, content in examples.items():
            schemathesis.openapi.media_type(media, st.just(content) | st.binary(max_size=200))
    # Made here, under the settings of the tests: one made on import would send us to https where a server is set up.
    return schemathesis.openapi.from_wsgi("/api/v1/schema", get_wsgi_application(), headers=headers)


# Whoever may do much gets past the form often, and asks most. Of each mode and operation so many requests: on the
# second database the first of them again; who has not the right is refused before it is asked, and tries there once.
ASKS_MOST = 16 if app_settings.ON_SQLITE else 10
ASKED_OF = {"owner": ASKS_MOST} | ({"nobody": 3, "stranger": 3} if app_settings.ON_SQLITE else {})
ASKED_OF_OTHERS = 4 if app_settings.ON_SQLITE else 1
PARTS = 4  # which run side by side; for each the schema is made anew


def check(operation: Any, headers_of: dict[str, dict[str, str]], mode: GenerationMode, sent: Counter[str]) -> None:
    """Send requests to one operation, the same ones as each role, each undone; counts them by role.

    To make up a request takes longer than to answer it.
    """
    made = count()

    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(
        max_examples=ASKS_MOST,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def send(case: Any) -> None:
        number = next(made)
        for who, headers in headers_of.items():
            if number < ASKED_OF.get(who, ASKED_OF_OTHERS):
                sent[who] += 1
                with transaction.atomic():
                    response = case.call(headers=headers)
                    transaction.set_rollback(True)
                case.validate_response(response, checks=CHECKS)

    try:
        send()
    except Unsatisfiable:
        # Nothing wrong can be said where any text is a code.
        assert mode is GenerationMode.NEGATIVE, f"no request for {operation.label}"


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_no_request_of_any_role_fails_and_every_answer_is_documented(
    part: int, headers_of: dict[str, dict[str, str]]
) -> None:
    schema = read_schema(headers_of["owner"])
    found = [result.ok() for result in schema.get_all_operations()][part::PARTS]
    assert len(found) > 10
    sent: Counter[str] = Counter()
    for operation in found:
        check(operation, headers_of, GenerationMode.POSITIVE, sent)
        # Who asks is no part of a request that could be wrong; without any other, hundreds of tries find none.
        if operation.body or any(one.name not in WHO_ASKS for one in operation.iter_parameters()):
            check(operation, headers_of, GenerationMode.NEGATIVE, sent)
    assert set(sent) == {*ROLES, "nobody", "stranger"}
    # Right and wrong ones, as many as were to be made up: a few operations have nothing that could be wrong.
    assert all(number > 1.5 * ASKED_OF.get(who, ASKED_OF_OTHERS) * len(found) for who, number in sent.items()), sent
