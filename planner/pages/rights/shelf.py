"""Who may do what at the shelf; the same as the API's table says of the same acts."""

from planner.api.roles import READERS_AND_HELPER

RIGHTS = {
    ("GET", "shelf"): READERS_AND_HELPER,
}
