"""What the API takes and what the tables take is one thing: the same names, and the same words of refusal."""

from __future__ import annotations

import pytest

from inventory.api.demands import NewDemand
from inventory.api.items import NewItem
from inventory.api.parties import NewOffer, NewParty
from planner.exchange.tables import DEMANDS, ITEMS, OFFERS, PARTIES, Table


@pytest.mark.parametrize(
    ("form", "table"), [(NewItem, ITEMS), (NewParty, PARTIES), (NewOffer, OFFERS), (NewDemand, DEMANDS)]
)
def test_a_form_has_the_columns_of_its_table(form: type, table: Table) -> None:
    fields = form().fields
    assert {name: (one.reader.accepted, one.required) for name, one in fields.items()} == {
        column.name: (column.reader.accepted, column.required) for column in table.columns
    }
