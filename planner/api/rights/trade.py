"""Who may do what with purchase orders, receipts, demands and dispatches."""

from planner.api.roles import BUYER, MAKER, OWNER, READERS

TRADING = (BUYER, OWNER)
# The bench takes in what comes, and sets finished goods aside for who waits for them.
TRADING_AND_BENCH = (MAKER, BUYER, OWNER)

RIGHTS = {
    ("GET", "purchase-orders"): READERS,
    ("POST", "purchase-orders"): TRADING,
    ("GET", "purchase-order"): READERS,
    ("POST", "purchase-order-close-line"): TRADING,
    ("GET", "receipts"): READERS,
    ("POST", "receipts"): TRADING_AND_BENCH,
    ("GET", "demands"): READERS,
    ("POST", "demands"): TRADING,
    ("PATCH", "demands"): TRADING,
    ("POST", "demand-close"): TRADING,
    ("POST", "demand-reserve"): TRADING_AND_BENCH,
    ("POST", "demand-free"): TRADING_AND_BENCH,
    ("GET", "dispatches"): READERS,
    ("POST", "dispatches"): TRADING,
    ("GET", "dispatch"): READERS,
    ("POST", "dispatch-return"): TRADING,
    ("POST", "market-out"): TRADING_AND_BENCH,
    ("POST", "market-back"): TRADING,  # it sells, counts and moves what stood at the stall
}
