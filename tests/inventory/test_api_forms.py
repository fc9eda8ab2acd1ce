"""Forms of the API: nested faults have a path, and nothing that is wrong gets through."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.api import fields
from inventory.api.frame import Form, Lines, answer_of, changes_of, read_form
from inventory.errors import BadInput


class LineForm(Form):
    item = fields.Code()
    quantity = fields.Quantity()


class OrderForm(Form):
    order = fields.Code()
    lines = Lines(child=LineForm(), most=2)
    tags = fields.ListOf(fields.Choice("red", "blue"), most=3, required=False)
    note = fields.Text(5, required=False, blank=True)


LINE = {"item": "OIL", "quantity": "1 kg"}


def faults(given: dict[str, Any]) -> dict[str, str]:
    with pytest.raises(BadInput) as caught:
        read_form(OrderForm, given)
    return {fault.field: fault.value for fault in caught.value.faults}


def test_what_is_right_comes_through_as_it_was_given() -> None:
    given = {"order": "P-1", "lines": [LINE], "tags": ["red"], "note": ""}
    assert read_form(OrderForm, given) == given


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"lines": [LINE, {"item": "WAX", "quantity": "-400 g"}]}, {"lines[1].quantity": "-400 g"}),
        ({"lines": [LINE, {"item": "WAX"}]}, {"lines[1].quantity": ""}),
        ({"lines": [LINE | {"colour": "red"}]}, {"lines[0].colour": "red"}),
        ({"lines": [LINE, "a line"]}, {"lines[1]": "a line"}),
        ({"lines": "lines"}, {"lines": "lines"}),
        ({"lines": {}}, {"lines": "{}"}),
        ({"lines": None}, {"lines": ""}),
        ({"lines": []}, {"lines": "[]"}),
        ({"lines": [1, 2, 3]}, {"lines": "[1,2,3]"}),
        ({"tags": ["red", "green"]}, {"tags[1]": "green"}),
        ({"tags": "red"}, {"tags": "red"}),
        ({"tags": ["red"] * 4}, {"tags": '["red","red","red","red"]'}),
        ({"note": "too long"}, {"note": "too long"}),
        ({"note": "a\0"}, {"note": "a "}),
        ({"order": 7, "lines": [{}]}, {"order": "7", "lines[0].item": "", "lines[0].quantity": ""}),
    ],
)  # fmt: skip
def test_each_fault_names_its_field_and_value(change: dict[str, Any], told: dict[str, str]) -> None:
    assert faults({"order": "P-1", "lines": [LINE]} | change) == told


def test_the_form_of_a_change_needs_nothing_and_is_as_strict() -> None:
    changes = changes_of(OrderForm, "OrderChanges", without=["order"])
    assert read_form(changes, {}) == {}
    with pytest.raises(BadInput):
        read_form(changes, {"lines": [LINE | {"quantity": "1 stone"}]})
    with pytest.raises(BadInput):
        read_form(changes, {"order": "P-1"})
    assert read_form(OrderForm, {"order": "P-1", "lines": [LINE]})["lines"] == [LINE]


def test_an_answer_has_every_field() -> None:
    answer = answer_of(OrderForm, "Order", made_on=fields.Day())
    assert list(answer().fields) == ["order", "lines", "tags", "note", "made_on"]
    assert all(one.required for one in answer().fields.values())
