"""The change log as a page."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse

from tests.planner.pages.house import read

Shop = dict[str, Client]
BAD = "<script>alert('x')</script>"


def test_who_changed_what_from_what_to_what(workshop: Shop) -> None:
    where = reverse("person", kwargs={"person": "helper"})
    workshop["owner"].post(where, {"name": BAD, "helper": "yes", "active": "yes"})
    answer = workshop["quality"].get(reverse("changes"), {"kind": "person", "code": "helper"})
    assert BAD not in answer.content.decode()
    found = read(answer)
    assert BAD in found.words
    assert "owner" in found.words
    assert "blank" in found.words
    assert found.faults == []


def test_what_was_made_says_all_that_it_said(workshop: Shop) -> None:
    workshop["owner"].post(
        reverse("person-add"), {"person": "ida", "name": "Ida of the bench", "password": "seven warm stones"}
    )
    page = read(workshop["owner"].get(reverse("changes"), {"code": "ida"}))
    assert "Ida of the bench" in page.words
    assert "seven warm" not in page.words
    assert len(page.tags["details"]) == 2  # the account's own, and this one's


def test_what_is_not_there_is_told(workshop: Shop) -> None:
    for query in ({"who": "nobody"}, {"code": "NO-SUCH"}):
        assert "No change is written down" in read(workshop["owner"].get(reverse("changes"), query)).words
