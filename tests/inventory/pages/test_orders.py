"""Orders by form: written down, looked at, sent, closed by line; suppliers, customers and offers."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import pytest
from django.contrib.auth.models import User
from django.core import mail
from django.test import Client

from inventory import order_book
from inventory.models import Offer, Party, PurchaseOrder, PurchaseOrderLine
from tests.inventory.pages.test_acts import form_of, told
from tests.planner.pages.house import read

Shop = dict[str, Client]


def open_line() -> PurchaseOrderLine:
    rows = PurchaseOrderLine.objects.select_related("order__supplier", "item")
    return rows.filter(closed_at=None).order_by("pk")[0]


def words(answer: Any) -> str:
    return read(answer).words.replace("\N{NO-BREAK SPACE}", " ")


def test_orders_to_come_stand_with_the_first_due_first_and_late_ones_say_so(workshop: Shop) -> None:
    PurchaseOrderLine.objects.filter(pk=open_line().pk).update(due_on="2027-03-01")
    page = workshop["viewer"].get("/orders")
    days = [order["due_on"] for order in page.context["orders"]]
    assert len(days) >= 2
    assert days == sorted(days)
    assert words(page).count("late") == words(workshop["viewer"].get("/orders?showing=late")).count("late") >= 1
    assert len(workshop["viewer"].get("/orders?showing=late").context["orders"]) == 1
    assert "Receive" not in [one.get("aria-label") for one in read(page).tags["a"]]


def test_an_order_is_written_down_by_hand_and_counts(workshop: Shop) -> None:
    given = form_of(workshop["buyer"], "/orders/new", "supplier=" + open_line().order.supplier.code)
    given |= {"supplier": open_line().order.supplier.code, "lines[0].item": "KAOLIN", "lines[0].quantity": "2.5 kg"}
    given |= {"lines[0].due_on": "2027-03-20", "lines[2].item": "JAR-100", "lines[2].quantity": "48"}
    given |= {"lines[2].due_on": "2027-03-20"}
    answer = workshop["buyer"].post("/orders/new", given)
    assert answer.status_code == 303, words(answer)
    order = PurchaseOrder.objects.order_by("-pk")[0]
    assert answer["Location"] == f"/orders/order/{order.code}"
    assert set(order.lines.values_list("item__code", "quantity")) == {("KAOLIN", 2_500_000), ("JAR-100", 48)}


def test_a_wrong_line_is_told_where_it_stands_and_nothing_is_ordered(workshop: Shop) -> None:
    before = PurchaseOrder.objects.count()
    given = form_of(workshop["buyer"], "/orders/new")
    given |= {"supplier": open_line().order.supplier.code, "lines[1].item": "KAOLIN", "lines[1].quantity": "a sack"}
    given |= {"lines[1].due_on": "2027-03-20"}
    answer = workshop["buyer"].post("/orders/new", given)
    assert answer.status_code == 400
    assert [one["name"] for one in read(answer).tags["input"] if one.get("aria-invalid")] == ["lines[1].quantity"]
    assert PurchaseOrder.objects.count() == before


def test_a_line_that_will_not_come_is_closed_with_its_reason(workshop: Shop) -> None:
    line = open_line()
    address, query = f"/orders/order/{line.order.code}/close", f"item={line.item.code}&due_on={line.due_on}"
    given = form_of(workshop["buyer"], address, query)
    refused = workshop["buyer"].post(address, given)
    assert refused.status_code == 400
    assert refused.context["form"].faults["why"]
    answer = workshop["buyer"].post(address, given | {"why": "sold out"})
    assert answer.status_code == 303
    line.refresh_from_db()
    assert (line.closed_why, line.open_quantity) == ("sold out", 0)
    assert "closed: sold out" in words(workshop["viewer"].get(answer["Location"]))
    again = workshop["buyer"].post(address, form_of(workshop["buyer"], address, query) | {"why": "sold out"})
    assert again.status_code == 409


def test_a_sheet_says_packs_and_sum_and_becomes_a_letter(workshop: Shop) -> None:
    line = open_line()
    Party.objects.filter(pk=line.order.supplier_id).update(email="orders@herbs.example")
    offer = Offer.objects.filter(supplier=line.order.supplier, item=line.item).order_by("-pack")[0]
    Offer.objects.filter(pk=offer.pk).update(supplier_code="Q-77", price_e4=125_000)
    PurchaseOrderLine.objects.filter(pk=line.pk).update(quantity=3 * offer.pack)
    page = workshop["viewer"].get(f"/orders/order/{line.order.code}/sheet")
    assert "3 × " in words(page)
    assert "Q-77" in words(page)
    assert "37.50" in words(page)
    (letter,) = [one["href"] for one in read(page).tags["a"] if one["href"].startswith("mailto:")]
    assert letter.startswith(f"mailto:orders@herbs.example?subject=Order%20{line.order.code}&body=")
    assert "(your Q-77)" in unquote(letter)
    assert " " not in letter


def test_an_order_is_sent_through_the_workshop_s_mail_server_once(workshop: Shop) -> None:
    line = open_line()
    Party.objects.filter(pk=line.order.supplier_id).update(email="orders@herbs.example")
    User.objects.filter(username="buyer").update(email="buyer@house.example")
    address = f"/orders/order/{line.order.code}/send"
    given = form_of(workshop["buyer"], address)
    assert given["to"] == "orders@herbs.example"
    assert workshop["buyer"].post(address, given | {"words": ""}).status_code == 400
    assert mail.outbox == []
    for _ in range(2):
        assert workshop["buyer"].post(address, given | {"words": "Two jars, please."}).status_code == 303
    (letter,) = mail.outbox
    assert (letter.to, letter.reply_to) == (["orders@herbs.example"], ["buyer@house.example"])
    assert (letter.subject, letter.body) == (f"Order {line.order.code}", "Two jars, please.")


def test_a_letter_that_is_not_taken_is_told_and_can_be_sent_again(
    workshop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*args: object, **kwargs: object) -> None:
        raise ConnectionRefusedError

    line = open_line()
    address = f"/orders/order/{line.order.code}/send"
    given = form_of(workshop["buyer"], address) | {"to": "orders@herbs.example", "words": "Two jars, please."}
    with monkeypatch.context() as broken:
        broken.setattr("django.core.mail.EmailMessage.send", away)
        answer = workshop["buyer"].post(address, given)
    assert answer.status_code == 409
    assert "did not take the letter" in words(answer)
    assert workshop["buyer"].post(address, given).status_code == 303
    assert len(mail.outbox) == 1


def test_without_a_mail_server_the_sheet_is_printed_or_written_by_hand(workshop: Shop, settings: Any) -> None:
    line = open_line()
    sheet = f"/orders/order/{line.order.code}/sheet"
    assert "Send it by e-mail" in words(workshop["buyer"].get(sheet))
    assert "Send it by e-mail" not in words(workshop["viewer"].get(sheet))
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
    assert "Send it by e-mail" not in words(workshop["buyer"].get(sheet))
    address = f"/orders/order/{line.order.code}/send"
    given = form_of(workshop["buyer"], address) | {"to": "orders@herbs.example", "words": "Two jars, please."}
    assert workshop["buyer"].post(address, given).status_code == 409


@pytest.mark.parametrize(
    ("quantity", "packs", "expected"),
    [
        (3000, (1000,), [(3, 1000)]),
        (3500, (1000, 500), [(3, 1000), (1, 500)]),
        (600, (500, 200), [(3, 200)]),  # a large pack and a rest would not do
        (700, (500, 300), []),
        (700, (), []),
    ],
)
def test_packs_make_up_exactly_what_was_ordered(
    quantity: int, packs: tuple[int, ...], expected: list[tuple[int, int]]
) -> None:
    found = order_book.packs_of(quantity, [{"pack": pack, "price_e4": None, "supplier_code": ""} for pack in packs])
    assert [(pack["count"], pack["pack"]) for pack in found] == expected


def test_a_supplier_is_written_down_changed_and_offers_a_pack(workshop: Shop) -> None:
    buyer = workshop["buyer"]
    given = form_of(buyer, "/orders/parties/new") | {"party": "HILL", "name": "Hill Farm", "role": "supplier"}
    assert buyer.post("/orders/parties/new", given | {"email": "hill@farm.example"}).status_code == 303
    change = "/orders/party/HILL/change"
    shown = form_of(buyer, change)
    assert shown["email"] == "hill@farm.example"
    assert buyer.post(change, shown | {"role": "both", "email": "", "address": "1 Hill Lane"}).status_code == 303
    party = Party.objects.get(code="HILL")
    assert (party.role, party.email, party.address) == ("both", "", "1 Hill Lane")

    offer = "/orders/party/HILL/offer"
    given = form_of(buyer, offer) | {"item": "KAOLIN", "pack": "2.5 kg", "lead_time_days": "4", "price": "8.20"}
    assert buyer.post(offer, given).status_code == 303
    found = Offer.objects.get(supplier=party, pack=2_500_000)
    assert (found.price_e4, found.lead_time_days, found.min_packs) == (82_000, 4, 1)
    query = "item=KAOLIN&pack=2500 g"
    shown = form_of(buyer, f"{offer}/change", query)
    assert shown["price"] == "8.20"
    assert buyer.post(f"{offer}/change", shown | {"price": "", "min_packs": "2"}).status_code == 303
    found.refresh_from_db()
    assert (found.price_e4, found.min_packs) == (None, 2)
    assert buyer.post(f"{offer}/withdraw", form_of(buyer, f"{offer}/withdraw", query)).status_code == 303
    assert not Offer.objects.filter(pk=found.pk).exists()


def test_a_code_that_is_taken_is_told_beside_it(workshop: Shop) -> None:
    taken = open_line().order.supplier.code
    given = form_of(workshop["buyer"], "/orders/parties/new") | {"party": taken, "name": "Twin", "role": "supplier"}
    answer = workshop["buyer"].post("/orders/parties/new", given)
    assert answer.status_code == 409
    assert answer.context["form"].faults["party"]
    assert "Twin" in answer.content.decode()


def test_a_received_order_leads_to_its_lots(workshop: Shop) -> None:
    line = open_line()
    address, query = "/shelf/receive", f"order={line.order.code}"
    given = form_of(workshop["buyer"], address, query)
    given |= {name: "quarantine" for name in given if name.endswith(".status")} | {"lots[0].supplier_lot": "SL-5"}
    answer = workshop["buyer"].post(f"{address}?{query}", given)
    assert answer.status_code == 303, told(answer)
    page = workshop["viewer"].get(f"/orders/order/{line.order.code}")
    assert "SL-5" in words(page)
    assert "Nothing more is to come" in words(page)


def test_a_sheet_of_which_all_has_come_asks_for_nothing(workshop: Shop) -> None:
    order = open_line().order
    address = f"/orders/order/{order.code}/sheet"
    assert "Please deliver" in words(workshop["buyer"].get(address))
    order.lines.update(closed_at="2027-03-09T10:00:00Z")
    page = words(workshop["buyer"].get(address))
    assert "nothing more is to come" in page
    assert not [told for told in ("Please deliver", "please", "Send it", "mail program") if told in page]
