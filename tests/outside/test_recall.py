"""Recall and genealogy. Source: own case; the idea of following links downward and upward is that of
Dupuy, Botta-Genoulaz and Guinet 2005, Journal of Food Engineering 70, 333-339 (from memory).

Raw lots R1 and R2; intermediates I1 from R1, I2 from R1 and R2; products F1 from I1, F2 from I1 and I2, F3 from I2.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from inventory import clock
from inventory.models import Item, Lot, Party
from inventory.selectors import find_portion
from inventory.services import dispatching, lots, transforming
from planner import services
from tests.tables import run_json

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 1)


def item(code: str, kind: str) -> Item:
    return Item.objects.create(code=code, name=code, kind=kind, measure="mass", caps_life=kind == "raw")


def made(name: str, kind: str, loss: int = 0, **inputs: int) -> Lot:
    """A making of so many grams of each lot; ``loss`` grams stay in the vessel."""
    transformation = transforming.open_transformation(code=f"T-{name}", item=item(name, kind), planned_for=DAY)
    for number, grams in inputs.items():
        portion = find_portion(Lot.objects.get(number=number))
        transforming.use(transformation=transformation, portion=portion, quantity=grams * 1000)
    out = (sum(inputs.values()) - loss) * 1000
    lot = transforming.make(
        transformation=transformation,
        item=transformation.item,
        quantity=out,
        number=name,
        made_at=clock.now(),
        expires_on=clock.today() + timedelta(days=300),
        status="released",
        available_on=None,
        unit_cost_e6=None,
    )
    transforming.close(
        transformation=transformation,
        made_on=clock.today(),
        residue_mg=0,
        evaporated_mg=0,
        left_in_vessel_mg=loss * 1000,
    )
    return lot


@pytest.fixture(autouse=True)
def _house() -> None:
    lots.open_stock(
        rows=[
            lots.OpeningRow(item=item(name, "raw"), quantity=1_000_000, status="released", number=name)
            for name in ("R1", "R2")
        ]
    )
    made("I1", "intermediate", R1=400)
    made("I2", "intermediate", R1=100, R2=300)
    made("F1", "product", I1=200)
    made("F2", "product", I1=150, I2=150, loss=20)
    made("F3", "product", I2=200)
    customer = Party.objects.create(code="SHOP", name="A shop", role="customer")
    portion = find_portion(Lot.objects.get(number="F3"))
    dispatching.dispatch(
        lines=[dispatching.Leaving(portion=portion, quantity=120_000)], customer=customer, reference="SH-1"
    )


def trace(number: str, *way: str) -> dict[str, Any]:
    return run_json("trace", number, *way)


def reached(answer: dict[str, Any], *kinds: str) -> set[str]:
    return {row["lot"] for row in answer["lots"] if row["kind"] in kinds and row["depth"]}


def test_forward_of_one_raw_lot_reaches_every_product_that_holds_it() -> None:
    assert reached(trace("R1"), "product") == {"F1", "F2", "F3"}
    assert reached(trace("R2"), "product") == {"F2", "F3"}
    assert reached(trace("R2"), "intermediate") == {"I2"}


def test_backward_of_a_product_reaches_the_raw_lots_in_it() -> None:
    assert reached(trace("F1", "--backward"), "raw") == {"R1"}
    assert reached(trace("F2", "--backward"), "raw") == {"R1", "R2"}
    assert reached(trace("F3", "--backward"), "raw") == {"R1", "R2"}


def test_every_gram_of_the_origin_is_found_again() -> None:
    """I2 is a quarter R1. F1 is all R1. F2: of 300 g in, 150 + 37.5 are R1; of 280 g out that is 175 g. F3: 50 g."""
    answer = trace("R1")
    carried = {row["lot"]: row["from_origin"] for row in answer["lots"]}
    assert carried == {"R1": "1000 g", "I1": "400 g", "I2": "100 g", "F1": "200 g", "F2": "175 g", "F3": "50 g"}
    assert {row["accounted_percent"] for row in answer["lots"]} == {"100.00"}
    assert answer["dispatches"] == [
        {"lot": "F3", "customer": "SHOP", "public_place": "", "quantity": "120 g", "returned": "0 g",
         "on": clock.today().isoformat(), "reference": "SH-1"}
    ]  # fmt: skip
    still_here = {row["lot"]: row["quantity"] for row in answer["here"]}
    assert still_here == {"R1": "500 g", "I1": "50 g", "I2": "50 g", "F1": "200 g", "F2": "280 g", "F3": "80 g"}


def test_one_action_holds_everything_affected() -> None:
    decisions = services.decide_affected(origins=list(Lot.objects.filter(number="R2")), status="held", why="recall")
    assert {decision.lot.number for decision in decisions} == {"R2", "I2", "F2", "F3"}
    assert len({decision.action_uid for decision in decisions}) == 1
    assert set(Lot.objects.filter(status="released").values_list("number", flat=True)) == {"R1", "I1", "F1"}
