"""Who may look at orders, demands and dispatches and write them: as the API's table says of the same acts."""

from planner.api.rights.items import RIGHTS as OF_ITEMS
from planner.api.rights.trade import RIGHTS as OF_TRADE
from planner.api.rights.trade import TRADING
from planner.api.roles import READERS

_SHOWN = (
    "orders", "purchase-order", "order-sheet", "to-order", "demands", "dispatches", "dispatch", "packing-list",
    "market", "parties", "party",
)  # fmt: skip
_ACTS = {
    "order-add": OF_TRADE["POST", "purchase-orders"],
    "order-send": TRADING,
    "purchase-order-close-line": OF_TRADE["POST", "purchase-order-close-line"],
    "demand-add": OF_TRADE["POST", "demands"],
    "demand-change": OF_TRADE["PATCH", "demands"],
    "demand-close": OF_TRADE["POST", "demand-close"],
    "demand-reserve": OF_TRADE["POST", "demand-reserve"],
    "demand-free": OF_TRADE["POST", "demand-free"],
    "dispatch-add": OF_TRADE["POST", "dispatches"],
    "dispatch-return": OF_TRADE["POST", "dispatch-return"],
    "market-out": OF_TRADE["POST", "market-out"],
    "market-back": OF_TRADE["POST", "market-back"],
    "party-add": OF_ITEMS["POST", "parties"],
    "party-change": OF_ITEMS["PATCH", "party"],
    "offer-add": OF_ITEMS["POST", "offers"],
    "offer-change": OF_ITEMS["PATCH", "offers"],
    "offer-withdraw": OF_ITEMS["POST", "offer-withdraw"],
}
# Whoever may act sees the form; nobody else needs it.
RIGHTS = {
    **{("GET", route): READERS for route in _SHOWN},
    ("POST", "to-order"): TRADING,
    **{(method, route): roles for route, roles in _ACTS.items() for method in ("GET", "POST")},
}
