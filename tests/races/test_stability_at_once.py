"""Two people record one pull at once, on PostgreSQL. The control: without the lock both are told that it was theirs."""

from __future__ import annotations

from threading import Barrier
from typing import Any

import pytest

from inventory.errors import Shortage, WrongState
from inventory.ledger import verify
from inventory.models import Portion
from production.models import PullRecord, Study
from production.services import stability
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec
from production.stability_selectors import find_pull
from tests.production.builders import item, stock
from tests.races.test_at_once import at_once

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,  # SQLite lets one write after the other
]


@pytest.fixture
def study() -> Study:
    """A study of ten jars whose two samples are taken; eight are left."""
    spec = ProtocolSpec("a look", [ConditionSpec("room")], [PullTimeSpec("week", week, 0, 7) for week in (0, 4)])
    return stability.start_study(
        lot=stock(item("JAR", "product", "count"), "10 pc").lot,
        protocol=stability.make_protocol(code="P", spec=spec),
        sample_quantity=1,
        code="S-1",
    )


def record() -> Any:
    return stability.record_pull(pull=find_pull("S-1", 1))


def test_one_pull_is_recorded_once(study: Study) -> None:
    answers = at_once(record, record)
    assert sorted(isinstance(answer, WrongState) for answer in answers) == [False, True]
    assert PullRecord.objects.count() == 1


def test_without_the_lock_it_is_recorded_twice(study: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    gate, look = Barrier(2), stability._expect_planned

    def look_together(*asked: Any) -> None:
        look(*asked)
        gate.wait(10)

    monkeypatch.setattr(stability, "lock_items", lambda item_ids: None)
    monkeypatch.setattr(stability, "_expect_planned", look_together)
    assert not [answer for answer in at_once(record, record) if isinstance(answer, Exception)]
    assert PullRecord.objects.count() == 2


def test_studies_that_begin_at_once_do_not_take_one_jar_twice(study: Study) -> None:
    def begin() -> Study:
        return stability.start_study(lot=study.lot, protocol=study.protocol, sample_quantity=3)

    answers = at_once(begin, begin, begin)
    begun = [answer for answer in answers if isinstance(answer, Study)]
    refused = [answer for answer in answers if not isinstance(answer, Study)]
    assert len(begun) == 1  # six of eight jars
    assert all(isinstance(answer, Shortage) for answer in refused), refused
    assert Portion.objects.get().on_hand == 2
    assert verify() == []
