"""A substitute is set aside in place of a short line: the batch can be started, and the plan knows it."""

from __future__ import annotations

from pathlib import Path

import pytest
import time_machine

from inventory.errors import BadInput, Shortage
from inventory.ledger import verify
from inventory.models import Item, Reservation
from inventory.selectors import find_portion, get_lot
from planner import services
from production.models import BatchLine
from production.selectors import find_batch
from production.services import batches as bench
from production.services import finishing, weighing
from tests.planner.small_house import FROM, set_up, tables
from tests.tables import plan

pytestmark = pytest.mark.django_db

SOY = {"item": "SOY", "name": "Soft wax of another bean", "kind": "raw"}


@pytest.fixture(autouse=True)
def _house(tmp_path: Path) -> None:
    base = tables()
    set_up(
        tmp_path,
        items=[*base["items"], SOY],
        lots=[*base["lots"], {"item": "SOY", "lot": "S1", "quantity": "1 kg", "status": "released"}],
        substitutes=[{"formula": "RUB", "position": 2, "item": "WAX", "substitute": "SOY", "ratio": "1.5"}],
    )


@pytest.fixture
def second() -> object:
    """B-2, for which no wax is left once B-1 has its own."""
    services.reserve_batch(batch=find_batch("B-1"))
    return find_batch("B-2")


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
def test_a_short_batch_is_reserved_with_its_substitute_and_made(second) -> None:
    (line,) = [line for line in plan(FROM, 2)["batches"][1]["lines"] if line["item"] == "WAX"]
    assert line["substitutes"] == [{"item": "SOY", "ratio": "1.5", "free": "1000 g", "enough": True}]
    with pytest.raises(Shortage):
        bench.reserve(batch=second)
    services.reserve_batch(batch=second, substitutes={2: Item.objects.get(code="SOY")})
    held = {row.portion.lot.number: row.quantity for row in Reservation.objects.filter(transformation=second.pk)}
    assert held == {"O1": 800_000, "S1": 300_000}
    answer = plan(FROM, 2)
    assert {row["batch"]: row["coverage"] for row in answer["batches"]} == {"B-1": "covered", "B-2": "covered"}
    assert [row for row in answer["buy"] if row["item"] == "WAX" and "batch:B-2" in str(row["pegged_to"])] == []
    bench.start(batch=second)
    oil, wax = (
        BatchLine.objects.filter(batch=second).select_related("item", "batch__transformation").order_by("position")
    )
    weighing.weigh(line=oil, portion=find_portion(get_lot("OIL", "O1")), quantity=oil.required)
    weighing.weigh(line=wax, portion=find_portion(get_lot("SOY", "S1")), quantity=300_000, why="no pale wax here")
    lot = finishing.finish(batch=second, made=1_090_000, left_in_vessel_mg=10_000)
    assert lot.number == "B-2"
    assert verify() == []


@time_machine.travel("2027-03-01 09:00:00+00:00", tick=False)
def test_what_the_formula_does_not_name_stands_in_for_nothing(second) -> None:
    with pytest.raises(BadInput) as refused:
        bench.reserve(batch=second, substitutes={1: Item.objects.get(code="SOY")})
    assert refused.value.code == "no_substitute"
    assert not Reservation.objects.filter(transformation=second.pk).exists()
