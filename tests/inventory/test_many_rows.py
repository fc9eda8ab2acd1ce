"""More rows at once than one statement of a database holds: 65,535 values on PostgreSQL, fewer on SQLite."""

from __future__ import annotations

import pytest

from inventory.models import Setting

pytestmark = pytest.mark.django_db
ROWS = 40_000  # of two values each


def test_forty_thousand_rows_are_written_and_read_by_their_keys() -> None:
    Setting.objects.bulk_create(Setting(key=f"k{at}", value="1") for at in range(ROWS))
    found = Setting.objects.in_bulk([f"k{at}" for at in range(2 * ROWS)], field_name="key")
    assert len(found) == ROWS
