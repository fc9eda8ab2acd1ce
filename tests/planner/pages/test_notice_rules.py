"""The kinds of notices: for whom, how many days before; an owner's change reaches who is told."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse

from planner.notices.kinds import KINDS, kinds_now
from planner.notices.models import NoticeRule
from tests.planner.pages.house import read

Shop = dict[str, Client]
HELD = reverse("notice-kind", kwargs={"kind": "lot_held"})


def test_every_kind_stands_with_whom_it_is_for_and_when_it_is_told(workshop: Shop) -> None:
    page = read(workshop["helper"].get(reverse("notice-kinds")))
    assert all(kind.title in page.words for kind in KINDS.values())
    assert "90, 30, 7" in page.words
    assert "An owner changes the kinds" in page.words
    assert workshop["maker"].get(HELD).status_code == 403


def test_a_kind_is_changed_and_what_stands_as_at_first_is_no_change(workshop: Shop) -> None:
    given = {"quality": "yes", "at_once": "", "soon_days": "3, 14 3", "escalate_days": "7"}
    assert workshop["owner"].post(HELD, given).status_code == 303
    kind = kinds_now()["lot_held"]
    assert (kind.roles, kind.at_once, kind.soon_days, kind.escalate_days) == (("quality",), False, (14, 3), 7)
    assert NoticeRule.objects.get(kind="lot_held").escalate_days is None
    assert "changed here" in read(workshop["owner"].get(reverse("notice-kinds"))).words
    page = workshop["owner"].get(HELD)
    ticked = [one["name"] for one in read(page).tags["input"] if "checked" in one]
    assert ticked == ["quality"]
    assert page.context["form"].text_of("soon_days") == "14 3"
    back = {"maker": "yes", "quality": "yes", "at_once": "yes", "soon_days": "", "escalate_days": ""}
    assert workshop["owner"].post(HELD, back).status_code == 303
    assert kinds_now()["lot_held"] == KINDS["lot_held"]


def test_what_cannot_be_is_told_beside_its_input_and_changes_nothing(workshop: Shop) -> None:
    right = {"quality": "yes", "soon_days": "3", "escalate_days": "7"}
    nobody = workshop["owner"].post(HELD, {"soon_days": "3"})
    assert nobody.status_code == 400
    assert "At least one role is told" in read(nobody).words
    for name, wrong in (("soon_days", "soon"), ("soon_days", "0"), ("escalate_days", "-1"), ("escalate_days", "x")):
        answer = workshop["owner"].post(HELD, right | {name: wrong})
        assert answer.status_code == 400, wrong
        assert [one["name"] for one in read(answer).tags["input"] if one.get("aria-invalid")] == [name]
    unseen = workshop["owner"].post(reverse("notice-kind", kwargs={"kind": "reorder"}), right | {"helper": "yes"})
    assert unseen.status_code == 400  # a helper sees nothing of what is to be ordered
    assert not NoticeRule.objects.exists()
    assert workshop["owner"].get(reverse("notice-kind", kwargs={"kind": "nonsense"})).status_code == 404
