"""Small problems are swept again as often as large ones would be, so that every test meets that way too."""

from __future__ import annotations

import pytest

from planner.engine import sweep


@pytest.fixture(autouse=True)
def swept_again_for_any_need(monkeypatch):
    monkeypatch.setattr(sweep, "WORTH_A_SWEEP", 1)
