"""The plan, alerts, traces, and the tables as a whole."""

from __future__ import annotations

from typing import Any

WRONG: dict[tuple[str, str, str], list[Any]] = {
    ("POST", "proposal-accept", "proposals"): [[], ["c59295bb257e", "no-such-id"]],
}
