"""Two people at one form: what the first wrote is not overwritten unseen, and the second is told."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from inventory.models import Item, Setting
from production.models import Batch, FormulaVersion
from tests.planner.pages.areas.formulas import a_draft
from tests.planner.pages.house import read

Shop = dict[str, Client]


def sent(client: Client, address: str) -> dict[str, str]:
    """What the form of this page sends where nothing is changed."""
    form = client.get(address).context["form"]
    return dict(form.texts) | {"retry-key": form.key, "stands": form.stands}


def test_an_item_changed_by_another_meanwhile_is_told_and_written_when_sent_again(workshop: Shop) -> None:
    address = reverse("item-change", kwargs={"item": "KAOLIN"})
    first, second = sent(workshop["maker"], address), sent(workshop["owner"], address)
    assert workshop["maker"].post(address, first | {"safety_stock": "3 kg"}).status_code == 303
    mine = second | {"caution": "Fine powder: a mask."}
    told = workshop["owner"].post(address, mine)
    assert told.status_code == 409
    assert "somebody else changed this" in read(told).words.lower()
    assert "safety stock “3000 g”" in read(told).words
    kaolin = Item.objects.get(code="KAOLIN")
    assert (kaolin.safety_stock, kaolin.caution == "Fine powder: a mask.") == (3_000_000, False)
    form = told.context["form"]
    assert form.text_of("caution") == "Fine powder: a mask."
    again = mine | {"safety_stock": "3 kg", "stands": form.stands, "retry-key": form.key}
    assert workshop["owner"].post(address, again).status_code == 303
    kaolin.refresh_from_db()
    assert (kaolin.safety_stock, kaolin.caution) == (3_000_000, "Fine powder: a mask.")


def test_the_same_form_sent_twice_is_still_one_act(workshop: Shop) -> None:
    address = reverse("item-change", kwargs={"item": "KAOLIN"})
    asked = sent(workshop["maker"], address) | {"safety_stock": "3 kg"}
    assert [workshop["maker"].post(address, asked).status_code for _ in range(2)] == [303, 303]


def test_a_batch_that_another_made_smaller_is_not_moved_at_its_old_size(workshop: Shop) -> None:
    batch = Batch.objects.select_related("transformation").filter(status="planned").order_by("pk")[0]
    address = reverse("week-batch", kwargs={"batch": batch.transformation.code})
    first, second = sent(workshop["maker"], address), sent(workshop["owner"], address)
    assert workshop["maker"].post(address, first | {"size": "1 kg"}).status_code == 303
    told = workshop["owner"].post(address, second | {"planned_for": "2099-01-05"})
    assert told.status_code == 409
    assert "size “1000 g”" in read(told).words or "size “1 kg”" in read(told).words
    batch.refresh_from_db()
    assert batch.charge == 1_000_000


@pytest.mark.parametrize("which", ["settings", "formula"])
def test_settings_and_drafts_are_guarded_too(workshop: Shop, which: str) -> None:
    if which == "settings":
        address, ours, theirs = reverse("settings"), {"country": "AT"}, {"currency": "CHF"}
    else:
        address, ours, theirs = reverse("formula-edit", kwargs=a_draft()), {"lines[0].tolerance_percent": "3"}, {}
    second = sent(workshop["owner"], address)
    assert workshop["owner"].post(address, sent(workshop["owner"], address) | ours).status_code == 303
    assert workshop["owner"].post(address, second | theirs).status_code == 409
    if which == "settings":
        assert Setting.objects.get(key="country").value == "AT"
    else:
        version = FormulaVersion.objects.get(formula__code=a_draft()["formula"], version=a_draft()["version"])
        assert version.lines.order_by("position")[0].tolerance_percent == 30_000  # 3 percent
