"""The shelf and its cards: what is free, what is found, what happened."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

from django.test import Client
from django.utils.html import escape

from inventory import clock, shelf
from inventory.models import Alert, Item, Lot, Portion
from inventory.selectors import usable_portions
from inventory.services import lots
from tests.planner.pages.house import read


def words(answer: Any) -> str:
    return re.sub(r"\s+", " ", read(answer).words.replace("\N{NO-BREAK SPACE}", " "))


def row_of(answer: Any, code: str) -> str:
    """The words of one item's row."""
    html = answer.content.decode()
    row = next(part for part in html.split("<tr>") if f'<span class="code">{code}</span>' in part)
    return re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", row).replace("\N{NO-BREAK SPACE}", " "))


def test_what_is_free_is_what_the_services_would_take(workshop: dict[str, Client]) -> None:
    """Against ``usable_portions``, which reservations choose from: another reading of the same rule."""
    today = clock.today()
    items = list(Item.objects.filter(drawn=False).order_by("code"))
    Item.objects.update(min_remaining_days=0)
    expected = {
        pk: sum(portion.free for portion in portions)
        for pk, portions in usable_portions([item.pk for item in items], today, 0).items()
    }
    rows = shelf.shelf_rows([{name: getattr(item, name) for name in shelf.ITEM_COLUMNS} for item in items], today)
    assert {row.item["pk"]: row.balance.free for row in rows} == expected
    assert any(expected.values())
    for row in rows:
        here = row.balance
        held = Portion.objects.filter(lot__item=row.item["pk"])
        assert here.on_hand == sum(portion.on_hand for portion in held)
        assert here.reserved == sum(portion.reserved for portion in held)
        assert here.on_hand >= here.free + here.waiting + here.barred


def test_a_row_tells_what_waits_and_what_is_coming(workshop: dict[str, Client]) -> None:
    answer = workshop["viewer"].get("/shelf")
    kaolin = row_of(answer, "KAOLIN")
    assert "750 g" in kaolin
    assert "2.5 kg waiting, 6 kg barred" in kaolin
    assert "250 g from" in row_of(answer, "HAIR-QUAT")


def test_runs_out_is_what_the_last_look_at_the_plan_said(workshop: dict[str, Client]) -> None:
    assert "Wed 17 Mar" not in row_of(workshop["viewer"].get("/shelf"), "KAOLIN")
    Alert.objects.create(kind="reorder", subject="KAOLIN", message="m", facts={"runs_out_on": "2027-03-17"})
    assert "Wed 17 Mar" in row_of(workshop["viewer"].get("/shelf"), "KAOLIN")
    short = workshop["viewer"].get("/shelf?showing=short")
    assert read(short).words.count("KAOLIN") == 1
    assert "BEESWAX" not in short.content.decode()


def test_items_are_narrowed(workshop: dict[str, Client]) -> None:
    answer = workshop["viewer"].get("/shelf?kind=packaging&showing=here")
    shown = re.findall(r'<span class="code">([^<]+)</span>', answer.content.decode())
    assert shown
    assert set(Item.objects.filter(code__in=shown).values_list("kind", flat=True)) == {"packaging"}
    ending = workshop["viewer"].get("/shelf?showing=ending")
    assert "KAOLIN" in ending.content.decode(), "one lot of it is past its last day"
    wrong = workshop["viewer"].get("/shelf?kind=liquid")
    assert wrong.status_code == 200
    assert "is not taken" in words(wrong)


def test_pages_go_on_where_the_last_ended(workshop: dict[str, Client]) -> None:
    seen: list[str] = []
    address = "/shelf"
    for _ in range(20):
        html = workshop["viewer"].get(address).content.decode()
        seen += re.findall(r'<span class="code">([^<]+)</span>', html)
        following = re.search(r'href="([^"]+)" rel="next"', html)
        if following is None:
            break
        address = following.group(1).replace("&amp;", "&")
    assert seen == list(Item.objects.order_by("code").values_list("code", flat=True))


