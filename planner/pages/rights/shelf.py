"""Who may do what at the shelf: the same as the API's table says of the same acts (a test compares)."""

from planner.api.roles import BUYER, MAKER, OWNER, QUALITY, READERS_AND_HELPER

_ACTS = {
    "receive": (MAKER, BUYER, OWNER),
    "count-shelf": (MAKER, OWNER),
    "new-item": (MAKER, OWNER),
    "item-change": (MAKER, OWNER),
    "lot-count": (MAKER, OWNER),
    "lot-move": (MAKER, OWNER),
    "lot-open": (MAKER, OWNER),
    "lot-discard": (MAKER, QUALITY, OWNER),
    "lot-sample": (MAKER, QUALITY, OWNER),
    "lot-set-apart": (MAKER, QUALITY, OWNER),
    "lot-put-back": (MAKER, QUALITY, OWNER),
    "lot-send-back": (BUYER, OWNER),
    "lot-release": (QUALITY,),
    "lot-hold": (QUALITY,),
    "lot-reject": (QUALITY,),
    "lot-quarantine": (QUALITY,),
    "lot-retest": (QUALITY,),
    "stock-event-correct": (MAKER, QUALITY, OWNER),
}
# Whoever may act sees the form; nobody else needs it.
RIGHTS = {
    ("GET", "shelf"): READERS_AND_HELPER,
    ("GET", "item-card"): READERS_AND_HELPER,
    ("GET", "lot-card"): READERS_AND_HELPER,
    ("GET", "movements"): READERS_AND_HELPER,
    ("GET", "lot-labels"): READERS_AND_HELPER,
    ("GET", "lot-symbol"): READERS_AND_HELPER,
    **{(method, route): roles for route, roles in _ACTS.items() for method in ("GET", "POST")},
}
