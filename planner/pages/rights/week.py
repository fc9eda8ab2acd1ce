"""Who may look at the week and plan in it: as the API's table says of the same acts."""

from planner.api.roles import BUYER, MAKER, OWNER, READERS

_PLANNING = (MAKER, OWNER)

RIGHTS = {
    ("GET", "week-sheet"): READERS,
    ("POST", "week-sheet"): (MAKER, BUYER, OWNER),
    ("GET", "week-batch"): READERS,
    ("POST", "week-batch"): _PLANNING,
    ("GET", "item-days"): READERS,
    ("GET", "item-days-picture"): READERS,
    **{
        (method, route): _PLANNING
        for method in ("GET", "POST")
        for route in ("week-plan", "week-batch-reserve", "week-batch-free", "week-batch-cancel")
    },
}
