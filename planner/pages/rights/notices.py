"""Who may read and change the kinds of notices: as the API's table says of the same acts."""

from planner.api.rights.notices import RIGHTS as NOTICES

RIGHTS = {
    ("GET", "notice-kinds"): NOTICES["GET", "notice-kinds"],
    **{(method, "notice-kind"): NOTICES["PATCH", "notice-kind"] for method in ("GET", "POST")},
}