def test_anything_is_found_by_any_of_its_words(workshop: dict[str, Client]) -> None:
    Item.objects.filter(code="KAOLIN").update(inci="Kaolinum Ötztal", name="White clay")
    for typed in ("kaolin", "KAO lin", "kao-lin", "white CLAY", "whiteclay", "ötztal", "ÖTZ"):
        answer = workshop["viewer"].get("/shelf", {"find": typed})
        assert "KAOLIN" in answer.content.decode(), typed
    nothing = workshop["viewer"].get("/shelf", {"find": "no such thing"})
    assert "Nothing kept here fits that" in words(nothing)


def test_a_lot_is_found_by_any_of_its_numbers(workshop: dict[str, Client]) -> None:
    lot = Lot.objects.select_related("item").get(item__code="KAOLIN", number="WC-1")
    assert lot.supplier_lot == "SM 2064"
    for typed in ("wc1", "WC - 1", "sm2064", "SM-2064", "sm 2064"):
        answer = workshop["viewer"].get("/shelf", {"find": typed})
        assert answer.status_code == 302, typed
        assert answer["Location"] == "/shelf/lot/KAOLIN/WC-1"
    begun = workshop["viewer"].get("/shelf", {"find": "sm 20"})
    assert begun.status_code == 200
    assert "WC-1" in begun.content.decode()
    typing = workshop["viewer"].get("/shelf", {"find": "wc1"}, headers={"HX-Request": "true"})
    assert typing.status_code == 200, "the page does not jump while somebody types"


def test_a_scanned_symbol_finds_its_item_and_lot(numbered: dict[str, Client]) -> None:
    answer = numbered["viewer"].get("/shelf", {"find": "(01)09506000134352(10)SM-2064"})
    assert answer.status_code == 302
    assert answer["Location"] == "/shelf/lot/KAOLIN/WC-1"
    unknown = numbered["viewer"].get("/shelf", {"find": "(01)09506000134352(10)X-9"})
    assert "KAOLIN" in unknown.content.decode()
    wrong = numbered["viewer"].get("/shelf", {"find": "0109506000134353"})
    assert "check digit" in words(wrong)


def test_the_item_card_lists_lots_first_to_end_first(workshop: dict[str, Client]) -> None:
    answer = workshop["viewer"].get("/shelf/item/KAOLIN")
    numbers = re.findall(r'href="/shelf/lot/KAOLIN/([^"]+)">', answer.content.decode())
    assert numbers == ["OS-01", "WC-1", "OS-02", "WC-2"]
    told = words(answer)
    assert "wear a dust mask" in told
    assert "Kaolin" in told
    assert workshop["viewer"].get("/shelf/item/NO-SUCH").status_code == 404


def test_the_lot_card_tells_places_time_left_and_history(workshop: dict[str, Client]) -> None:
    lot = Lot.objects.get(item__code="KAOLIN", number="WC-1")
    lots.move(portion=lot.portions.get(), place="bench", quantity=250_000)
    Lot.objects.filter(pk=lot.pk).update(expires_on=clock.today() + timedelta(days=5))
    told = words(workshop["viewer"].get("/shelf/lot/KAOLIN/WC-1"))
    assert "5 days left" in told
    assert "bench 250 g" in told
    assert "store 500 g" in told
    assert "SM 2064" in told
    assert "250 g store to bench" in told
    assert "papers and look in order" in told


def test_costs_are_not_for_helpers(workshop: dict[str, Client]) -> None:
    address = "/shelf/lot/KAOLIN/WC-1"
    assert "Cost of 1 kg" in words(workshop["viewer"].get(address))
    assert "Cost of 1 kg" not in words(workshop["helper"].get(address))
    assert 'name="lots[0].unit_cost"' in workshop["buyer"].get("/shelf/receive").content.decode()


def test_a_card_offers_only_what_the_role_allows(workshop: dict[str, Client]) -> None:
    address = "/shelf/lot/KAOLIN/WC-1"
    offered = {
        role: set(re.findall(r'href="/shelf/lot/KAOLIN/WC-1/([a-z-]+)', workshop[role].get(address).content.decode()))
        for role in ("viewer", "maker", "buyer", "quality")
    }
    assert offered["viewer"] == set()
    assert {"count", "move", "open", "sample", "set-apart", "discard"} == offered["maker"]
    assert offered["buyer"] == {"send-back"}
    assert {"hold", "reject", "quarantine", "retest", "sample", "set-apart", "discard"} == offered["quality"]


