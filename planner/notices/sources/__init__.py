"""The sources: for each kind the function that yields what should stand. A new kind is a row here and in ``kinds``."""

from __future__ import annotations

from planner.notices.sources import bench, stock, trading
from planner.notices.wanted import Source, Worse

SOURCES: dict[str, Source] = {
    "stability_pull": bench.pulls,
    "out_of_limits": bench.readings_out,
    "check_failed": bench.checks_failed,
    "lot_expiring": stock.lots_expiring,
    "retest_due": stock.retests_due,
    "bulk_storage": stock.bulk_past_storage,
    "container_running_out": stock.containers_running_out,
    "samples_past_keeping": stock.samples_past_keeping,
    "life_short": stock.lives_short,
    "reorder": trading.to_order,
    "reservation_broken": bench.reservations_broken,
    "lot_held": stock.lots_held,
    "order_late": trading.orders_late,
    "demand_late": trading.demands_late,
    "release_overdue": stock.releases_overdue,
    "batch_coming": bench.batches_coming,
    "upkeep": bench.upkeep,
}

# Of kinds that may stand worse than when somebody saw to them, without another day: what says so by their facts.
WORSE: dict[str, Worse] = {
    "out_of_limits": bench.more_out_of_limits,
    "check_failed": bench.more_out_of_limits,
    "reservation_broken": bench.more_broken,
    "batch_coming": bench.less_covered,
}
