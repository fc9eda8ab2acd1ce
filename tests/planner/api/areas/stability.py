"""Stability: protocols, studies, pulls; and retained samples."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from unittest import mock
from uuid import UUID

from django.contrib.auth.models import User

from inventory.api.stock_events import UID
from inventory.selectors import get_lot
from inventory.services import samples
from production.models import Protocol, Pull, Study
from production.services import stability
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec, ReadingSpec, StabilityTestSpec
from production.stability_days import usual_window_days
from production.stability_selectors import find_pull
from tests.inventory.builders import make_lot, portion_in

WARM = ConditionSpec("25 C", Decimal(25), humidity_percent=60)
FROST = ConditionSpec("frost and thaw", Decimal(-10), cycle_to_c=Decimal(25), cycle_days=2)
PH = StabilityTestSpec("pH", low=Decimal("4.5"), high=Decimal("5.5"))
SMELL = StabilityTestSpec("smells as at the start", expected="yes")


def times(*pairs: tuple[str, int]) -> list[PullTimeSpec]:
    return [PullTimeSpec(unit, count, *[usual_window_days(unit, count)] * 2) for unit, count in pairs]


def protocol(code: str = "SHORT", retired: bool = False) -> Protocol:
    spec = ProtocolSpec(
        "Short look",
        [WARM, FROST],
        times(("week", 0), ("month", 3), ("cycle", 3)),
        [PH, SMELL],
        samples_per_pull=2,
        retired=retired,
    )
    return stability.make_protocol(code=code, spec=spec)


def study() -> Study:
    """S-1 of W2 by SHORT, whose samples were taken before the books began."""
    return stability.start_study(
        lot=get_lot("WAX", "W2"), protocol=protocol(), sample_quantity=30_000, code="S-1", already_sampled=True
    )


def half_a_year() -> None:
    """S-2 of W2, looked at five times in half a year, with a pH that falls."""
    spec = ProtocolSpec("Half a year", [WARM], times(*(("month", month) for month in (0, 1, 2, 4, 6))), [PH])
    found = stability.start_study(
        lot=get_lot("WAX", "W2"),
        protocol=stability.make_protocol(code="HALF", spec=spec),
        sample_quantity=30_000,
        code="S-2",
        started_on=date(2026, 9, 1),
        already_sampled=True,
    )
    for pull, value in zip(found.pulls.order_by("number"), ("5.30", "5.27", "5.19", "5.12", "5.00"), strict=True):
        pull = find_pull("S-2", pull.number)
        stability.record_pull(pull=pull, done_on=pull.due_on, readings=[ReadingSpec("pH", value)])


def prepare(operation: tuple[str, str]) -> None:
    route = operation[1]
    maker = User.objects.get(username="maker")
    if route in ("retained-samples", "retained-sample-take"):
        with mock.patch("inventory.services.ledger.uuid.uuid4", return_value=UUID(UID)):
            samples.retain(portion=portion_in(get_lot("WAX", "W1")), quantity=20_000, place="cupboard", who=maker)
    elif operation == ("GET", "protocols"):
        protocol(retired=True)
    elif operation in {("GET", "protocol"), ("PUT", "protocol"), ("POST", "studies")}:
        protocol()
    elif route == "shelf-life":
        half_a_year()
    elif route.startswith(("stud", "pull")):
        study()
        if route in ("pull-readings", "pull-reopen"):
            stability.record_pull(pull=find_pull("S-1", 1), who=maker)


def _protocols(count: int) -> None:
    for _ in range(count):
        protocol(f"P-{Protocol.objects.count()}")


def _studies(count: int) -> None:
    for _ in range(count):
        by = Protocol.objects.filter(code="SHORT").first() or protocol()
        found = stability.start_study(lot=make_lot(), protocol=by, sample_quantity=1_000)
        stability.record_pull(pull=find_pull(found.code, 1), readings=[ReadingSpec("pH", "6")])


def _pulls(count: int) -> None:
    """More pulls of S-1, far ahead."""
    found = Study.objects.get(code="S-1")
    warm, last = found.conditions.get(name="25 C"), found.pulls.count()
    Pull.objects.bulk_create(
        Pull(
            study=found, number=last + more, condition=warm, unit="week", count=last + more, samples=1,
            due_on=date(2028, 1, 1), window_from=date(2028, 1, 1), window_to=date(2028, 1, 2),
        )
        for more in range(1, count + 1)
    )  # fmt: skip


def _retained(count: int) -> None:
    for _ in range(count):
        portion = portion_in(make_lot(expires_on=date(2027, 9, 1)))
        kept = samples.retain(portion=portion, quantity=2_000)
        samples.take_retained(sample=kept, quantity=1_000, why="looked at")


FILLERS = {
    "protocols": _protocols,
    "studies": _studies,
    "pulls": _studies,
    "study-pulls": _pulls,
    "retained-samples": _retained,
}
IN_A_MINUTE = ["2027-03-01T09:01:00+00:00"]
TOMORROW, BEFORE_IT_BEGAN = "2027-03-02", "2027-02-28"
WRONG = {
    ("POST", "protocols", "protocol"): ["COMMON"],
    ("POST", "studies", "lot"): ["NO-SUCH-LOT"],
    ("POST", "studies", "sample"): ["3 pc", "0 g"],
    ("POST", "studies", "started_on"): [TOMORROW],
    ("POST", "studies", "place"): ["nowhere"],
    ("POST", "studies", "container"): ["nothing"],
    ("POST", "studies", "formula"): ["RUB"],
    ("POST", "studies", "version"): [1],
    ("POST", "study-close", "closed_on"): [TOMORROW, BEFORE_IT_BEGAN],
    ("POST", "pull-done", "done_on"): [TOMORROW, BEFORE_IT_BEGAN],
    ("POST", "lot-retain", "quantity"): ["3 pc", "0 g"],
    ("POST", "lot-retain", "place"): ["nowhere"],
    ("POST", "lot-retain", "keep_until"): [BEFORE_IT_BEGAN],
    ("POST", "lot-retain", "happened_at"): IN_A_MINUTE,
    ("POST", "retained-sample-take", "quantity"): ["3 pc", "0 g"],
    ("POST", "retained-sample-take", "taken_on"): [TOMORROW, BEFORE_IT_BEGAN],
}
for _operation in (("POST", "protocols"), ("PUT", "protocol")):
    WRONG |= {
        (*_operation, "conditions.condition"): ["frost and thaw"],
        (*_operation, "conditions.cycle_to_c"): ["40"],
        (*_operation, "pull_times.count"): [1_041],
        (*_operation, "tests.test"): ["smells as at the start"],
        (*_operation, "tests.low"): ["6"],
        (*_operation, "tests.expected"): ["yes"],
    }
for _operation in (("POST", "pull-done"), ("POST", "pull-readings")):
    WRONG |= {
        (*_operation, "readings.test"): ["colour"],
        (*_operation, "readings.value"): ["sour", "NaN"],
        (*_operation, "readings.sample"): [3],
    }
VOLATILE = {"samples_event"}
