"""Who may do what with items, parties and offers."""

from planner.api.roles import BUYER, MAKER, OWNER, READERS, READERS_AND_HELPER

RIGHTS = {
    ("GET", "items"): READERS_AND_HELPER,
    ("POST", "items"): (MAKER, OWNER),
    ("GET", "item"): READERS_AND_HELPER,
    ("PATCH", "item"): (MAKER, OWNER),
    ("GET", "parties"): READERS,
    ("POST", "parties"): (BUYER, OWNER),
    ("GET", "party"): READERS,
    ("PATCH", "party"): (BUYER, OWNER),
    ("GET", "offers"): READERS,
    ("POST", "offers"): (BUYER, OWNER),
    ("PATCH", "offers"): (BUYER, OWNER),
    ("POST", "offer-withdraw"): (BUYER, OWNER),
}
