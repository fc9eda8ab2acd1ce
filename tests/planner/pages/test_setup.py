"""Settings, places and holidays as pages."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse

from inventory import workshop as settings
from inventory.models import ChangeRecord, Portion, Setting
from tests.planner.pages.house import read

Shop = dict[str, Client]
WEEK = dict.fromkeys(settings.WEEKDAYS[:5], "yes")


def as_sent(shop: Shop) -> dict[str, str]:
    """The form as a browser sends it when nothing was touched."""
    page = read(shop["owner"].get(reverse("settings")))
    sent = {one["name"]: one.get("value", "") for one in page.tags["input"] if one.get("type") == "text"}
    ticked = {one["name"]: "yes" for one in page.tags["input"] if one.get("type") == "checkbox" and "checked" in one}
    return sent | ticked | {"units": settings.value_of("units")}


def test_what_is_not_touched_is_not_written(workshop: Shop) -> None:
    before = list(Setting.objects.order_by("key").values_list("key", "value")), ChangeRecord.objects.count()
    assert workshop["owner"].post(reverse("settings"), as_sent(workshop)).status_code == 303
    assert (list(Setting.objects.order_by("key").values_list("key", "value")), ChangeRecord.objects.count()) == before


def test_settings_are_changed_and_an_emptied_one_has_its_default_again(workshop: Shop) -> None:
    sent = {name: value for name, value in as_sent(workshop).items() if name not in settings.WEEKDAYS}
    asks = sent | WEEK | {"currency": "USD", "scales": "0.1 g to 2 kg"}
    assert workshop["owner"].post(reverse("settings"), asks).status_code == 303
    assert settings.value_of("open_days") == "mon tue wed thu fri"
    assert (settings.currency(), settings.value_of("scales")) == ("USD", "0.1 g to 2 kg")
    assert workshop["owner"].post(reverse("settings"), asks | {"scales": ""}).status_code == 303
    assert settings.value_of("scales") == settings.DEFAULT_SCALES


def test_wrong_settings_are_told_beside_their_inputs_and_nothing_changes(workshop: Shop) -> None:
    before = settings.currency()
    sent = as_sent(workshop)
    for name, value, told in (
        ("time_zone", "Europe/Nowhere", "IANA"),
        ("country", "Austria", "ISO 3166"),
        ("country", "ZZ", 'library "holidays"'),
        ("scales", "500 g to 1 g", "steps and reaches"),
        ("morning", "7", "07:00"),
        ("bench_minutes", "0", "from 1 to 240"),
        ("lot_pattern", "{year}", "{n}"),
    ):
        answer = workshop["owner"].post(reverse("settings"), sent | {"currency": "USD", name: value})
        assert answer.status_code == 400
        assert told in read(answer).words
        assert settings.currency() == before
    none_open = {name: value for name, value in sent.items() if name not in settings.WEEKDAYS}
    assert "At least one day" in read(workshop["owner"].post(reverse("settings"), none_open)).words


def test_others_read_the_settings(workshop: Shop) -> None:
    page = read(workshop["helper"].get(reverse("settings")))
    assert "An owner changes them" in page.words
    assert settings.value_of("scales") in page.words


def test_a_place_tells_all_that_stands_there(workshop: Shop) -> None:
    portion = Portion.objects.select_related("lot__item").filter(on_hand__gt=0).exclude(place="").order_by("pk")[0]
    assert portion.place in read(workshop["viewer"].get(reverse("places"))).words
    words = read(workshop["viewer"].get(reverse("place"), {"place": portion.place})).words
    here = Portion.objects.filter(on_hand__gt=0, place=portion.place)
    shown = [number for number in here.values_list("lot__number", flat=True) if number in words]
    assert len(shown) >= min(50, here.count())  # the rest stands on the next page


def test_the_holidays_are_those_of_the_country(workshop: Shop) -> None:
    """1 May is a holiday in Austria (Arbeitsruhegesetz, § 7 Abs. 2: Staatsfeiertag; from memory)."""
    Setting.objects.update_or_create(key="country", defaults={"value": "AT"})
    words = read(workshop["viewer"].get(reverse("holidays"), {"year": "2027"})).words
    assert "1 May 2027" in words.replace("\N{NO-BREAK SPACE}", " ")
    Setting.objects.filter(key="country").delete()
    assert "not written down" in read(workshop["viewer"].get(reverse("holidays"))).words
