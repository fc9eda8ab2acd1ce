"""A trace of a thousand lots in a store of fifty thousand, and a day's stock of that store."""

from time import process_time  # on SQLite the database works in this process: what others run does not count

import pytest
from django.db import connection

from inventory import clock
from inventory.ledger import stock_on, verify
from inventory.models import Lot, Movement, Portion, StockEvent, Transformation
from inventory.numbers import fold
from inventory.services.lots import OpeningRow, open_stock
from inventory.tracing import trace
from tests.inventory.builders import KG, make_item

pytestmark = [pytest.mark.django_db, pytest.mark.long]

LEVELS = (1, 9, 90, 900)  # lots of each level: every lot of one level is in ten of the next
STORE = 50_000


def build_chain(levels: tuple[int, ...]) -> Lot:
    """Makings level by level, two inputs each, written in bulk; answers the first lot."""
    items = [make_item(f"LEVEL{number}") for number in range(len(levels))]
    above = open_stock(rows=[OpeningRow(item=items[0], quantity=KG, number="FIRST", status="released")])
    first = above[0]
    other = open_stock(rows=[OpeningRow(item=make_item("OTHER"), quantity=10**11, number="OTHER", status="released")])[
        0
    ]
    for number, size in enumerate(levels[1:], start=1):
        above = build_level(items[number], number, size, above, other)
    return first


def build_level(item, number, size, above, other):
    makings = Transformation.objects.bulk_create(
        Transformation(code=f"B{number}-{place}", item=item, planned_for=clock.today()) for place in range(size)
    )
    lots = Lot.objects.bulk_create(
        Lot(
            item=item,
            number=making.code,
            number_folded=fold(making.code),
            origin="made",
            status="released",
            transformation=making,
        )
        for making in makings
    )
    portions = Portion.objects.bulk_create(Portion(lot=lot, on_hand=100) for lot in lots)
    sources = {
        lot.pk: portion
        for lot, portion in (
            (portion.lot, portion) for portion in Portion.objects.filter(lot__in=above).select_related("lot")
        )
    }
    spring = Portion.objects.get(lot=other)
    changes = []
    for place, (making, portion) in enumerate(zip(makings, portions, strict=True)):
        source = sources[above[place % len(above)].pk]
        changes += [(making, "used", source, -10), (making, "used", spring, -90), (making, "made", portion, 100)]
    events = StockEvent.objects.bulk_create(
        StockEvent(kind=kind, happened_at=clock.now(), transformation=making) for making, kind, _, _ in changes
    )
    Movement.objects.bulk_create(
        Movement(event=event, portion=portion, lot_id=portion.lot_id, quantity=quantity, making=making)
        for event, (making, _, portion, quantity) in zip(events, changes, strict=True)
    )
    for portion in {portion.pk: portion for _, _, portion, _ in changes}.values():
        if portion not in portions:
            portion.on_hand += sum(quantity for _, _, one, quantity in changes if one is portion)
            portion.save()
    return lots


def best_of(times: int, act) -> float:
    taken = []
    for _ in range(times):
        start = process_time()
        act()
        taken.append(process_time() - start)
    return min(taken)


def test_a_thousand_lots_are_traced_within_50_ms(capsys):
    filler = [make_item() for _ in range(50)]
    start = process_time()
    open_stock(
        rows=[
            OpeningRow(
                item=filler[place % 50], quantity=KG, number=f"F{place}", status="released", unit_cost_e6=12_340_000
            )
            for place in range(STORE)
        ]
    )
    opening = process_time() - start
    first = build_chain(LEVELS)
    found = trace([first], forward=True)
    assert len(found.lots) == sum(LEVELS)
    forward = best_of(20, lambda: trace([first], forward=True))
    back = best_of(5, lambda: trace([Lot.objects.get(number="B3-0")], forward=False))
    stock = best_of(2, lambda: stock_on(clock.today()))
    check = best_of(1, lambda: verify())
    assert verify() == []
    with capsys.disabled():
        print(
            f"\n{connection.vendor}: opening {STORE} lots {opening:.1f} s; forward {forward * 1000:.1f} ms; "
            f"backward {back * 1000:.1f} ms; stock {stock * 1000:.0f} ms; verify {check * 1000:.0f} ms"
        )
    assert forward < 0.05
