"""Several people write down at one moment what gets its number from the workshop: each gets one of their own.

On PostgreSQL: on SQLite one writes after the other, and there is no such moment.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import count
from threading import Barrier
from types import ModuleType
from typing import Any

import pytest

from inventory import clock, numbers
from inventory.errors import Conflict
from inventory.models import Party, Portion
from inventory.services import buying, dispatching
from inventory.services.buying import OrderLine
from inventory.services.dispatching import Leaving
from production.services import batches
from tests.inventory.builders import make_party
from tests.production.builders import formula, in_days, item, stock
from tests.races.test_at_once import at_once

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,  # SQLite lets one write after the other
]
PEOPLE = 5


def plan_batches(monkeypatch: pytest.MonkeyPatch) -> list[Callable[[], str]]:
    version = formula("GEL", item("GEL", "intermediate"), [(item("OIL"), "100")])
    _propose_together(monkeypatch, batches, "propose_batch_number")
    planned: dict[str, Any] = {"version": version, "charge": 1000, "planned_for": clock.today()}
    return [lambda: batches.plan(**planned).transformation.code] * PEOPLE


def place_orders(monkeypatch: pytest.MonkeyPatch) -> list[Callable[[], str]]:
    hill, line = make_party("HILL"), OrderLine(item=item("OIL"), quantity=1000, due_on=in_days(3))
    _propose_together(monkeypatch, buying, "propose_order_number")
    return [lambda: buying.place_order(supplier=hill, lines=[line]).code] * PEOPLE


def dispatch(monkeypatch: pytest.MonkeyPatch) -> list[Callable[[], str]]:
    """Of an item each: what leaves of one item waits for the lock on it anyway."""
    lane = make_party("LANE", role=Party.Role.CUSTOMER)
    portions = [stock(item(f"BALM-{number}", "product"), "1 kg", f"B-{number}") for number in range(PEOPLE)]
    _propose_together(monkeypatch, dispatching, "propose_dispatch_number")

    def leave(portion: Portion) -> str:
        return dispatching.dispatch(lines=[Leaving(portion=portion, quantity=1000)], customer=lane).code

    return [partial(leave, portion) for portion in portions]


def _propose_together(monkeypatch: pytest.MonkeyPatch, module: ModuleType, name: str) -> None:
    """Everybody has been proposed the same number before anybody writes it; who is proposed another does not wait."""
    propose, gate, turns = getattr(module, name), Barrier(PEOPLE), count()

    def propose_and_wait(*asked: Any) -> str:
        number: str = propose(*asked)
        if next(turns) < PEOPLE:
            gate.wait(10)
        return number

    monkeypatch.setattr(module, name, propose_and_wait)


ACTS = pytest.mark.parametrize("acts", [plan_batches, place_orders, dispatch])


@ACTS
def test_each_gets_a_number_and_none_is_left_out(acts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = at_once(*acts(monkeypatch))
    assert all(isinstance(answer, str) for answer in answers), answers
    assert sorted(int(code.rpartition("-")[2]) for code in answers) == [1, 2, 3, 4, 5]


@ACTS
def test_control_without_another_try_all_but_one_are_refused(acts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numbers, "TRIES", 1)
    answers = at_once(*acts(monkeypatch))
    assert sum(isinstance(answer, Conflict) for answer in answers) == PEOPLE - 1


def test_a_number_that_two_chose_goes_to_one_of_them() -> None:
    hill, line = make_party("HILL"), OrderLine(item=item("OIL"), quantity=1000, due_on=in_days(3))
    answers = at_once(*[lambda: buying.place_order(supplier=hill, lines=[line], code="P-1").code] * 2)
    assert {type(answer) for answer in answers} == {str, Conflict}