def test_what_happened_is_narrowed_and_told(workshop: dict[str, Client]) -> None:
    told = words(workshop["viewer"].get("/shelf/movements?item=KAOLIN&lot=WC-1"))
    assert "used" in told
    assert "−1.75 kg" in told
    assert "+2.5 kg" in told
    nothing = words(workshop["viewer"].get("/shelf/movements?item=KAOLIN&kind=discarded"))
    assert "Nothing of this kind has happened" in nothing
    assert "no item" in words(workshop["viewer"].get("/shelf/movements?item=NO-SUCH")).lower()
    wrong = workshop["viewer"].get("/shelf/movements?from=yesterday")
    assert wrong.status_code == 200
    assert "is not taken" in words(wrong)


def test_quantities_are_shown_in_the_units_that_the_workshop_likes(workshop: dict[str, Client]) -> None:
    from inventory.services.workshop import change_settings

    change_settings(values={"units": "oz"})
    assert "26.455 oz" in row_of(workshop["viewer"].get("/shelf"), "KAOLIN")  # 750 g / 28.349523125 g
    german = workshop["viewer"].get("/shelf", headers={"Accept-Language": "de"})
    assert "26,455 oz" in row_of(german, "KAOLIN")


def test_labels_bear_what_the_eye_needs(workshop: dict[str, Client]) -> None:
    answer = workshop["viewer"].get("/shelf/labels", {"lot": ["KAOLIN/WC-1", "NO/SUCH"], "each": "3"})
    found = read(answer)
    assert found.faults == []
    assert sum("symbol.svg" in one.get("src", "") for one in found.tags["img"]) == 3
    assert "There is no lot NO/SUCH" in words(answer)
    assert escape("White clay") in answer.content.decode()
    assert workshop["viewer"].get("/shelf/labels?lot=KAOLIN/WC-1&each=900").status_code == 400


def test_a_label_bears_the_item_s_caution_as_far_as_it_fits(workshop: dict[str, Client]) -> None:
    client, kaolin = workshop["viewer"], Item.objects.filter(code="KAOLIN")

    def label() -> str:
        return words(client.get("/shelf/labels", {"lot": "KAOLIN/WC-1"}))

    kaolin.update(caution="Dust: wear a mask.")
    assert "Dust: wear a mask." in label()
    kaolin.update(caution="Dust, " * 30)
    assert "Dust, " * 25 + "Dust \N{HORIZONTAL ELLIPSIS}" in label()
    kaolin.update(caution="D" * 900)
    assert "D" * 160 + " \N{HORIZONTAL ELLIPSIS}" in label()
    assert "D" * 161 not in label()


def test_a_number_with_a_slash_has_its_card_label_and_acts(workshop: dict[str, Client]) -> None:
    Lot.objects.filter(item__code="KAOLIN", number="WC-1").update(number="W/C~1", number_folded="w/c~1")
    client = workshop["maker"]
    page = client.get("/shelf/item/KAOLIN").content.decode()
    card = re.findall(r'href="(/shelf/lot/KAOLIN/[^"]+)"', page)[1]
    answer = client.get(card)
    assert "W/C~1" in words(answer)
    label = next(one["href"] for one in read(answer).tags["a"] if one["href"].startswith("/shelf/labels"))
    labels = read(client.get(label))
    assert "W/C~1" in labels.words
    assert client.get(next(one["src"] for one in labels.tags["img"])).status_code == 200
    act = next(one["href"] for one in read(answer).tags["a"] if "/move?" in one["href"])
    assert client.get(act).status_code == 200


def test_an_items_last_day_is_that_of_its_opened_jar(workshop: dict[str, Client]) -> None:
    Item.objects.filter(code="KAOLIN").update(opened_life_days=10)
    portion = Portion.objects.get(lot__item__code="KAOLIN", lot__number="WC-1")
    lots.open_container(portion=portion, opened_on=date(2027, 3, 10))
    assert "10 days left" in row_of(workshop["viewer"].get("/shelf"), "KAOLIN")
