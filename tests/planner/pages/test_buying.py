"""What to order: by supplier as the plan proposes it; what is ticked of one supplier becomes one order."""

from __future__ import annotations

from datetime import date

from django.test import Client
from django.urls import reverse

from inventory.models import Offer, PurchaseOrder
from inventory.services import buying
from planner import services
from planner.models import AcceptedProposal
from planner.week import WEEKS_AHEAD
from tests.planner.pages.house import read

Shop = dict[str, Client]
TODAY = date(2027, 3, 10)


def proposed() -> list[services.Buy]:
    return services.run_plan(from_day=TODAY, weeks=WEEKS_AHEAD).plan.buy


def of_one_supplier() -> list[services.Buy]:
    """The proposals of the supplier of whom most is proposed."""
    by_supplier: dict[str, list[services.Buy]] = {}
    for row in proposed():
        by_supplier.setdefault(row.packs[0].supplier, []).append(row)
    return max(by_supplier.values(), key=len)


def test_every_proposal_stands_with_its_supplier_the_first_to_order_first(workshop: Shop) -> None:
    page = workshop["viewer"].get(reverse("to-order"))
    sheet = page.context["sheet"]
    assert {one.row.id for part in sheet.suppliers for one in part.rows} == {row.id for row in proposed()}
    first = [part.order_by for part in sheet.suppliers]
    assert first == sorted(first)
    for part in sheet.suppliers:
        assert {one.row.packs[0].supplier for one in part.rows} == {part.supplier["code"]}
        assert part.cost_e4 == sum(one.row.cost_e4 for one in part.rows if one.row.cost_e4 is not None)
    assert sheet.cost_e4 == sum(row.cost_e4 for row in proposed() if row.cost_e4 is not None)
    assert "Order what is ticked" not in read(page).words


def test_what_is_ticked_of_one_supplier_becomes_one_order(workshop: Shop) -> None:
    rows, before = of_one_supplier(), PurchaseOrder.objects.count()
    assert len(rows) >= 2
    answer = workshop["buyer"].post(reverse("to-order"), {"proposal": [row.id for row in rows]})
    assert answer.status_code == 303, read(answer).words
    order = PurchaseOrder.objects.order_by("-pk")[0]
    assert PurchaseOrder.objects.count() == before + 1
    assert answer["Location"] == reverse("order-sheet", kwargs={"order": order.code})
    assert sum(order.lines.values_list("quantity", flat=True)) == sum(row.quantity for row in rows)
    assert not {row.id for row in rows} & {row.id for row in proposed()}
    assert read(workshop["buyer"].get(answer["Location"])).faults == []


def test_of_two_suppliers_two_orders(workshop: Shop) -> None:
    first, before = proposed()[0], PurchaseOrder.objects.count()
    other = next(row for row in proposed() if row.packs[0].supplier != first.packs[0].supplier)
    answer = workshop["owner"].post(reverse("to-order"), {"proposal": [first.id, other.id]})
    assert answer["Location"] == reverse("orders")
    assert PurchaseOrder.objects.count() == before + 2


def test_a_line_that_was_closed_is_proposed_and_ordered_anew_though_its_order_stands(workshop: Shop) -> None:
    """Its proposal is another's neighbour in one order: what becomes of the neighbour is none of its concern."""
    first, second = of_one_supplier()[:2]
    services.accept(proposals=[first.id, second.id], from_day=TODAY, weeks=WEEKS_AHEAD, kinds=("buy",), together=True)
    mine = AcceptedProposal.objects.get(proposal=first.id)
    assert mine.order_line is not None
    assert mine.order_line.order_id == AcceptedProposal.objects.get(proposal=second.id).order_line.order_id  # type: ignore[union-attr]
    buying.close_order_line(line=mine.order_line, why="sold out")
    assert first.id in {row.id for row in proposed()}
    (again,) = services.accept(proposals=[first.id], from_day=TODAY, weeks=WEEKS_AHEAD)
    assert not again.again
    assert again.result != mine.result


def test_nothing_ticked_orders_nothing_and_a_proposal_that_is_gone_is_told(workshop: Shop) -> None:
    before = PurchaseOrder.objects.count()
    assert workshop["buyer"].post(reverse("to-order"), {}).status_code == 303
    answer = workshop["buyer"].post(reverse("to-order"), {"proposal": ["no-such-proposal"]})
    assert answer.status_code == 409
    assert "look at it again" in read(answer).words
    assert PurchaseOrder.objects.count() == before


def test_a_proposal_to_make_is_not_ordered_here(workshop: Shop) -> None:
    make = services.run_plan(from_day=TODAY, weeks=WEEKS_AHEAD).plan.make[0]
    assert workshop["owner"].post(reverse("to-order"), {"proposal": [make.id]}).status_code == 403


def test_what_nobody_offers_is_said(workshop: Shop) -> None:
    item = proposed()[0].item
    Offer.objects.filter(item__code=item).delete()
    words = read(workshop["viewer"].get(reverse("to-order"))).words
    assert "Nobody offers" in words
    assert item in words
