"""Retry keys: the same request again gives the first answer, another content is refused, a failure keeps no key."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.errors import BadInput, KeyReused
from inventory.models import Demand, RetryKey
from inventory.services import dispatching
from inventory.transactions import retry_safe
from tests.inventory.builders import make_item

pytestmark = pytest.mark.django_db


def wanted(quantity: int) -> dict[str, object]:
    item = make_item("BALM") if not Demand.objects.exists() else Demand.objects.get().item
    demand = dispatching.want(item=item, quantity=quantity, due_on=date(2027, 3, 1))
    return {"quantity": demand.quantity}


def test_the_same_key_and_content_does_it_once_and_answers_alike() -> None:
    first = retry_safe("k1", "want", {"quantity": 5}, lambda: wanted(5))
    again = retry_safe("k1", "want", {"quantity": 5}, lambda: wanted(5))
    assert first == again == {"quantity": 5}
    assert Demand.objects.count() == 1


@pytest.mark.parametrize(("action", "content"), [("want", {"quantity": 6}), ("dispatch", {"quantity": 5})])
def test_the_same_key_with_other_content_is_refused(action: str, content: dict[str, int]) -> None:
    retry_safe("k1", "want", {"quantity": 5}, lambda: wanted(5))
    with pytest.raises(KeyReused):
        retry_safe("k1", action, content, lambda: wanted(6))
    assert Demand.objects.count() == 1


def test_a_refused_request_keeps_no_key_and_may_be_sent_mended() -> None:
    with pytest.raises(BadInput):
        retry_safe("k1", "want", {"quantity": 0}, lambda: wanted(0))
    assert not RetryKey.objects.exists()
    assert retry_safe("k1", "want", {"quantity": 5}, lambda: wanted(5)) == {"quantity": 5}


def test_without_a_key_each_request_is_its_own() -> None:
    retry_safe(None, "want", {}, lambda: wanted(5))
    assert not RetryKey.objects.exists()


def test_a_key_longer_than_is_kept_is_refused_before_anything_is_done() -> None:
    with pytest.raises(BadInput):
        retry_safe("k" * 101, "want", {}, lambda: wanted(5))
    assert not Demand.objects.exists()
