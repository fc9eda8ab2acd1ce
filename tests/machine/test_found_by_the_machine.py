"""What random days showed to be wrong once, in as few steps as it takes."""

from __future__ import annotations

import pytest

from inventory.models import Portion, StockEvent
from inventory.services import correcting, lots
from inventory.tracing import trace
from production.services import batches, finishing, weighing
from tests.production.builders import formula, in_days, item, stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def oil():
    return item("OIL")


@pytest.fixture
def started(oil):
    """A batch of 100 g, all of it oil, set aside from lot A."""
    version = formula("BALM", item("BALM", "intermediate"), [(oil, "100")])
    stock(oil, "1 kg", "A", expires_on=in_days(9))
    batch = batches.plan(version=version, charge=100_000, planned_for=in_days(0), code="B1")
    batches.reserve(batch=batch)
    return batches.start(batch=batch)


def jar(number: str, place: str = "") -> Portion:
    return Portion.objects.select_related("lot__item").get(lot__number=number, place=place)


def reached(number: str, *, forward: bool) -> list[str]:
    return [one.lot for one in trace([jar(number).lot], forward=forward).lots]


def test_a_lot_weighed_by_mistake_does_not_lead_to_what_was_made_without_it(oil, started):
    stock(oil, "1 kg", "B")
    line = started.lines.get()
    wrong = weighing.weigh(line=line, portion=jar("B"), quantity=100_000, why="the nearest jar")
    weighing.correct_weighing(weighing=wrong, why="another jar")
    weighing.weigh(line=line, portion=jar("A"), quantity=100_000)
    finishing.finish(batch=started, made=100_000)
    assert reached("B", forward=True) == ["B"]
    assert reached("A", forward=True) == ["A", "B1"]


def test_a_lot_that_was_taken_back_was_made_from_nothing(started):
    weighing.weigh(line=started.lines.get(), portion=jar("A"), quantity=100_000)
    finishing.finish(batch=started, made=100_000)
    finishing.reopen(batch=started, why="one jar was forgotten")
    finishing.finish(batch=started, made=90_000)
    assert reached("B1", forward=False) == ["B1"]
    assert reached("B1-2", forward=False) == ["B1-2", "A"]


def test_a_reading_is_taken_back_though_what_was_found_for_it_was_corrected_before(oil, started):
    stock(oil, "10 g", "A", place="shelf")
    reading = weighing.weigh(
        line=started.lines.get(), portion=jar("A", "shelf"), quantity=15_000, found=True, done=False
    )
    lots.move(portion=jar("A"), place="shelf", quantity=5_000)
    correcting.correct(event=StockEvent.objects.get(kind="counted"), why="it was not more")
    weighing.correct_weighing(weighing=reading, why="misread")
    assert jar("A", "shelf").on_hand == 15_000
