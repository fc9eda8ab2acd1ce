"""Receiving by form: many lines, an order, a scanner; and the count of a first evening."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.test import Client

from inventory import ledger
from inventory.models import Lot, Party, PurchaseOrder, PurchaseOrderLine
from tests.inventory.pages.test_acts import form_of, told
from tests.planner.pages.house import read

RECEIVE = "/shelf/receive"


def line(at: int, **values: str) -> dict[str, str]:
    return {f"lots[{at}].{name}": value for name, value in values.items()}


def supplier() -> str:
    return Party.objects.exclude(role="customer").order_by("code")[0].code


def begun(client: Client, query: str = "") -> dict[str, str]:
    given = form_of(client, RECEIVE, query)
    given |= {name: "quarantine" for name in given if name.endswith(".status")}
    return given | ({} if query else {"supplier": supplier()})


def values_of(answer: Any) -> dict[str, str]:
    found = read(answer)
    return {one["name"]: one.get("value", "") for one in found.tags.get("input", []) if one.get("name")}


def test_many_lines_become_many_lots(workshop: dict[str, Client]) -> None:
    given = begun(workshop["buyer"])
    given |= line(0, item="KAOLIN", quantity="2.5 kg", supplier_lot="SM 3000", expires_on="2029-06", place="store")
    given |= line(1, item="JAR-100", quantity="48", supplier_lot="J-9", status="released")
    given |= line(2, item="KAOLIN", quantity="2500", supplier_lot="SM 3001", unit_cost="3.2")
    answer = workshop["buyer"].post(RECEIVE, given)
    assert answer.status_code == 303, read(answer).words
    clay = Lot.objects.get(supplier_lot="SM 3000")
    assert (clay.expires_on, clay.status, clay.received_on) == (date(2029, 6, 30), "quarantine", date(2027, 3, 10))
    assert clay.portions.get().on_hand == 2_500_000
    assert clay.portions.get().place == "store"
    second = Lot.objects.get(supplier_lot="SM 3001")
    assert second.portions.get().on_hand == 2_500_000
    assert second.unit_cost_e6 == 3_200_000
    jars = Lot.objects.get(supplier_lot="J-9")
    assert (jars.portions.get().on_hand, jars.status) == (48, "released")
    assert "Received 3 lots" in told(answer)
    labels = workshop["buyer"].get(answer["Location"])
    assert sum("symbol.svg" in one.get("src", "") for one in read(labels).tags["img"]) == 3
    assert ledger.verify() == []


def test_sent_twice_it_comes_once(workshop: dict[str, Client]) -> None:
    given = begun(workshop["buyer"]) | line(0, item="KAOLIN", quantity="1 kg", supplier_lot="SM 3000")
    for _ in range(2):
        assert workshop["buyer"].post(RECEIVE, given).status_code == 303
    assert Lot.objects.filter(supplier_lot="SM 3000").count() == 1


def test_a_fault_stands_in_the_line_where_it_was_written(workshop: dict[str, Client]) -> None:
    """Empty lines before it are passed over and still count on the page."""
    before = Lot.objects.count()
    given = begun(workshop["buyer"]) | line(0, item="KAOLIN", quantity="1 kg")
    given |= line(2, item="NO-SUCH", quantity="1 kg")
    answer = workshop["buyer"].post(RECEIVE, given)
    assert answer.status_code == 404
    found = read(answer)
    wrong = [one["name"] for one in found.tags["input"] if one.get("aria-invalid")]
    assert wrong == ["lots[2].item"]
    links = [one["href"] for one in found.tags["a"] if one["href"].startswith("#in-")]
    assert links == ["#in-lots-2-item"]
    assert found.faults == []
    assert values_of(answer)["lots[0].quantity"] == "1 kg"
    given |= line(2, item="TIN-30", quantity="a few")
    answer = workshop["buyer"].post(RECEIVE, given)
    assert answer.status_code in (400, 404)
    assert Lot.objects.count() == before


def test_nothing_typed_is_told(workshop: dict[str, Client]) -> None:
    answer = workshop["buyer"].post(RECEIVE, begun(workshop["buyer"]))
    assert answer.status_code == 400
    assert "Nothing was changed" in read(answer).words


def test_no_supplier_is_chosen_for_anybody(workshop: dict[str, Client]) -> None:
    given = begun(workshop["buyer"]) | line(0, item="KAOLIN", quantity="1 kg") | {"supplier": ""}
    answer = workshop["buyer"].post(RECEIVE, given)
    assert answer.status_code == 400
    assert "in-supplier-fault" in answer.content.decode()


def order_to_come() -> PurchaseOrder:
    return PurchaseOrder.objects.filter(lines__closed_at=None).order_by("code").distinct()[0]


def test_an_order_is_received_against_its_lines(workshop: dict[str, Client]) -> None:
    order = order_to_come()
    lines = list(PurchaseOrderLine.objects.filter(order=order, closed_at=None).order_by("due_on", "item__code"))
    assert len(lines) >= 2
    assert f"?order={order.code}" in workshop["buyer"].get(RECEIVE).content.decode()
    given = begun(workshop["buyer"], f"order={order.code}")
    assert given["lots[0].item"] == lines[0].item.code
    given |= line(0, supplier_lot="Q-1") | line(1, quantity="")  # the second is not in the parcel
    answer = workshop["buyer"].post(f"{RECEIVE}?order={order.code}", given)
    assert answer.status_code == 303, read(answer).words
    for one in lines:
        one.refresh_from_db()
    assert lines[0].closed_at is not None
    assert lines[1].closed_at is None
    assert lines[1].received == 0


def test_what_comes_without_its_order_is_told_to_be_still_on_order(workshop: dict[str, Client]) -> None:
    one = PurchaseOrderLine.objects.select_related("order__supplier", "item").filter(closed_at=None)[0]
    given = begun(workshop["buyer"]) | {"supplier": one.order.supplier.code}
    quantity = "24" if one.item.measure == "count" else "24 g"
    answer = workshop["buyer"].post(RECEIVE, given | line(0, item=one.item.code, quantity=quantity, supplier_lot="Z"))
    assert answer.status_code == 303, read(answer).words
    assert f"Order {one.order.code} still expects" in told(answer)
    one.refresh_from_db()
    assert one.received == 0


def test_one_order_line_comes_as_two_lots(workshop: dict[str, Client]) -> None:
    order = order_to_come()
    address = f"{RECEIVE}?order={order.code}"
    given = begun(workshop["buyer"], f"order={order.code}")
    how_many = sum(name.endswith(".item") for name in given)
    again = workshop["buyer"].post(address, given | {"side": "again:0"})
    assert again.status_code == 200
    more = values_of(again)
    assert more[f"lots[{how_many}].item"] == given["lots[0].item"]
    assert more[f"lots[{how_many}].order"] == order.code
    given |= {name: value for name, value in more.items() if name.startswith(f"lots[{how_many}]")}
    for at in range(1, how_many):
        given |= line(at, quantity="")
    given |= line(0, quantity="30", supplier_lot="A") | line(how_many, quantity="40", supplier_lot="B")
    given[f"lots[{how_many}].status"] = "quarantine"
    answer = workshop["buyer"].post(address, given)
    assert answer.status_code == 303, read(answer).words
    first = PurchaseOrderLine.objects.filter(order=order).order_by("due_on", "item__code")[0]
    assert first.received == 70 * (1000 if first.item.measure == "mass" else 1)


def test_an_order_of_which_nothing_is_to_come_is_not_found(workshop: dict[str, Client]) -> None:
    assert workshop["buyer"].get(f"{RECEIVE}?order=NO-SUCH").status_code == 404


def test_more_lines_keep_what_was_typed(workshop: dict[str, Client]) -> None:
    given = begun(workshop["buyer"]) | line(2, item="KAOLIN", quantity="1 kg", place="loft")
    answer = workshop["buyer"].post(RECEIVE, given | {"side": "more"})
    assert answer.status_code == 200
    shown = values_of(answer)
    assert shown["lots[2].quantity"] == "1 kg"
    assert "lots[7].item" in shown
    assert shown["lots[7].place"] == "loft", "a new line begins with the place of the one before"
    assert shown["retry-key"] == given["retry-key"]
    assert Lot.objects.filter(portions__place="loft").count() == 0


# --- a scanner ---------------------------------------------------------------------------------------------

SYMBOL = "]d20109506000134352172912313103002500\x1d10SM-77"


def scan(client: Client, given: dict[str, str], typed: str, address: str = RECEIVE) -> Any:
    return client.post(address, given | {"side": "scan", "scan": typed})


def test_a_scan_fills_the_next_line(numbered: dict[str, Client]) -> None:
    given = begun(numbered["buyer"]) | line(0, item="JAR-100", quantity="48")
    answer = scan(numbered["buyer"], given, SYMBOL)
    shown = values_of(answer)
    assert shown["lots[1].item"] == "KAOLIN"
    assert shown["lots[1].supplier_lot"] == "SM-77"
    assert shown["lots[1].expires_on"] == "2029-12-31"
    assert shown["lots[1].quantity"] == "2500 g"
    assert shown["scan"] == ""
    assert "Line 2: KAOLIN White clay, lot SM-77" in read(answer).words
    second = scan(numbered["buyer"], {**given, **shown}, SYMBOL.replace("SM-77", "SM-78"))
    assert values_of(second)["lots[2].supplier_lot"] == "SM-78"
    third = scan(numbered["buyer"], {**given, **values_of(second)}, "(01)06291041500213(10)J-1(30)24")
    assert values_of(third)["lots[0].supplier_lot"] == "J-1", "the line of this item that had no number yet"
    assert values_of(third)["lots[0].quantity"] == "24 pc"
    assert Lot.objects.filter(supplier_lot__startswith="SM-7").count() == 0


def test_a_scan_completes_the_line_of_the_order_that_waits_for_it(numbered: dict[str, Client]) -> None:
    order = PurchaseOrder.objects.filter(lines__item__code="JAR-100", lines__closed_at=None).get()
    given = begun(numbered["buyer"], f"order={order.code}")
    at = next(name for name, value in given.items() if name.endswith(".item") and value == "JAR-100")
    answer = scan(numbered["buyer"], given, "(01)06291041500213(10)J-1", f"{RECEIVE}?order={order.code}")
    assert values_of(answer)[at.replace(".item", ".supplier_lot")] == "J-1"


def test_a_scan_that_cannot_be_read_stays_to_be_looked_at(numbered: dict[str, Client]) -> None:
    given = begun(numbered["buyer"])
    for typed, told_of in (("0109506000134353", "check digit"), ("(01)00000000000000(10)A", "No item has the GTIN")):
        answer = scan(numbered["buyer"], given, typed)
        assert answer.status_code == 200
        assert values_of(answer)["scan"] == typed
        assert told_of in read(answer).words
        assert values_of(answer)["lots[0].item"] == ""


# --- the first evening -------------------------------------------------------------------------------------


def test_the_shelf_is_counted(workshop: dict[str, Client]) -> None:
    maker = workshop["maker"]
    given = form_of(maker, "/shelf/count")
    given |= {name: "released" for name in given if name.endswith(".status")}
    given |= {
        "rows[0].item": "KAOLIN", "rows[0].quantity": "1,2 kg", "rows[0].expires_on": "2028-02",
        "rows[3].item": "JAR-100", "rows[3].quantity": "7", "rows[3].place": "attic",
    }  # fmt: skip
    answer = maker.post("/shelf/count", given, headers={"Accept-Language": "de"})
    assert answer.status_code == 303, read(answer).words
    clay = Lot.objects.filter(item__code="KAOLIN").order_by("-pk")[0]
    assert (clay.origin, clay.status, clay.expires_on) == ("opening", "released", date(2028, 2, 29))
    assert clay.portions.get().on_hand == 1_200_000
    assert Lot.objects.filter(portions__place="attic").get().portions.get().on_hand == 7
    assert "On the books: 2 lots" in told(answer)


def test_a_point_that_a_german_may_mean_either_way_is_asked_about(workshop: dict[str, Client]) -> None:
    maker, count = workshop["maker"], Lot.objects.count()
    given = form_of(maker, "/shelf/count") | {"rows[0].item": "KAOLIN", "rows[0].quantity": "12.500 g"}
    answer = maker.post("/shelf/count", given, headers={"Accept-Language": "de"})
    assert answer.status_code == 400
    assert all(meant in read(answer).words for meant in ("12,500 g", "12500 g", "whichever is meant"))
    assert values_of(answer)["rows[0].quantity"] == "12.500 g"
    assert Lot.objects.count() == count


def test_a_count_of_nothing_is_told(workshop: dict[str, Client]) -> None:
    answer = workshop["maker"].post("/shelf/count", form_of(workshop["maker"], "/shelf/count"))
    assert answer.status_code == 400
