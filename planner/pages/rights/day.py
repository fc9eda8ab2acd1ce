"""Who may look at the day and see to its notices: as the API's table says of the same acts."""

from planner.api.roles import BUYER, HELPER, MAKER, OWNER, QUALITY, READERS_AND_HELPER

_SEEING_TO = (HELPER, MAKER, BUYER, QUALITY, OWNER)

RIGHTS = {
    ("GET", "day-sheet"): READERS_AND_HELPER,
    ("GET", "notice-put-off"): READERS_AND_HELPER,
    ("POST", "notice-put-off"): _SEEING_TO,
    ("GET", "notice-done"): _SEEING_TO,
    ("POST", "notice-done"): _SEEING_TO,
}
