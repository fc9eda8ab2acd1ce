"""Numbers are found however they are written, and a proposed one was never used."""

from datetime import date

import pytest

from inventory.errors import Conflict
from inventory.models import Setting
from inventory.numbers import fold, propose_batch_number, propose_lot_number, propose_lot_numbers
from tests.inventory.builders import books, make_item, make_lot, make_transformation

DAY = date(2026, 3, 7)


@pytest.mark.parametrize(
    ("written", "folded"),
    [
        ("LAV - 01", "lav01"),
        ("lav–01", "lav01"),
        ("Lav_01\t", "lav01"),
        ("ＬＡＶ０１", "lav01"),
        ("L/01.2", "l/01.2"),
        ("", ""),
    ],
)
def test_case_width_spaces_and_dashes_do_not_count(written, folded):
    assert fold(written) == folded


@pytest.mark.django_db
def test_lot_numbers_follow_the_pattern_and_go_on_after_the_highest_used():
    oil, wax = make_item("OIL"), make_item("WAX")
    assert propose_lot_number(oil, DAY) == "20260307-1"
    make_lot(oil, number="20260307-9")
    make_lot(oil, number="20260307-x")
    assert propose_lot_numbers([oil, wax, oil], DAY) == ["20260307-10", "20260307-1", "20260307-11"]
    Setting.objects.create(key="lot_pattern", value="{item}/{n}")
    assert propose_lot_number(wax, DAY) == "WAX/1"


@pytest.mark.django_db
def test_batch_numbers_pass_over_those_of_batches_and_lots():
    assert propose_batch_number(DAY) == "B20260307-1"
    make_transformation("B20260307-1")
    make_lot(number="B20260307-4")
    assert propose_batch_number(DAY) == "B20260307-5"


@pytest.mark.django_db
def test_a_number_taken_by_somebody_else_in_the_meantime_is_a_conflict_and_changes_nothing(monkeypatch):
    oil = make_item("OIL")
    make_lot(oil, number="N1")
    monkeypatch.setattr("inventory.services.lots._check_numbers_free", lambda new_lots, paths: None)
    before = books()
    with pytest.raises(Conflict) as refusal:
        make_lot(oil, number="N1")
    assert (refusal.value.code, refusal.value.status) == ("changed", 409)
    assert books() == before
