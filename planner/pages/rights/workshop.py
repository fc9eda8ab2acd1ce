"""Who may open and do what in the Workshop: as the API's table says of the same acts."""

from planner.api.rights.jobs import RIGHTS as JOBS
from planner.api.rights.planning import RIGHTS as PLANNING
from planner.api.roles import SIGNED_IN

RIGHTS = {
    ("GET", "workshop"): (SIGNED_IN,),
    **{
        (method, route): PLANNING["POST", "tables"]
        for method in ("GET", "POST")
        for route in ("bring-in", "bring-in-look")
    },
    **{(method, "take-out"): JOBS["POST", "job-export"] for method in ("GET", "POST")},
    ("GET", "jobs"): JOBS["GET", "jobs"],
    ("GET", "job"): JOBS["GET", "job"],
    ("POST", "job"): JOBS["POST", "job-cancel"],
    ("GET", "job-result"): JOBS["GET", "job-result"],
    **{(method, "job-plan"): JOBS["POST", "job-plan"] for method in ("GET", "POST")},
}
