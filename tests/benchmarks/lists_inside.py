"""What ``lists`` measures, inside a process of its own; prints one JSON object."""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Callable
from time import perf_counter
from typing import Any

import django

django.setup()

import orjson  # noqa: E402
from django.contrib.auth.models import User  # noqa: E402
from django.test import Client  # noqa: E402
from django.urls import resolve  # noqa: E402
from rest_framework.test import APIRequestFactory, force_authenticate  # noqa: E402

from tests.benchmarks.bare import fetch_bare, statements_of  # noqa: E402

ADDRESSES = (
    "/api/v1/items?limit=100",
    "/api/v1/offers?limit=100",
    "/api/v1/parties?limit=100",
    "/api/v1/lots?limit=100",
    "/api/v1/portions?limit=100",
    "/api/v1/batches?limit=100",
    "/api/v1/stock-events?limit=100",
    "/api/v1/purchase-orders?limit=100",
    "/api/v1/demands?limit=100",
    "/api/v1/dispatches?limit=100",
    "/api/v1/formulas?limit=100",
    "/api/v1/lots?limit=100&status=released&with_stock=yes",
    "/api/v1/batches?limit=100&status=planned&planned_from=2026-12-01",
)
LOOKED_UP = ('FROM "auth_', 'FROM "inventory_setting"')


def main() -> None:
    times = int(sys.argv[1])
    # The first user, whose roles need no look-up: what a list costs, not what signing in does.
    person, _ = User.objects.get_or_create(username="reader", is_superuser=True)
    client = Client(headers={"host": "localhost"})
    client.force_login(person)
    print(json.dumps({address: measure(address, person, client, times) for address in ADDRESSES}))


def measure(address: str, person: User, client: Client, times: int) -> dict[str, Any]:
    """Seconds, least and median: the view for somebody known; the whole request in this process; the bare query.

    They take turns, so that what else the machine does meets them alike. Most of the time it meets the longer one
    more often, or hides what both take behind its own: the least of each says what they take by themselves.
    """
    found = resolve(address.partition("?")[0])
    requests = APIRequestFactory(headers={"host": "localhost"})

    def view() -> bytes:
        request = requests.get(address)
        force_authenticate(request, user=person)
        request.resolver_match = found
        response = found.func(request, *found.args, **found.kwargs)
        if hasattr(response, "render"):  # one that is written when it is sent
            response.render()
        assert response.status_code == 200, response.content
        content: bytes = response.content
        return content

    def whole() -> bytes:
        response = client.get(address, secure=True)
        assert response.status_code == 200
        return response.content

    rows = json.loads(view())["rows"]
    # The page's own rows, without the look-ups of who asks and of what the workshop is set to.
    statements = [each for each in statements_of(view) if not any(table in each[0] for table in LOOKED_UP)]

    def bare() -> bytes:
        fetch_bare(statements)
        return orjson.dumps({"rows": rows, "next": None})

    acts: dict[str, Callable[[], Any]] = {"view": view, "whole": whole, "bare": bare}
    took: dict[str, list[float]] = {name: [] for name in acts}
    for _ in range(times):
        for name, act in acts.items():
            begun = perf_counter()
            act()
            took[name].append(perf_counter() - begun)
    least = {f"{name}_s": min(seconds) for name, seconds in took.items()}
    median = {f"{name}_median_s": statistics.median(seconds) for name, seconds in took.items()}
    return least | median | {"rows": len(rows), "queries": len(statements_of(whole))}


if __name__ == "__main__":
    main()
