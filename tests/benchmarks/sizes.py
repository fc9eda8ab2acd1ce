"""The sizes that are measured, and the fixed points of the workload. Imports nothing of Django."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

FIRST_DAY = date(2026, 11, 2)
WEEKS = 26
# The raw lot whose past is traced.
ORIGIN_ITEM = "RAW-00001"
ORIGIN_LOT = "ORIGIN-1"


@dataclass(frozen=True, slots=True)
class Size:
    """``lines`` is about how many a mix has; ``traced`` how many lots contain the origin lot.

    ``later`` is the part of the bought items that have orders under way, and of all items that have quarantined lots.
    """

    name: str
    items: int
    batches: int
    lots: int
    demands: int
    lines: int
    traced: int
    later: float = 0.1


SIZES = {
    size.name: size
    for size in (
        Size("tiny", items=80, batches=40, lots=400, demands=20, lines=12, traced=50),
        Size("small", items=300, batches=200, lots=1000, demands=60, lines=28, traced=100),
        Size("medium", items=3000, batches=10_000, lots=50_000, demands=2000, lines=28, traced=1000),
        Size("later", items=3000, batches=10_000, lots=50_000, demands=2000, lines=28, traced=1000, later=0.6),
        Size("large", items=30_000, batches=200_000, lots=1_000_000, demands=20_000, lines=28, traced=1000),
    )
}
