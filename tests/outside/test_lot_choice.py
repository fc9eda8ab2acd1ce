"""Which lot serves which need. Source: own case, after first-expiry-first as the accepted refinement of
ISO 22716:2007 6.5 and 6.6.7 (only released material, oldest released first)."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.tables import load, plan

pytestmark = pytest.mark.django_db


def test_the_usable_lots_that_expire_first_serve_the_need(tmp_path: Path) -> None:
    lots = [("L1", "400 g", "2027-03-31", "quarantine"), ("L2", "250 g", "2027-05-31", "released"),
            ("L3", "500 g", "2027-02-28", "released"), ("L4", "300 g", "2026-12-31", "released")]  # fmt: skip
    load(
        tmp_path / "tables",
        {
            "items": [
                {"item": "OIL", "name": "Oil", "kind": "raw"},
                {"item": "RUB", "name": "Rub", "kind": "product"},
            ],
            "formulas": [{"formula": "RUB", "item": "RUB", "basis": "percent", "status": "approved"}],
            "formula_lines": [{"formula": "RUB", "item": "OIL", "amount": "100"}],
            "lots": [
                {"item": "OIL", "lot": lot, "quantity": quantity, "status": status, "expires_on": last_day}
                for lot, quantity, last_day, status in lots
            ],
            "batches": [{"batch": "B1", "formula": "RUB", "version": 1, "size": "600 g", "planned_for": "2027-01-15"}],
        },
    )
    (batch,) = plan(date(2027, 1, 11), 1)["batches"]
    (line,) = batch["lines"]
    assert line["lots"] == [{"lot": "L3", "quantity": "500 g"}, {"lot": "L2", "quantity": "100 g"}]
    assert batch["coverage"] == "covered"
    assert line["passed_over"] == [{"lot": "L4", "reason": "expired"}, {"lot": "L1", "reason": "quarantine"}]
