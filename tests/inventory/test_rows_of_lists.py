"""Rows by a statement that is kept are the rows that Django gives, whatever came before of the same or a like shape."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Sum, Value
from django.test.utils import CaptureQueriesContext

from inventory import columns, selectors, trade
from inventory.api.items import ITEMS
from inventory.api.lots import LOTS, PORTIONS
from inventory.api.stock_events import EVENTS, MOVEMENTS
from inventory.columns import rows_of
from inventory.models import Item, Lot, Portion, PurchaseOrder, PurchaseOrderLine, Transformation
from tests.inventory.builders import make_item, make_party, make_stock, make_transformation

pytestmark = pytest.mark.django_db
Rows = QuerySet[Any, Any]


@pytest.fixture(autouse=True)
def stock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "_kept", {})
    oil = make_item("OIL", density_g_per_ml=Decimal("0.92"), shelf_life_days=100)
    tin = make_item("TIN", kind="packaging", measure="count")
    for number in range(3):
        make_stock(oil, 1000 + number, number=f"O{number}", place="shelf" if number else "")
        make_stock(tin, 24 + number, number=f"T{number}", expires_on=date(2030, 1, 1 + number))
    order = PurchaseOrder.objects.create(code="P-1", supplier=make_party("HILL"), placed_at="2027-03-01T09:00:00+00:00")
    PurchaseOrderLine.objects.create(order=order, item=oil, quantity=5, due_on=date(2027, 3, 4))


here = Portion.objects.filter(lot=OuterRef("pk"), on_hand__gt=0)
SHAPES: dict[str, Callable[[], Rows]] = {
    "all": lambda: ITEMS.order_by("code"),
    "a page": lambda: ITEMS.order_by("code")[:2],
    "another page": lambda: ITEMS.order_by("code")[:1],
    "backwards": lambda: EVENTS.order_by("-pk"),
    "one kind": lambda: ITEMS.filter(kind="packaging").order_by("code"),
    "another kind": lambda: ITEMS.filter(kind="raw").order_by("code"),
    "no kind": lambda: ITEMS.filter(kind="nothing"),
    "nothing set": lambda: ITEMS.filter(density_g_per_ml=None),
    "something set": lambda: ITEMS.exclude(density_g_per_ml=None),
    "after a key": lambda: LOTS.filter(pk__gt=Lot.objects.order_by("pk")[1].pk).order_by("pk"),
    "by what is joined": lambda: LOTS.filter(item__kind="raw").order_by("pk"),
    "that have": lambda: LOTS.filter(Exists(here.filter(place="shelf"))).order_by("pk"),
    "that have not": lambda: LOTS.filter(~Exists(here.filter(place="shelf"))).order_by("pk"),
    "expiring": lambda: selectors.expiring_before(LOTS, date(2030, 1, 2)).order_by("pk"),
    "expiring later": lambda: selectors.expiring_before(LOTS, date(2031, 1, 1)).order_by("pk"),
    "usable": lambda: selectors.usable_on(PORTIONS, date(2027, 3, 1)).order_by("pk"),
    "one or the other": lambda: PORTIONS.filter(Q(place="shelf") | Q(lot__item__code="TIN")).order_by("pk"),
    "movements": lambda: MOVEMENTS.order_by("pk"),
    "lines": lambda: trade.ORDER_LINES.order_by("pk"),
    "sums": lambda: Portion.objects.order_by("lot").values("lot").annotate(sum=Sum("on_hand")),
    "counts": lambda: Portion.objects.order_by("lot").values("lot").annotate(sum=Count("on_hand")),
    "different": lambda: Portion.objects.order_by("place").values("place").distinct(),
    "a value among the columns": lambda: Item.objects.order_by("code").values("code").annotate(one=Value("x")),
    "another value": lambda: Item.objects.order_by("code").values("code").annotate(one=Value("y")),
    "under another name": lambda: Item.objects.order_by("code").values(called=F("code")),
}


@pytest.mark.parametrize("ask", SHAPES.values(), ids=SHAPES)
def test_the_rows_are_those_that_django_gives(ask: Callable[[], Rows]) -> None:
    for _ in range(2):
        assert rows_of(ask()) == list(ask())


def test_no_shape_is_taken_for_another() -> None:
    for _ in range(2):
        for name, ask in SHAPES.items():
            assert rows_of(ask()) == list(ask()), name


def test_the_same_condition_on_two_ways_to_one_table_is_two_shapes() -> None:
    """Both join the items, and both conditions read alike."""
    gel = make_item("GEL", kind="intermediate")
    make_transformation("B-1", gel)
    by_lot = Lot.objects.values("pk").filter(item__kind="raw")
    by_making = Lot.objects.values("pk").filter(transformation__item__kind="raw")
    assert (len(rows_of(by_lot)), len(rows_of(by_making))) == (3, 0)
    assert Transformation.objects.count() == 1


def test_a_statement_is_compiled_once_for_all_values(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled, compile_now = [], columns._compiled
    monkeypatch.setattr(columns, "_compiled", lambda *asked: compiled.append(1) or compile_now(*asked))
    for kind in ("raw", "packaging", "product"):
        rows_of(ITEMS.filter(kind=kind).order_by("code")[:100])
    assert len(compiled) == 1
    rows_of(ITEMS.filter(drawn=False).order_by("code")[:100])
    assert len(compiled) == 2


def test_what_is_kept_has_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MOST_STATEMENTS", 5)
    for limit in range(1, 20):
        assert len(rows_of(ITEMS.order_by("code")[:limit])) == min(limit, 2)
        assert len(columns._kept) <= 5


def test_columns_may_be_called_otherwise() -> None:
    first = rows_of(ITEMS.order_by("code"), {"code": "item", "density_g_per_ml": "density"})[0]
    assert (first["item"], first["density"]) == ("OIL", Decimal("0.92"))
    assert "code" not in first


@pytest.mark.parametrize("wanted", [["O0", "T2"], ["O0"], []])
def test_one_of_finds_what_in_finds(wanted: list[str]) -> None:
    lots = Lot.objects.filter(number__in=wanted)
    keys = set(lots.values_list("pk", flat=True))
    by_key, by_code = PORTIONS.filter(lot__one_of=keys), PORTIONS.filter(lot__number__one_of=set(wanted))
    expected = list(PORTIONS.filter(lot__in=keys).order_by("pk"))
    assert rows_of(by_key.order_by("pk")) == rows_of(by_code.order_by("pk")) == expected
    with CaptureQueriesContext(connection) as captured:
        rows_of(by_key)
    assert len(captured) == bool(wanted)


def test_what_is_no_plain_query_is_refused() -> None:
    for asked in (ITEMS.union(ITEMS), ITEMS.select_for_update()):
        with pytest.raises(ValueError, match="no plain query"):
            rows_of(asked)
