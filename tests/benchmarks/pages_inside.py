"""What ``pages`` measures, inside a process of its own: lays the demo down, or opens every page and prints JSON."""

from __future__ import annotations

import gzip
import json
import statistics
import sys
from datetime import timedelta
from time import perf_counter
from typing import Any

import django

django.setup()

import time_machine  # noqa: E402
from django.contrib.auth.models import User  # noqa: E402
from django.core.exceptions import ObjectDoesNotExist  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db.models import F  # noqa: E402
from django.test import Client  # noqa: E402

from inventory import clock  # noqa: E402
from inventory.errors import DomainError  # noqa: E402
from inventory.models import Lot, Offer, Portion  # noqa: E402
from inventory.services import buying, counting  # noqa: E402
from planner.demo.build import lay_down  # noqa: E402
from planner.demo.history import TIN_LOOK  # noqa: E402
from production.models import FormulaVersion, Study  # noqa: E402
from production.services import formulas, stability  # noqa: E402
from tests.benchmarks.bare import fetch_bare, statements_of  # noqa: E402
from tests.planner.pages.house import address, shown_routes  # noqa: E402

# They lead on, end something, or answer an event of the browser alone.
NOT_OPENED = {"start", "sign-in"}


def main() -> None:
    act, day = sys.argv[1:3]
    with time_machine.travel(f"{day}T09:00:00+00:00", tick=True):
        if act == "lay-down":
            call_command("migrate", verbosity=0)
            if not User.objects.exists():
                lay_down()
        else:
            receive_something()
            begin_a_study_and_a_draft()
            print(json.dumps(open_every_page(int(sys.argv[3]))))


def receive_something() -> None:
    """The larger workload begins with what is on the shelf; pages of a delivery need one."""
    if not Lot.objects.filter(origin="received").exists():
        offer = Offer.objects.select_related("supplier", "item").order_by("item__code", "pk")[0]
        expires_on = clock.today() + timedelta(days=200)
        delivery = buying.Delivery(
            item=offer.item, quantity=offer.pack, supplier_lot="S1", expires_on=expires_on, status="released"
        )
        buying.receive(supplier=offer.supplier, deliveries=[delivery])


def begin_a_study_and_a_draft() -> None:
    """The larger workload has neither; one pull of the study is done."""
    if not Study.objects.exists():
        protocol = stability.make_protocol(code="LOOK", spec=TIN_LOOK)
        lot = Lot.objects.select_related("item").filter(portions__on_hand__gte=100_000, status="released")[0]
        study = stability.start_study(lot=lot, protocol=protocol, sample_quantity=1000)
        stability.record_pull(pull=study.pulls.order_by("pk")[0])
    if not FormulaVersion.objects.filter(status="draft").exists():
        formulas.new_version_from(version=FormulaVersion.objects.filter(status="approved").order_by("pk")[0])


def open_every_page(times: int) -> dict[str, Any]:
    person, _ = User.objects.get_or_create(username="owner", is_superuser=True)
    client = Client(headers={"host": "localhost"}, raise_request_exception=True)
    client.force_login(person)
    found = {}
    for route in shown_routes():
        if route in NOT_OPENED:
            continue
        try:
            where = address(route)
        except (IndexError, AttributeError, TypeError, LookupError, ValueError, ObjectDoesNotExist, DomainError):
            continue  # this workload has nothing of the kind
        found[route] = measure(client, where, times)
    return {route: figures for route, figures in found.items() if figures is not None}


def measure(client: Client, where: str, times: int) -> dict[str, Any] | None:
    """Milliseconds: the medians warm and after a write, and the same statements by the driver alone."""
    answer = client.get(where, secure=True)
    if answer.status_code != 200:
        return None
    took = [timed(client, where)[0] for _ in range(times)]
    statements = statements_of(lambda: client.get(where, secure=True))
    begun = perf_counter()
    fetch_bare(statements)
    bare = perf_counter() - begun
    anew = []
    for _ in range(times):
        write_something()
        seconds, body = timed(client, where)
        anew.append(seconds)
    return {
        "median_ms": statistics.median(took) * 1000,
        "anew_ms": statistics.median(anew) * 1000,
        "bare_ms": bare * 1000,
        "queries": len(statements),
        "sent_kb": len(gzip.compress(body, 6)) / 1024,
        "plain_kb": len(body) / 1024,
    }


def timed(client: Client, where: str) -> tuple[float, bytes]:
    begun = perf_counter()
    answer = client.get(where, secure=True)
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content  # type: ignore[attr-defined]
    return perf_counter() - begun, body


def write_something() -> None:
    """Take a little from a portion, each time of another item where there are so many."""
    global _written
    portions = Portion.objects.filter(on_hand__gt=F("reserved") + 10, set_apart=False).order_by("pk")
    _written += 1
    counting.discard(portion=portions[_written * 37 % portions.count()], quantity=1, why="spilled")


_written = 0


if __name__ == "__main__":
    main()
