"""Who may see the settings, places and holidays, and change settings: as the API's table says of the same acts."""

from planner.api.rights.people import RIGHTS as PEOPLE
from planner.api.roles import READERS_AND_HELPER

RIGHTS = {
    ("GET", "settings"): PEOPLE["GET", "settings"],
    ("POST", "settings"): PEOPLE["PATCH", "settings"],
    **{("GET", route): READERS_AND_HELPER for route in ("places", "place", "holidays")},
}
