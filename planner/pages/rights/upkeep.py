"""Who may see, write and do upkeep: as the API's table says of the same acts."""

from planner.api.rights.notices import RIGHTS as NOTICES

RIGHTS = {
    ("GET", "upkeep"): NOTICES["GET", "upkeep"],
    ("GET", "upkeep-job"): NOTICES["GET", "upkeep-job"],
    **{(method, "upkeep-add"): NOTICES["POST", "upkeep"] for method in ("GET", "POST")},
    **{(method, "upkeep-change"): NOTICES["PATCH", "upkeep-job"] for method in ("GET", "POST")},
    **{(method, "upkeep-done"): NOTICES["POST", "upkeep-done"] for method in ("GET", "POST")},
}
