"""A workshop on its first evening: the Day sheet says what to do first, with the ways that the person may go."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from inventory.models import Item
from tests.planner.pages.house import people, read

WAYS = ("bring-in", "new-item", "count-shelf")


@pytest.fixture
def first(db: None) -> dict[str, Client]:
    return people()


@pytest.mark.parametrize(
    ("role", "ways"),
    [("owner", WAYS), ("maker", ("new-item", "count-shelf")), ("viewer", ()), ("quality", ())],
)
def test_it_says_what_to_do_first(first: dict[str, Client], role: str, ways: tuple[str, ...]) -> None:
    page = read(first[role].get(reverse("day-sheet")))
    assert page.faults == []
    assert "First come the items" in page.words
    assert "Nothing is due" not in page.words
    assert ("A maker or the owner" in page.words) == (not ways)
    links = {one.get("href", "") for one in page.tags["a"]}
    assert {name for name in WAYS if reverse(name) in links} == set(ways)


def test_with_an_item_a_quiet_day_is_told(first: dict[str, Client]) -> None:
    Item.objects.create(code="WAX", name="Wax", kind="raw", caps_life=True)
    page = read(first["owner"].get(reverse("day-sheet")))
    assert "Nothing is due" in page.words
    assert "First come the items" not in page.words
