"""The plan of one week in the workshop in which the API's examples are true."""

from __future__ import annotations

from typing import Any

REQUIREMENTS: dict[str, Any] = {
    "from": "2027-03-01",
    "to": "2027-03-07",
    "requirements": [
        {"item": "OIL", "day": "2027-03-03", "gross": "800 g", "covered": "800 g", "short": "0 g"},
        {"item": "WAX", "day": "2027-03-03", "gross": "200 g", "covered": "200 g", "short": "0 g"},
        {"item": "OIL", "day": "2027-03-05", "gross": "800 g", "covered": "800 g", "short": "0 g"},
        {"item": "WAX", "day": "2027-03-05", "gross": "200 g", "covered": "0 g", "short": "200 g"},
    ],
}
OIL_LINE: dict[str, Any] = {
    "position": 1, "phase": "", "item": "OIL", "required": "800 g", "lots": [{"lot": "O1", "quantity": "800 g"}],
    "expected": [], "short": "0 g", "proposed": "0 g", "substitutes": [], "passed_over": [],
}  # fmt: skip
WAX_LINE: dict[str, Any] = OIL_LINE | {
    "position": 2, "item": "WAX", "required": "200 g", "lots": [{"lot": "W1", "quantity": "200 g"}],
    "passed_over": [{"lot": "W2", "reason": "quarantine"}],
}  # fmt: skip
SHORT_LINE: dict[str, Any] = WAX_LINE | {"lots": [], "short": "200 g", "proposed": "200 g"}
PLAN: dict[str, Any] = REQUIREMENTS | {
    "batches": [
        {
            "batch": "B-1", "item": "RUB", "planned_for": "2027-03-03", "coverage": "covered",
            "lines": [OIL_LINE, WAX_LINE],
        },
        {
            "batch": "B-2", "item": "RUB", "planned_for": "2027-03-05", "coverage": "short",
            "lines": [OIL_LINE, SHORT_LINE],
        },
    ],
    "make": [],
    "buy": [
        {
            "id": "c59295bb257e", "item": "WAX", "quantity": "1000 g",
            "packs": [{"supplier": "HOLLOW", "pack": "1000 g", "count": 1}], "cost": "12.50",
            "need_on": "2027-03-05", "order_by": "2027-03-02", "late": False, "free": "0 g", "coming": [],
            "runs_out_on": "2027-03-05", "excess": "800 g", "waste": "0 g",
            "pegged_to": [{"to": "batch:B-2", "day": "2027-03-05", "quantity": "200 g"}],
        }
    ],
    "expiring": [],
    "unmet": [],
}  # fmt: skip
