"""Who may do what with lots, portions, the stock and its events. Decisions on lots are quality's alone."""

from planner.api.roles import BUYER, MAKER, OWNER, QUALITY, READERS_AND_HELPER

RIGHTS = {
    ("GET", "lots"): READERS_AND_HELPER,
    ("GET", "lot"): READERS_AND_HELPER,
    ("GET", "portions"): READERS_AND_HELPER,
    ("GET", "stock"): READERS_AND_HELPER,
    ("GET", "stock-events"): READERS_AND_HELPER,
    ("GET", "stock-event"): READERS_AND_HELPER,
    ("POST", "opening-stock"): (MAKER, OWNER),
    ("POST", "lot-release"): (QUALITY,),
    ("POST", "lot-reject"): (QUALITY,),
    ("POST", "lot-hold"): (QUALITY,),
    ("POST", "lot-quarantine"): (QUALITY,),
    ("POST", "lot-retest"): (QUALITY,),
    ("POST", "lot-count"): (MAKER, OWNER),
    ("POST", "lot-move"): (MAKER, OWNER),
    ("POST", "lot-open"): (MAKER, OWNER),
    # Quality decides on what is set apart, and takes samples to decide on a lot.
    ("POST", "lot-discard"): (MAKER, QUALITY, OWNER),
    ("POST", "lot-sample"): (MAKER, QUALITY, OWNER),
    ("POST", "lot-set-apart"): (MAKER, QUALITY, OWNER),
    ("POST", "lot-put-back"): (MAKER, QUALITY, OWNER),
    ("POST", "lot-send-back"): (BUYER, OWNER),
    ("POST", "stock-event-correct"): (MAKER, QUALITY, OWNER),
}
